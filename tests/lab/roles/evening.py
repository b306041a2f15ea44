"""The evening's light, phone, hub and cloud."""

from __future__ import annotations

import base64
import http.server
import json
import socket
import socketserver
import ssl
import threading
import time
import urllib.error
import urllib.request

LOGIN = base64.b64encode(b"shelf:lantern-and-ladder").decode()


class LightHandler(http.server.BaseHTTPRequestHandler):
    """State for everybody, settings behind a login."""

    protocol_version = "HTTP/1.1"

    def do_GET(self) -> None:
        self._answer(200, {"on": True, "bri": 128})

    def do_POST(self) -> None:
        self.rfile.read(int(self.headers.get("Content-Length", 0)))
        if self.path.startswith("/json/cfg") and self.headers.get("Authorization") != f"Basic {LOGIN}":
            self._answer(401, {"error": "login"})
        else:
            self._answer(200, {"success": True})

    def _answer(self, status: int, body: dict[str, object]) -> None:
        octets = json.dumps(body).encode()
        self.send_response(status)
        if status == 401:
            self.send_header("WWW-Authenticate", 'Basic realm="light"')
        self.send_header("Content-Type", "application/json")
        self.send_header("Content-Length", str(len(octets)))
        self.end_headers()
        self.wfile.write(octets)

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - the name of the overridden method
        """Say nothing."""


class LightServer(http.server.ThreadingHTTPServer):
    """Without the lookup of its own name that the library makes: it would ask the machine's resolver."""

    def server_bind(self) -> None:
        socketserver.TCPServer.server_bind(self)
        self.server_name, self.server_port = "light", self.server_address[1]


def light(address: str) -> None:
    """A light with a web interface."""
    server = LightServer((address, 80), LightHandler)
    print("ready", flush=True)
    server.serve_forever()


def request(method: str, url: str, body: str, login: str) -> int:
    """One request; the status."""
    made = urllib.request.Request(url, method=method, data=body.encode() if body else None)
    made.add_header("User-Agent", "lights/3")
    if body:
        made.add_header("Content-Type", "application/json")
    if login:
        made.add_header("Authorization", f"Basic {LOGIN}")
    try:
        with urllib.request.urlopen(made, timeout=5) as answer:
            answer.read()
            return int(answer.status)
    except urllib.error.HTTPError as refusal:
        return refusal.code


def announce(address: str, name: str) -> None:
    """Announce a service by another implementation of RFC 6762, then take it back."""
    from zeroconf import IPVersion, ServiceInfo, Zeroconf

    responder = Zeroconf(interfaces=[address], ip_version=IPVersion.V4Only)
    info = ServiceInfo(
        "_http._tcp.local.", f"{name}._http._tcp.local.", addresses=[socket.inet_aton(address)], port=80,
        properties={"path": "/", "fw": "0.14.1"}, server=f"{name}.local.",
    )  # fmt: skip
    responder.register_service(info)
    time.sleep(0.5)
    responder.unregister_service(info)
    responder.close()


def show(address: str, universes: str = "1", rate: str = "25", seconds: str = "2") -> None:
    """Lighting data to the groups of so many universes by another implementation of E1.31."""
    import sacn

    sender = sacn.sACNsender(bind_address=address, fps=int(rate))
    sender.start()
    numbers = range(1, int(universes) + 1)
    for number in numbers:
        sender.activate_output(number)
        sender[number].multicast = True
    end = time.monotonic() + float(seconds)
    level = 0
    while time.monotonic() < end:
        level = (level + 1) % 256
        for number in numbers:
            sender[number].dmx_data = (level,) * 512
        time.sleep(1 / int(rate))
    sender.stop()


def join_group(address: str, group: str) -> None:
    """Be a member of a group, as a receiver is (RFC 3376), and take what comes."""
    receiver = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    receiver.bind((group, 5568))
    membership = socket.inet_aton(group) + socket.inet_aton(address)
    receiver.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, membership)
    print("ready", flush=True)
    while True:
        receiver.recv(2048)


def cloud(address: str, certificate: str) -> None:
    """A server outside that echoes inside TLS."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.maximum_version = ssl.TLSVersion.TLSv1_2
    context.load_cert_chain(certificate)
    listener = socket.create_server((address, 443))
    print("ready", flush=True)
    while True:
        connection, _ = listener.accept()
        threading.Thread(target=_echo, args=(context, connection), daemon=True).start()


def _echo(context: ssl.SSLContext, connection: socket.socket) -> None:
    with context.wrap_socket(connection, server_side=True) as session:
        while octets := session.recv(4096):
            session.sendall(octets)


def call(name: str, resolver: str) -> str:
    """Look a name up, open a session with it, say something."""
    import dns.resolver

    asking = dns.resolver.Resolver(configure=False)
    asking.nameservers = [resolver]
    address = str(asking.resolve(name, "A")[0])
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname = False
    context.verify_mode = ssl.CERT_NONE
    with context.wrap_socket(socket.create_connection((address, 443), 5), server_hostname=name) as session:
        session.sendall(b"hello")
        return session.recv(100).decode()


def clock(server: str) -> int:
    """Ask for the time by another implementation of RFC 5905."""
    import ntplib

    return int(ntplib.NTPClient().request(server, version=4, timeout=5).stratum)
