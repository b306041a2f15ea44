"""
A small household in facts: devices, flows and messages as the earlier stages deliver them.

Addresses: RFC 1918 inside, RFC 5737 and RFC 3849 outside; link addresses locally
administered or of the documentation block of RFC 7042 section 2.1.1.
"""

from dataclasses import replace

from auditor.addresses import BROADCAST_LINK, UNSPECIFIED, LinkAddress, parse_address, parse_link
from auditor.capture.record import CaptureComment, CaptureFacts, CaptureIssue, InterfaceFacts
from auditor.dissect.message import Envelope
from auditor.dissect.protocols.dhcp import DhcpMessage
from auditor.dissect.protocols.e131 import E131Data
from auditor.dissect.protocols.http import HttpRequest, HttpResponse
from auditor.dissect.protocols.mqtt import Connect, ConnectAcknowledgement
from auditor.dissect.protocols.ntp import NtpMessage
from auditor.dissect.protocols.tls import ClientHello, EncryptedData, ServerHello
from auditor.dissect.syntax.dns_message import DnsMessage, Question, ResourceRecord, TextKey
from auditor.flows.flow import Endpoint, Flow, FlowKey, FlowOutcome, InitiatorKnown, PacketReference
from auditor.home.model import Action, Home, HomeDevice, Keep
from auditor.inventory.build import InventoryBuilder
from auditor.secret import Secret

SECOND = 1_000_000_000
START = 1_772_000_000 * SECOND

ROUTER, LIGHT, TWIN = "02:00:5e:10:00:01", "02:00:5e:10:00:20", "02:00:5e:10:00:40"
PHONE, LAPTOP, HUB = "02:00:5e:10:00:30", "02:00:5e:10:00:50", "02:00:5e:10:00:60"
IP = {
    ROUTER: "192.168.77.1",
    LIGHT: "192.168.77.20",
    TWIN: "192.168.77.40",
    PHONE: "192.168.77.30",
    LAPTOP: "192.168.77.50",
    HUB: "192.168.77.60",
}
CLOUD = "198.51.100.10"
MDNS_LINK, MDNS = "01:00:5e:00:00:fb", "224.0.0.251"


def end(link, address=None, port=0):
    return Endpoint(parse_link(link), parse_address(address or IP[link]), port)


