"""Those who send for the recorder: many packets at a pace, a flood, tagged frames, a light that answers and counts."""

from __future__ import annotations

import http.server
import json
import socket
import sys
import threading
import time

PORT = 9_000


def steady(receiver: str, pace: str, seconds: str) -> dict[str, float]:
    """Numbered datagrams of 60 to 560 octets, a hundredth of a second's worth at a time."""
    sender = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    each = int(pace) // 100
    filling = bytes(500)
    began = time.monotonic()
    number = 0
    for step in range(int(float(seconds) * 100)):
        rest = began + step / 100 - time.monotonic()
        if rest > 0:
            time.sleep(rest)
        for _ in range(each):
            sender.sendto(number.to_bytes(8, "big") + filling[: number % 500], (receiver, PORT))
            number += 1
    return {"sent": number, "seconds": time.monotonic() - began}


def flood(address: str, port: str, seconds: str) -> dict[str, int]:
    """As many datagrams as go."""
    sender = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    end = time.monotonic() + float(seconds)
    sent = 0
    while time.monotonic() < end:
        for _ in range(200):
            sender.sendto(bytes(60), (address, int(port)))
        sent += 200
    return {"sent": sent}


def one_datagram(receiver: str) -> None:
    """To an address where nobody may be: the question for its link address goes out all the same (RFC 826)."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        sender.sendto(b"one", (receiver, PORT))
    time.sleep(0.1)


def tagged(link_address: str, number: str) -> dict[str, int]:
    """Frames with a tag of IEEE 802.1Q, written as they go over the wire."""
    with socket.socket(socket.AF_PACKET, socket.SOCK_RAW) as sender:
        sender.bind(("eth0", 0))
        source = bytes.fromhex(link_address.replace(":", ""))
        for count in range(5):
            tag = (0x8100 << 16 | int(number)).to_bytes(4, "big")
            sender.send(b"\xff" * 6 + source + tag + b"\x88\xb5" + bytes([count]) * 60)
    return {"sent": 5}


def sink(address: str) -> None:
    """Take datagrams and say nothing."""
    receiver = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    receiver.bind((address, PORT))
    print("ready", flush=True)
    while True:
        receiver.recv(65_535)


def answering_light(address: str) -> None:
    """A light's web server and its descriptions; each request is one line of JSON with its time."""

    class Light(http.server.BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            said = {
                "at": time.time(),
                "method": self.command,
                "path": self.path,
                "from": self.client_address[0],
            }
            print(json.dumps(said), flush=True)
            body = b'{"name":"shelf light"}'
            self.send_response(200)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        do_POST = do_PUT = do_PATCH = do_DELETE = do_GET

        def log_message(self, *arguments: object) -> None:
            """Nothing besides the lines above."""

    search = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    search.bind((address, 1900))

    def describe() -> None:
        while True:
            asked, sender = search.recvfrom(2048)
            print(json.dumps({"at": time.time(), "search": asked.decode("latin-1")}), flush=True)
            for place in (f"http://{address}:80/description.xml", "http://198.51.100.9/elsewhere.xml"):
                answer = f"HTTP/1.1 200 OK\r\nLOCATION: {place}\r\nST: upnp:rootdevice\r\n\r\n"
                search.sendto(answer.encode(), sender)

    threading.Thread(target=describe, daemon=True).start()
    server = http.server.ThreadingHTTPServer((address, 80), Light)
    print("ready", flush=True)
    server.serve_forever()


def typed_at(*command: str) -> dict[str, object]:
    """Run a command at a terminal of its own, typing what stands behind each ``TYPE`` after what it waits for."""
    import os
    import pty
    import select

    at = command.index("TYPE")
    lines = [pair.partition("=>") for pair in command[at + 1 :]]
    child, terminal = pty.fork()
    if child == 0:
        os.execv(sys.executable, [sys.executable, *command[:at]])
    seen = b""
    waiting = list(lines)
    end = time.monotonic() + 55
    while time.monotonic() < end:
        if select.select([terminal], [], [], 0.2)[0]:
            try:
                octets = os.read(terminal, 4096)
            except OSError:
                break
            if not octets:
                break
            seen += octets
        while waiting and waiting[0][0].encode() in seen:
            _, _, text = waiting.pop(0)
            time.sleep(0.3)
            os.write(terminal, text.encode() + b"\n")
    _, status = os.waitpid(child, 0)
    return {"status": os.waitstatus_to_exitcode(status), "said": seen.decode("utf-8", "replace")}


def standing_mdns_light(address: str, name: str) -> None:
    """A light that announces itself by zeroconf and goes on answering."""
    from zeroconf import ServiceInfo, Zeroconf

    announcer = Zeroconf(interfaces=[address])
    text = {"path": "/", "fw": "0.14.1", "mac": "00005e005321"}
    service = ServiceInfo(
        "_http._tcp.local.",
        f"{name}._http._tcp.local.",
        addresses=[socket.inet_aton(address)],
        port=80,
        properties=text,
        server=f"{name}.local.",
    )
    announcer.register_service(service)
    print("ready", flush=True)
    threading.Event().wait()


async def ssdp_device(address: str) -> None:
    """A device that answers every search, by the library ssdp."""
    import asyncio

    import ssdp.aio
    import ssdp.messages

    kind = "upnp:rootdevice"

    class Device(ssdp.aio.SimpleServiceDiscoveryProtocol):
        def request_received(self, request: object, addr: tuple[str, int]) -> None:
            headers = [
                ("CACHE-CONTROL", "max-age=1800"), ("LOCATION", f"http://{address}/description.xml"),
                ("ST", kind), ("USN", f"uuid:00000000-0000-0000-0000-000000005330::{kind}"),
            ]  # fmt: skip
            ssdp.messages.SSDPResponse(200, "OK", headers=headers).sendto(self.transport, addr)

        def connection_made(self, transport: asyncio.BaseTransport) -> None:
            self.transport = transport

    listening = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    listening.bind(("", 1900))
    membership = socket.inet_aton("239.255.255.250") + socket.inet_aton(address)
    listening.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, membership)
    await asyncio.get_running_loop().create_datagram_endpoint(Device, sock=listening)
    print("ready", flush=True)
    await asyncio.Event().wait()
