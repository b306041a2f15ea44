"""Devices that tell and ask who is there: ssdp, WSDiscovery and zeroconf, each another implementation."""

from __future__ import annotations

import asyncio
import socket
import time
from typing import Any

LIGHT_TYPE = "urn:schemas-upnp-org:device:DimmableLight:1"
UNIQUE_NAME = f"uuid:00000000-0000-0000-0000-000000005321::{LIGHT_TYPE}"
SSDP_GROUP = ("239.255.255.250", 1900)


async def ssdp_light(address: str) -> dict[str, list[str]]:
    """Announce a light, be found once, take the announcement back."""
    import ssdp.aio
    import ssdp.messages

    searched: asyncio.Future[str] = asyncio.get_running_loop().create_future()

    class Light(ssdp.aio.SimpleServiceDiscoveryProtocol):
        def request_received(self, request: Any, addr: tuple[str, int]) -> None:
            if request.method != "M-SEARCH" or searched.done():
                return
            answer = ssdp.messages.SSDPResponse(200, "OK", headers=[*fields, ("ST", LIGHT_TYPE)])
            answer.sendto(self.transport, addr)
            searched.set_result(dict(request.headers)["ST"])

        def connection_made(self, transport: asyncio.BaseTransport) -> None:
            self.transport = transport

    fields = [
        ("CACHE-CONTROL", "max-age=1800"), ("LOCATION", f"http://{address}/description.xml"),
        ("SERVER", "light/1 UPnP/1.1 shelf/2"), ("USN", UNIQUE_NAME),
    ]  # fmt: skip
    listening = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    listening.bind(("", 1900))
    membership = socket.inet_aton(SSDP_GROUP[0]) + socket.inet_aton(address)
    listening.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, membership)
    transport, _ = await asyncio.get_running_loop().create_datagram_endpoint(Light, sock=listening)
    said = ["ssdp:alive"]
    _notify(transport, "ssdp:alive", fields)
    print("ready", flush=True)
    target = await asyncio.wait_for(searched, 30)
    said.append("ssdp:byebye")
    _notify(transport, "ssdp:byebye", [("USN", UNIQUE_NAME)])
    transport.close()
    return {"said": said, "searched": [target]}


def _notify(transport: Any, kind: str, fields: list[tuple[str, str]]) -> None:
    import ssdp.messages

    host = ("HOST", "239.255.255.250:1900")
    ssdp.messages.SSDPRequest("NOTIFY", headers=[host, ("NT", LIGHT_TYPE), ("NTS", kind), *fields]).sendto(
        transport, SSDP_GROUP
    )


async def ssdp_search(address: str) -> dict[str, str]:
    """Search for lights until one answers."""
    import ssdp.aio
    import ssdp.messages

    found: asyncio.Future[dict[str, str]] = asyncio.get_running_loop().create_future()

    class Searcher(ssdp.aio.SimpleServiceDiscoveryProtocol):
        def response_received(self, response: Any, addr: tuple[str, int]) -> None:
            if not found.done():
                found.set_result({"from": addr[0], **dict(response.headers)})

        def connection_made(self, transport: asyncio.BaseTransport) -> None:
            """Nothing to begin with."""

    transport, _ = await asyncio.get_running_loop().create_datagram_endpoint(
        Searcher, local_addr=(address, 0)
    )
    search = ssdp.messages.SSDPRequest(
        "M-SEARCH",
        headers=[
            ("HOST", "239.255.255.250:1900"),
            ("MAN", '"ssdp:discover"'),
            ("MX", "1"),
            ("ST", LIGHT_TYPE),
        ],
    )
    search.sendto(transport, SSDP_GROUP)
    return await asyncio.wait_for(found, 10)


def wsd_light(address: str) -> None:
    """A target service that tells a probe where it is."""
    from wsdiscovery import QName, Scope, threaded
    from wsdiscovery.publishing import ThreadedWSPublishing

    threaded.NetworkingThreadIPv6 = _unsupported  # it would answer peers of IPv4, and end with that
    service = ThreadedWSPublishing()
    service.start()
    service.publishService(
        types=[QName("http://light.example/types", "Light")],
        scopes=[Scope("http://light.example/shelf")],
        xAddrs=[f"http://{address}/service"],
    )
    print("ready", flush=True)
    while True:
        time.sleep(60)


def _unsupported(_: object) -> None:
    raise OSError("IPv6 is not spoken here")


def wsd_search() -> list[list[str]]:
    """Probe; the transport addresses of what answered."""
    from wsdiscovery import QName
    from wsdiscovery.discovery import ThreadedWSDiscovery

    client = ThreadedWSDiscovery()
    client.start()
    found = client.searchServices(types=[QName("http://light.example/types", "Light")], timeout=2)
    client.stop()
    return [list(service.getXAddrs()) for service in found]


def mdns_light(address: str, name: str) -> dict[str, float]:
    """Announce, stay a moment, say goodbye; when each was done."""
    from zeroconf import IPVersion, ServiceInfo, Zeroconf

    responder = Zeroconf(interfaces=[address], ip_version=IPVersion.V4Only)
    info = ServiceInfo(
        "_http._tcp.local.", f"{name}._http._tcp.local.", addresses=[socket.inet_aton(address)], port=80,
        properties={"path": "/", "mac": "00005e005321"}, server=f"{name}.local.",
    )  # fmt: skip
    responder.register_service(info)
    print("ready", flush=True)
    time.sleep(2)
    leaving = time.time_ns()
    responder.unregister_service(info)
    responder.close()
    return {"leaving_ns": leaving}


def mdns_browse(address: str, name: str) -> dict[str, Any]:
    """Browse and resolve."""
    from zeroconf import IPVersion, ServiceInfo, Zeroconf

    browser = Zeroconf(interfaces=[address], ip_version=IPVersion.V4Only)
    info = ServiceInfo("_http._tcp.local.", f"{name}._http._tcp.local.")
    found = info.request(browser, 5000)
    browser.close()
    return {"found": found, "port": info.port, "addresses": info.parsed_addresses()}
