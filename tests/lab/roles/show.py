"""Those who drive lights: other implementations of E1.31, Art-Net, DDP, OSC and KNXnet/IP."""

from __future__ import annotations

import asyncio
import threading
import time
from typing import Any

UNIVERSE, BACKUP_UNIVERSE = 7, 8
FRAME_SECONDS = 0.05


def e131(address: str, receiver: str, frames: str) -> dict[str, int]:
    """Data to a group and to one receiver, a synchronisation, and the list of universes."""
    import sacn
    from sacn.sending import sender_handler

    sender_handler.E131_E131_UNIVERSE_DISCOVERY_INTERVAL = (
        0.2  # seconds instead of ten; its octets are what matters
    )
    sender = sacn.sACNsender(
        bind_address=address, source_name="evening show", fps=1, universeDiscovery=True, sync_universe=63_999
    )
    sender.manual_flush = True
    sender.start()
    for universe, priority in ((UNIVERSE, 120), (BACKUP_UNIVERSE, 100)):
        sender.activate_output(universe)
        sender[universe].priority = priority
    sender[UNIVERSE].multicast = True
    sender[BACKUP_UNIVERSE].destination = receiver
    time.sleep(0.5)  # more than the interval: discovery is sent by its own thread
    for level in range(int(frames)):
        for universe in (UNIVERSE, BACKUP_UNIVERSE):
            sender[universe].dmx_data = (level % 256,) * 512
        sender.flush()
        time.sleep(FRAME_SECONDS)
    for universe in (UNIVERSE, BACKUP_UNIVERSE):
        sender.deactivate_output(universe)
    sender.stop()
    return {"frames": int(frames)}


def artnet(receiver: str, frames: str) -> dict[str, int]:
    """Light data to one node, nothing else."""
    from stupidArtnet import StupidArtnet

    sender = StupidArtnet(receiver, universe=3, packet_size=64)
    for level in range(int(frames)):
        sender.set(bytearray([level % 256] * 64))
        sender.show()
        time.sleep(FRAME_SECONDS)
    sender.close()
    return {"frames": int(frames)}


async def artnet_node() -> None:
    """A node that answers polls and puts one universe out; it polls as well."""
    from aioartnet import ArtNetClient

    node = ArtNetClient(interface="eth0")
    node.portName, node.longName = "shelf-light", "light on the shelf"
    await node.connect()
    node.set_port_config("0:0:3", is_output=True)
    print("ready", flush=True)
    await asyncio.Event().wait()


async def artnet_search() -> list[str]:
    """Poll until a node has answered; the addresses of the nodes with another address than ours."""
    from aioartnet import ArtNetClient

    controller = ArtNetClient(interface="eth0")
    await controller.connect()
    for _ in range(100):
        found = [str(node.ip) for node in controller.nodes.values() if node.ports]
        if found:
            await asyncio.sleep(0.5)  # the node polls too and may answer before our own poll has left
            return sorted(found)
        await asyncio.sleep(0.05)
    return []


async def ddp(receiver: str) -> dict[str, int]:
    """One picture in two datagrams."""
    from ddp import ID, DDPConnection, PixelConfig

    connection = await DDPConnection.create(f"{receiver}:4048", PixelConfig.default(), ID.DEFAULT)
    await connection.write(bytes(1800))
    await asyncio.sleep(FRAME_SECONDS)
    return {"octets": 1800}


def osc_server(address: str) -> None:
    """A light that obeys messages over UDP and both framings over TCP."""
    from pythonosc.dispatcher import Dispatcher
    from pythonosc.osc_server import BlockingOSCUDPServer
    from pythonosc.osc_tcp_server import ThreadingOSCTCPServer

    obey = Dispatcher()
    datagrams = BlockingOSCUDPServer((address, 8000), obey)
    for port, mode in ((8001, "1.1"), (8002, "1.0")):
        threading.Thread(
            target=ThreadingOSCTCPServer((address, port), obey, mode=mode).serve_forever, daemon=True
        ).start()
    print("ready", flush=True)
    datagrams.serve_forever()