class Scene:
    """A recording under construction; the clock is in seconds from its start."""

    def __init__(
        self,
        *,
        home=None,
        chosen=(),
        seconds=600,
        snap_length=0,
        clipped=0,
        issues=(),
        comments=(),
        capture_filter=None,
    ):
        self.flows = []
        self.builder = InventoryBuilder(home=home, chosen=chosen, run_key=b"one run")
        self.number = 0
        interface = InterfaceFacts(link_type=1, snap_length=snap_length, capture_filter=capture_filter)
        self.capture = CaptureFacts(
            name="scene.pcapng", sha256="0" * 64, octets=1, format="pcapng", packets=10_000, first_ns=START,
            last_ns=START + seconds * SECOND, interfaces=(interface,), issues=tuple(issues),
            comments=tuple(comments), clipped_packets=clipped,
        )  # fmt: skip

    def packet(self):
        self.number += 1
        return PacketReference(0, self.number)

    def flow(
        self, initiator, responder, *, at=1.0, lasts=1.0, protocol=6, known="proven", outcome="established", sent=5,
        received=5, data=(200, 200), ethertype=0x0800, connections=1, period=None, hop_limit=64, duplicates=0,
    ):  # fmt: skip
        key = FlowKey(initiator, responder, ethertype, protocol, 0)
        self.flows.append(
            Flow(
                key=key, initiator_known=InitiatorKnown(known), outcome=FlowOutcome(outcome),
                start_ns=int(START + at * SECOND), end_ns=int(START + (at + lasts) * SECOND), packets_sent=sent,
                packets_received=received, octets_sent=sent * 100, octets_received=received * 100,
                payload_sent=data[0], payload_received=data[1] if received else 0, tcp_flags_sent=2,
                tcp_flags_received=18, first_packet=self.packet(), hop_limit=hop_limit, duplicates=duplicates,
                connections=connections, folded=connections > 1, period=period, refused_by=None,
            )
        )  # fmt: skip
        return key

    def group_flow(self, source, link, address, port, *, at=1.0, protocol=17):
        return self.flow(
            source, end(link, address, port), at=at, protocol=protocol, received=0, outcome="unanswered"
        )

    def say(self, key, protocol, message, *, at=1.0, back=False):
        self.builder.observe(
            Envelope(protocol, key, not back, self.packet(), int(START + at * SECOND), message, 1)
        )

    def arp(self, link, target, *, at=0.5, address=None, operation=1):
        asked = Endpoint(BROADCAST_LINK, parse_address(target), 0)
        source = end(link, address or IP[link], operation)
        self.flow(source, asked, at=at, protocol=0, ethertype=0x0806, received=0, outcome="unanswered")

    def lease(
        self, link, address=None, *, at=2.0, name="shelf-light", resolver=None, via=None, identifier=None
    ):
        """DISCOVER and ACK (RFC 2131 section 3.1)."""
        own = via or link
        client = Endpoint(parse_link(own), UNSPECIFIED, 68)
        key = self.flow(
            client, Endpoint(BROADCAST_LINK, parse_address("255.255.255.255"), 67), at=at, protocol=17, received=0,
            outcome="unanswered",
        )  # fmt: skip
        self.say(key, "dhcp", dhcp(1, link, name=name, identifier=identifier), at=at)
        reply = self.flow(
            end(ROUTER, port=67), end(own, address or IP[link], 68), at=at, protocol=17, received=0
        )
        self.say(reply, "dhcp", dhcp(5, link, address or IP[link], resolver=resolver or IP[ROUTER]), at=at)

    def lookup(self, link, name, answers=(), *, at=3.0, resolver=None, code=0, resolver_link=ROUTER):
        server = end(resolver_link, resolver or IP[ROUTER], 53)
        key = self.flow(end(link, port=40_000 + self.number % 20_000), server, at=at, protocol=17)
        self.say(key, "dns", dns(name), at=at)
        records = tuple(address_record(name, address) for address in answers)
        self.say(key, "dns", dns(name, records, response=True, code=code), at=at + 0.01, back=True)

    def announce(
        self, link, host, service="http", port=80, *, at=4.0, address=None, text=(), ttl=120, by=None
    ):
        source = end(by or link, IP[by] if by else None, 5353)
        key = self.group_flow(source, MDNS_LINK, MDNS, 5353, at=at)
        instance, domain = f"{host.split('.')[0]}._{service}._tcp.local", f"_{service}._tcp.local"
        records = (
            record(domain, 12, target=instance, ttl=ttl),
            record(instance, 33, target=host, port=port, ttl=ttl),
            record(instance, 16, text=tuple(text), ttl=ttl),
            address_record(host, address or IP[link], ttl=ttl),
        )
        self.say(key, "mdns", dns("", records, response=True), at=at)

    def http(
        self,
        client,
        server,
        method="GET",
        path="/state",
        *,
        at=5.0,
        port=80,
        status=200,
        request=None,
        answer=None,
    ):
        key = self.flow(client, server, at=at)
        self.say(key, "http", http_request(method, path, **(request or {})), at=at)
        if status:
            self.say(key, "http", http_response(status, **(answer or {})), at=at + 0.01, back=True)
        return key

    def tls(self, client, server, name="cloud.example", *, at=6.0, lasts=1.0, ech=False, version=0x0304):
        key = self.flow(client, server, at=at, lasts=lasts)
        hello = ClientHello(
            length=300, server_name=name, application_protocols=(), versions=(version,), cipher_suites=(0x1301,),
            has_encrypted_client_hello=ech,
        )  # fmt: skip
        self.say(key, "tls", hello, at=at)
        chosen = ServerHello(
            length=90, version=version, cipher_suite=0x1301, application_protocol=None, is_retry_request=False
        )
        self.say(key, "tls", chosen, at=at, back=True)
        return key

    def others(self):
        """Traffic between third parties, as a place on the path shows it."""
        self.flow(end(LAPTOP, port=50_001), end(ROUTER, CLOUD, 443), at=1)
        self.flow(end(LAPTOP, port=50_002), end(HUB, port=445), at=1)
        self.flow(end(HUB, port=50_003), end(ROUTER, CLOUD, 443), at=1)

    def build(self, **extra):
        return self.builder.build(self.flows, (self.capture,), **extra)


