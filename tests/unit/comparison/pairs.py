"""Two recordings made by hand: devices, flows and rows for the tests of the comparison."""

from __future__ import annotations

from dataclasses import replace

from auditor.addresses import parse_address, parse_link
from auditor.comparison.model import Conversation, ConversationKey, Tries
from auditor.flows.flow import Endpoint, Flow, FlowKey, FlowOutcome, InitiatorKnown, PacketReference
from auditor.home.model import Keep
from auditor.packets.batch import ETHERTYPE_IPV4, ETHERTYPE_IPV6
from tests.unit.ruleset import fabricated

SECOND = 1_000_000_000
LINKS = {
    "light": "02:00:5e:10:00:21",
    "hub": "02:00:5e:10:00:30",
    "phone": "02:00:5e:10:00:51",
    "router": "02:00:5e:10:00:01",
    "files": "02:00:5e:10:00:40",
}
ADDRESSES = {
    "light": ("192.168.77.21", "fd00:77::21"),
    "hub": ("192.168.77.30", "fd00:77::30"),
    "phone": ("192.168.77.51", "fd00:77::51"),
    "router": ("192.168.77.1", "fd00:77::1"),
    "files": ("192.168.77.40", "fd00:77::40"),
    "cloud": ("198.51.100.80", "2001:db8:100::80"),  # RFC 5737, RFC 3849
}
ROLES = {
    "light": ("lighting",),
    "hub": ("hub",),
    "phone": ("phone",),
    "router": ("router",),
    "files": ("server",),
}
PROTOCOLS = {"tcp": 6, "udp": 17}


def device(name, **changes):
    made = fabricated.device(name, roles=ROLES[name], chosen=name == "light", link=LINKS[name])
    return replace(made, **{"addresses": tuple(map(parse_address, ADDRESSES[name])), **changes})


def household(*devices, start=0, seconds=600, digest="aa"):
    """The usual five, or those given."""
    made = fabricated.inventory(devices=devices or tuple(device(name) for name in LINKS))
    start_ns = fabricated.END_NS + start * SECOND
    coverage = replace(made.coverage, start_ns=start_ns, end_ns=start_ns + seconds * SECOND)
    return replace(made, coverage=coverage)


def flow(
    who,
    whom,
    *,
    port=80,
    transport="tcp",
    family="ipv4",
    outcome=FlowOutcome.ESTABLISHED,
    number=1,
    through_router=False,
    **changes,
):
    """One flow between two of the household; from outside or through the router it bears the router's link address."""
    place = ("ipv4", "ipv6").index(family)

    def end(name, port_there, *, is_far):
        link = "router" if name not in LINKS or (is_far and through_router) else name
        return Endpoint(parse_link(LINKS[link]), parse_address(ADDRESSES[name][place]), port_there)

    key = FlowKey(
        end(who, 50_000, is_far=False),
        end(whom, port, is_far=True),
        ETHERTYPE_IPV4 if family == "ipv4" else ETHERTYPE_IPV6,
        PROTOCOLS[transport],
        0,
    )
    given = {
        "key": key,
        "initiator_known": InitiatorKnown.PROVEN,
        "outcome": outcome,
        "start_ns": fabricated.END_NS + number,
        "end_ns": fabricated.END_NS + number + 1,
        "packets_sent": 1,
        "packets_received": 1,
        "octets_sent": 60,
        "octets_received": 60,
        "payload_sent": 0,
        "payload_received": 0,
        "tcp_flags_sent": 0,
        "tcp_flags_received": 0,
        "first_packet": PacketReference(0, number),
        "hop_limit": 64,
        "duplicates": 0,
        "connections": 1,
        "folded": False,
        "period": None,
        "refused_by": None,
    }
    return Flow(**{**given, **changes})


def row(
    who,
    whom,
    state,
    *,
    port=80,
    transport="tcp",
    family="ipv4",
    place="home",
    after=None,
    before=True,
    wished=True,
):
    """One row of a comparison, of the light."""
    key = ConversationKey(who, whom, family, transport, port)
    tried = state in {"stopped", "works", "new"}
    return Conversation(
        key=key,
        device_id="light",
        peer=whom if who == "light" else who,
        place=place,
        before=Tries(flows=1, answered=1) if before and state != "new" else None,
        after=after or (Tries(flows=3, answered=0 if state == "stopped" else 3) if tried else None),
        state=state,
        proven=state == "stopped",
        wished=wished,
        because="it is so",
    )


def keep(wish):
    return Keep(wish=wish, from_device=None, to_device=None)