def osc(receiver: str) -> dict[str, int]:
    """A message, a bundle in a bundle, and a message over each framing of TCP."""
    from pythonosc.osc_bundle_builder import IMMEDIATELY, OscBundleBuilder
    from pythonosc.osc_message_builder import OscMessageBuilder
    from pythonosc.tcp_client import SimpleTCPClient
    from pythonosc.udp_client import SimpleUDPClient

    client = SimpleUDPClient(receiver, 8000)
    client.send_message("/shelf/colour", [1, 0.5, "warm"])
    inner, outer = OscBundleBuilder(IMMEDIATELY), OscBundleBuilder(IMMEDIATELY)
    builder = OscMessageBuilder(address="/shelf/brightness")
    builder.add_arg(0.25)
    inner.add_content(builder.build())
    outer.add_content(builder.build())
    outer.add_content(inner.build())
    client.send(outer.build())
    for port, mode in ((8001, "1.1"), (8002, "1.0")):
        stream = SimpleTCPClient(receiver, port, mode=mode)
        stream.send_message("/shelf/on", [1])
        stream.close()
    return {"datagrams": 2, "streams": 2}


async def knx_server(address: str) -> None:
    """A gateway to a bus, which has one light: the frames are built and read by xknx, the answers are ours."""
    loop = asyncio.get_running_loop()
    await loop.create_datagram_endpoint(lambda: _Gateway(address), local_addr=(address, 3671))
    print("ready", flush=True)
    await asyncio.Event().wait()


class _Gateway(asyncio.DatagramProtocol):
    """Core and tunnelling (KNX 03_08_02, 03_08_04) as far as a client needs them."""

    def __init__(self, address: str) -> None:
        self.address = address
        self.sent = 0

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport: Any = transport

    def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
        from xknx.knxip import KNXIPFrame

        frame, _ = KNXIPFrame.from_knx(data)
        for body in self._answers(frame.body):
            self.transport.sendto(KNXIPFrame.init_from_body(body).to_knx(), addr)

    def _answers(self, body: Any) -> list[Any]:
        from xknx import knxip
        from xknx.telegram import IndividualAddress

        match type(body).__name__:
            case "DescriptionRequest":
                answer = knxip.DescriptionResponse()
                answer.dibs = self._description()
                return [answer]
            case "ConnectRequest":
                given = knxip.ConnectResponseData(individual_address=IndividualAddress("1.1.250"))
                return [knxip.ConnectResponse(1, data_endpoint=knxip.HPAI(self.address, 3671), crd=given)]
            case "ConnectionStateRequest":
                return [knxip.ConnectionStateResponse(body.communication_channel_id)]
            case "DisconnectRequest":
                return [knxip.DisconnectResponse(body.communication_channel_id)]
            case "TunnellingRequest":
                confirmation = bytes([0x2E]) + body.raw_cemi[1:]  # L_Data.con
                self.sent += 1
                return [
                    knxip.TunnellingAck(body.communication_channel_id, body.sequence_counter),
                    knxip.TunnellingRequest(body.communication_channel_id, self.sent - 1, confirmation),
                ]
        return []

    def _description(self) -> list[Any]:
        from xknx.knxip import DIBDeviceInformation, DIBServiceFamily, DIBSuppSVCFamilies
        from xknx.telegram import IndividualAddress

        device, families = DIBDeviceInformation(), DIBSuppSVCFamilies()
        device.name, device.individual_address = "shelf gateway", IndividualAddress("1.1.0")
        device.serial_number, device.mac_address = "00:00:00:00:53:30", "00:00:5e:00:53:30"
        families.families = [
            DIBSuppSVCFamilies.Family(DIBServiceFamily.CORE, 1),
            DIBSuppSVCFamilies.Family(DIBServiceFamily.TUNNELING, 1),
        ]
        return [device, families]


async def knx_routing(address: str) -> dict[str, int]:
    """Switch a light by group frames."""
    from xknx.io import ConnectionConfig, ConnectionType

    return await _switch(ConnectionConfig(connection_type=ConnectionType.ROUTING, local_ip=address))


async def knx_tunnelling(gateway: str, address: str) -> dict[str, int]:
    """Switch a light through a gateway."""
    from xknx.io import ConnectionConfig, ConnectionType

    return await _switch(
        ConnectionConfig(
            connection_type=ConnectionType.TUNNELING,
            gateway_ip=gateway,
            local_ip=address,
            auto_reconnect=False,
        )
    )


async def _switch(configuration: Any) -> dict[str, int]:
    from xknx import XKNX
    from xknx.devices import Light

    async with XKNX(connection_config=configuration) as bus:
        light = Light(bus, name="shelf", group_address_switch="1/2/3")
        bus.devices.async_add(light)
        await light.set_on()
        await light.set_off()
        await bus.join()
        await asyncio.sleep(FRAME_SECONDS)
    return {"writes": 2}