def dhcp(kind, link, address=None, *, name=None, resolver=None, identifier=None):
    return DhcpMessage(
        length=300, message_type=kind, is_reply=kind in {2, 5, 6}, transaction=1, client_link=parse_link(link),
        client_address=None, your_address=parse_address(address) if address else None, relay_address=None,
        requested_address=None, server_address=parse_address(IP[ROUTER]) if address else None, host_name=name,
        vendor_class=None, client_identifier=identifier, parameter_list=(),
        routers=(parse_address(IP[ROUTER]),) if address else (),
        resolvers=(parse_address(resolver),) if resolver else (), time_servers=(), subnet_mask_length=24,
        lease_seconds=3600, mud_url=None,
    )  # fmt: skip


def record(name, kind, *, target=None, port=None, text=(), address=None, ttl=120):
    return ResourceRecord(
        name=name, record_type=kind, record_class=1, cache_flush=True, time_to_live=ttl, address=address,
        target=target, port=port, text=text,
    )  # fmt: skip


def address_record(name, text, ttl=120):
    return record(name, 28 if ":" in text else 1, address=parse_address(text), ttl=ttl)


def dns(name, answers=(), *, response=False, code=0, authorities=(), kind=1):
    question = Question(name=name, record_type=kind, record_class=1, unicast_response=False)
    return DnsMessage(
        length=60, identifier=1, is_response=response, opcode=0, response_code=code, authoritative=False,
        truncated=False, recursion_desired=True, questions=(question,) if name else (), answers=tuple(answers),
        authorities=tuple(authorities), additionals=(), unread_records=0,
    )  # fmt: skip


def http_request(
    method="GET",
    path="/state",
    *,
    body=(),
    query=(),
    secrets=(),
    scheme=None,
    cookie=False,
    host=None,
    **more,
):
    base = HttpRequest(
        length=120, method=method, path=path, query_keys=tuple(query), version="1.1", host=host, user_agent=None,
        origin=None, content_type="application/json" if body else None, content_length=20 if body else None,
        body_keys=tuple(body), body_captured=True, scheme=scheme, has_cookie=cookie, secrets=tuple(secrets), upgrade=None,
    )  # fmt: skip
    return replace(base, **more)


def http_response(status=200, *, body=(), origin=None, length=20, media="application/json"):
    return HttpResponse(
        length=120, status=status, version="1.1", server=None, content_type=media, content_length=length,
        body_keys=tuple(body), body_captured=True, challenge=None, allow_origin=origin, sets_cookie=False, location=None,
        secrets=(), title=None,
    )  # fmt: skip


def connect(user=b"light", password=b"hunter"):
    return Connect(
        length=40, protocol_level=4, keep_alive=60, client_identifier="c", has_will=False,
        user_name=Secret(user) if user else None, password=Secret(password) if password else None,
    )  # fmt: skip


def connack(code=0):
    return ConnectAcknowledgement(length=4, code=code, session_present=False)


def ntp():
    return NtpMessage(
        length=48,
        version=4,
        mode=3,
        leap=0,
        stratum=0,
        poll_exponent=6,
        looks_simple=True,
        is_authenticated=False,
    )


def e131(universe=1, sender=b"s" * 16, priority=100):
    return E131Data(
        length=638, sender_identifier=sender, source_name="show", priority=priority, universe=universe, sequence=1,
        is_preview=False, is_terminated=False, slots=512, start_code=0,
    )  # fmt: skip


def facts_of(inventory, word, device_id=None):
    return [fact for fact in inventory.facts[word] if device_id is None or fact.device_id == device_id]


def by_link(inventory, link):
    wanted = parse_link(link)
    return next(device for device in inventory.devices if wanted in device.link_addresses)


def light_home(*actions, keep=(), more=()):
    devices = (HomeDevice(link_address=parse_link(LIGHT), role="lighting", nickname="shelf light"), *more)
    noted = tuple(Action(at_ns=int(START + at * SECOND), what=what) for at, what in actions)
    return Home(devices=devices, actions=noted, keep=tuple(keep))


__all__ = [
    "CLOUD", "CaptureComment", "CaptureIssue", "EncryptedData", "HomeDevice", "Keep", "LinkAddress", "TextKey",
]  # fmt: skip
