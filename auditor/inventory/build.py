"""
The inventory: messages and flows in, devices and facts and coverage out.

``observe`` sees every message once, in the order of the recording, and only
counts; ``build`` relates what was counted once all of it is known.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from auditor.capture.own_questions import recorders_that_asked
from auditor.capture.record import CaptureFacts
from auditor.dissect.message import Envelope, Issue
from auditor.dissect.protocols.artnet import ArtNetMessage
from auditor.dissect.protocols.coap import CoapMessage
from auditor.dissect.protocols.ddp import DdpMessage
from auditor.dissect.protocols.dhcp import DhcpMessage
from auditor.dissect.protocols.dhcpv6 import Dhcpv6Message
from auditor.dissect.protocols.dtls import DtlsClientHello, DtlsServerHello
from auditor.dissect.protocols.e131 import E131Data
from auditor.dissect.protocols.ftp import FtpCommand, FtpReply
from auditor.dissect.protocols.http import HttpRequest, HttpResponse
from auditor.dissect.protocols.knxnet import KnxnetMessage
from auditor.dissect.protocols.lldp import LldpAnnouncement
from auditor.dissect.protocols.llmnr import LinkNameMessage
from auditor.dissect.protocols.mqtt import Connect, ConnectAcknowledgement, Publish
from auditor.dissect.protocols.natpmp import NatPmpMessage
from auditor.dissect.protocols.nbns import NetbiosNameMessage
from auditor.dissect.protocols.neighbour import NeighbourMessage
from auditor.dissect.protocols.osc import OscPacket
from auditor.dissect.protocols.pcp import PcpMessage
from auditor.dissect.protocols.quic import QuicInitial
from auditor.dissect.protocols.raw_json import JsonMessage
from auditor.dissect.protocols.rtsp import RtspRequest, RtspResponse
from auditor.dissect.protocols.ssdp import SsdpMessage
from auditor.dissect.protocols.ssh import SshIdentification
from auditor.dissect.protocols.telnet import TelnetMessage
from auditor.dissect.protocols.tftp import TftpRequest
from auditor.dissect.protocols.tls import Certificate, ClientHello, ServerHello
from auditor.dissect.protocols.websocket import WebSocketMessage
from auditor.dissect.protocols.wireless import ManagementFrame
from auditor.dissect.protocols.wsdiscovery import DiscoveryMessage
from auditor.dissect.syntax.dns_message import DnsMessage
from auditor.dissect.syntax.group_membership import GroupMembership
from auditor.flows.flow import Flow, FlowKey
from auditor.home.model import Home, HomeDevice
from auditor.inventory.assembly import assemble_inventory
from auditor.inventory.choose import check_chosen
from auditor.inventory.collected import Collected
from auditor.inventory.identity import is_multicast_dns
from auditor.inventory.model import Inventory
from auditor.packets.batch import PacketBatch

__all__ = ["InventoryBuilder", "check_chosen"]

MAX_ISSUES = 1000  # kept of what could not be read: more of them say the same of a damaged file

Handler = Callable[[Envelope, Any], None]


class InventoryBuilder(Collected):
    """Collects what messages say; all workers of a run share ``run_key``, which is never written."""

    def __init__(
        self, home: Home | None = None, chosen: Sequence[str] = (), run_key: bytes | None = None
    ) -> None:
        super().__init__(home, chosen, run_key)
        self._handlers = self._table()
        self._count = self.content.on_message

    def _table(self) -> dict[type, tuple[Handler, ...]]:
        """Who wants which kind of message."""
        return {
            ArtNetMessage: (self.identity.on_artnet, self.controls.on_artnet, self.load.on_artnet),
            Certificate: (self.sessions.on_certificate,),
            ClientHello: (self.content.on_client_hello, self.sessions.on_client_hello),
            Connect: (self.controls.on_connect,),
            ConnectAcknowledgement: (self.controls.on_connect_acknowledgement,),
            DhcpMessage: (self.identity.on_dhcp,),
            DnsMessage: (self._on_dns,),
            E131Data: (self.load.on_e131,),
            CoapMessage: (self.coap_controls.on_coap,),
            DtlsClientHello: (self.content.on_client_hello, self.sessions.on_client_hello),
            DtlsServerHello: (self.sessions.on_server_hello,),
            FtpCommand: (self.plain_logins.on_ftp_command,),
            FtpReply: (self.plain_logins.on_ftp_reply, self.banners.on_ftp),
            HttpRequest: (
                self.content.on_request,
                self.controls.on_request,
                self.downloads.on_request,
                self.message_controls.on_request,
                self.port_mappings.on_request,
            ),
            HttpResponse: (
                self.controls.on_response,
                self.downloads.on_response,
                self.message_controls.on_response,
                self.banners.on_http,
                self.port_mappings.on_response,
            ),
            JsonMessage: (self.message_controls.on_json,),
            RtspRequest: (self.plain_logins.on_rtsp_request,),
            RtspResponse: (self.plain_logins.on_rtsp_response, self.banners.on_rtsp),
            SshIdentification: (self.banners.on_ssh,),
            NeighbourMessage: (self.identity.on_neighbour,),
            TftpRequest: (self.file_transfers.on_tftp,),
            TelnetMessage: (self.plain_logins.on_telnet,),
            WebSocketMessage: (self.message_controls.on_websocket,),
            Publish: (self.controls.on_publish,),
            ServerHello: (self.sessions.on_server_hello,),
            SsdpMessage: (self.announcements.on_ssdp, self.port_mappings.on_ssdp),
            Dhcpv6Message: (self.link_names.on_dhcpv6,),
            DiscoveryMessage: (self.link_names.on_discovery,),
            LldpAnnouncement: (self.link_names.on_lldp,),
            LinkNameMessage: (self.link_names.on_llmnr,),
            ManagementFrame: (self.wireless.on_management,),
            NetbiosNameMessage: (self.link_names.on_netbios,),
            DdpMessage: (self.load.on_ddp, self.show_controls.on_ddp),
            KnxnetMessage: (self.show_controls.on_knxnet,),
            NatPmpMessage: (self.port_mappings.on_natpmp,),
            OscPacket: (self.show_controls.on_osc,),
            PcpMessage: (self.port_mappings.on_pcp,),
            QuicInitial: (self.content.on_quic_initial, self.sessions.on_quic),
            GroupMembership: (self.identity.on_membership,),
        }

    def _on_dns(self, envelope: Envelope, message: DnsMessage) -> None:
        """Part unicast from multicast: the same octets mean different things there."""
        if not is_multicast_dns(envelope):
            self.identity.on_unicast_dns(envelope, message)
            self.names.on_dns(envelope, message)
            self.lookups.on_dns(envelope, message)
        elif not self.announcements.repeats(envelope, message):
            self.identity.on_multicast_dns(envelope, message)
            self.announcements.on_multicast_dns(envelope, message)

    def observe(self, item: Envelope | Issue) -> None:
        """Take in one message, or one thing that could not be read."""
        if type(item) is Envelope:
            self._count(item)
            message = item.message
            handlers = self._handlers.get(type(message))
            if handlers is not None:
                for handler in handlers:
                    handler(item, message)
        elif isinstance(item, Issue):
            if len(self.issues) < MAX_ISSUES:
                self.issues.append(item)
            else:
                self.issues_dropped += 1

    def observe_batch(self, batch: PacketBatch) -> None:
        """Take in what only the columns tell: pauses, encrypted frames, moments of short payloads."""
        self.survey.add(batch)
        self.payload_times.add(batch)

    def build(
        self,
        flows: Iterable[Flow],
        captures: Sequence[CaptureFacts],
        unclaimed: Mapping[FlowKey, int] | None = None,
        contradicting: Sequence[FlowKey] = (),
    ) -> Inventory:
        """
        Relate everything that was seen.

        ``unclaimed`` counts payload packets that no dissector knew, by flow key;
        ``contradicting``: flows of which a side was given up, because its
        segments contradict each other.  To be called once, after the last message.
        """
        self.controls.finish()
        self.message_controls.finish()
        self.coap_controls.finish()
        self.home = _with_recorders(self.home, captures)
        return assemble_inventory(self, list(flows), tuple(captures), unclaimed or {}, contradicting)


def _with_recorders(home: Home, captures: Sequence[CaptureFacts]) -> Home:
    """
    The home with the recorders that asked devices themselves, as the files say.

    Behind what the household wrote, whose nicknames so come first: a hub that
    recorded keeps its part and has this one besides.
    """
    asking = tuple(
        HomeDevice(link_address=link, role="recorder", nickname=None)
        for link in recorders_that_asked(captures)
    )
    return replace(home, devices=(*home.devices, *asking)) if asking else home
