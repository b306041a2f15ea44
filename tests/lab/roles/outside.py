"""Ways to the outside: port mappings by miniupnpc, TLS by the standard library, QUIC by aioquic."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import ssl
import threading
import time
from typing import Any


def igd(address: str) -> dict[str, Any]:
    """Find the router, ask for a mapping, list it, take it back, be refused one below 1024."""
    import miniupnpc

    client = miniupnpc.UPnP(multicastif=address)
    client.discoverdelay = 500  # ms
    client.discover()
    client.selectigd()
    said: dict[str, Any] = {"outside": client.externalipaddress()}
    said["granted"] = client.addportmapping(8080, "TCP", client.lanaddr, 8000, "light", "", 3600)
    said["listed"] = client.getspecificportmapping(8080, "TCP") is not None
    said["deleted"] = client.deleteportmapping(8080, "TCP")
    try:
        said["below 1024"] = client.addportmapping(80, "TCP", client.lanaddr, 80, "light", "")
    except Exception as refusal:
        said["below 1024"] = str(refusal)
    return said


def pcp(router: str, request: str) -> dict[str, int]:
    """
    Send a request of RFC 6887 as given, tell what came back.

    No package at hand sends PCP: the request is the vector of the unit tests with this client's address in it; the answer is
    the router's own.
    """
    client = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    client.settimeout(5)
    client.connect((router, 5351))
    octets = bytearray.fromhex(request)
    octets[8:24] = bytes(10) + b"\xff\xff" + socket.inet_aton(client.getsockname()[0])  # section 7.1
    client.send(octets)
    answer = client.recv(1100)
    return {
        "result": answer[3],
        "lifetime": int.from_bytes(answer[4:8], "big"),
        "external": int.from_bytes(answer[42:44], "big"),
    }


def tls_server(address: str, certificate: str) -> None:
    """TLS 1.3 and 1.2 on one port, 1.2 alone on another."""

    def serve(port: int, highest: ssl.TLSVersion) -> None:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.maximum_version = highest
        context.load_cert_chain(certificate)
        context.set_alpn_protocols(["mqtt", "http/1.1"])
        listener = socket.create_server((address, port))
        while True:
            connection, _ = listener.accept()
            with contextlib.suppress(OSError), context.wrap_socket(connection, server_side=True) as session:
                while octets := session.recv(4096):
                    session.sendall(octets)

    threading.Thread(target=serve, args=(443, ssl.TLSVersion.TLSv1_3), daemon=True).start()
    threading.Thread(target=serve, args=(8883, ssl.TLSVersion.TLSv1_2), daemon=True).start()
    for port in (443, 8883):
        _await_listener(address, port)
    print("ready", flush=True)
    threading.Event().wait()


def _await_listener(address: str, port: int) -> None:
    """Until somebody listens, or a while has passed."""
    for _ in range(200):
        with socket.socket() as trying:
            if trying.connect_ex((address, port)) == 0:
                return
        time.sleep(0.05)


def tls(address: str, name: str) -> dict[str, list[str | None]]:
    """A session at each port; version and suite as this end negotiated them."""
    said: dict[str, list[str | None]] = {}
    for port in (443, 8883):
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        context.check_hostname = False
        context.verify_mode = ssl.CERT_NONE
        context.set_alpn_protocols(["mqtt"])
        with context.wrap_socket(
            socket.create_connection((address, port), 5), server_hostname=name
        ) as session:
            session.sendall(b"hello")
            session.recv(100)
            cipher = session.cipher()
            said[str(port)] = [
                session.version(),
                cipher[0] if cipher else None,
                session.selected_alpn_protocol(),
            ]
    return said


async def quic_server(address: str, certificate: str) -> None:
    """A server that only answers."""
    from aioquic.asyncio import serve
    from aioquic.quic.configuration import QuicConfiguration

    configuration = QuicConfiguration(is_client=False, alpn_protocols=["light/1"])
    configuration.load_cert_chain(certificate)
    await serve(address, 443, configuration=configuration)
    print("ready", flush=True)
    await asyncio.Event().wait()


async def quic(address: str, name: str) -> dict[str, list[int]]:
    """A connection in version 1 and one in version 2."""
    from aioquic.asyncio import connect
    from aioquic.quic.configuration import QuicConfiguration
    from aioquic.quic.packet import QuicProtocolVersion

    said = {}
    for number, version in (("1", QuicProtocolVersion.VERSION_1), ("2", QuicProtocolVersion.VERSION_2)):
        configuration = QuicConfiguration(
            is_client=True, alpn_protocols=["light/1"], server_name=name, verify_mode=ssl.CERT_NONE,
            original_version=version, supported_versions=[version],
        )  # fmt: skip
        async with connect(address, 443, configuration=configuration) as connection:
            await connection.ping()
            said[number] = [int(version)]
    return said
