"""
Frames: IEEE 802.1AB-2016 section 8 (from memory), RFC 8520 section 12.
Oracle: scapy 2.8 (GPL-2.0-only), its layer of LLDP, builds them.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scapy.contrib.lldp import (
    LLDPDUChassisID,
    LLDPDUEndOfLLDPDU,
    LLDPDUGenericOrganisationSpecific,
    LLDPDUManagementAddress,
    LLDPDUPortDescription,
    LLDPDUPortID,
    LLDPDUSystemCapabilities,
    LLDPDUSystemDescription,
    LLDPDUSystemName,
    LLDPDUTimeToLive,
)
from scapy.layers.l2 import Dot1Q, Ether

from auditor.addresses import format_address, format_link
from auditor.dissect.dispatch import Dispatcher
from auditor.dissect.protocols.lldp import looks_like, parse_message
from auditor.errors import LimitError, MalformedError, TruncatedError
from auditor.wire import Cursor
from tests.dissector_checks import assert_message_or_decode_error, damaged
from tests.unit.packets.frames import decode

SWITCH = "02:00:00:00:53:03"
GROUP = "01:80:c2:00:00:0e"  # 802.1AB-2016 table 7-1
MUD_URL = "https://maker.example/lamp.json"


def announcement(*elements, chassis=None, port=None, seconds=120):
    chassis = chassis or LLDPDUChassisID(subtype=4, id=SWITCH)
    # The layer wants to stand behind link addresses and pads the frame; only the elements are used.
    packet = Ether(src=SWITCH, dst=GROUP) / chassis / (port or LLDPDUPortID(subtype=5, id="port 3"))
    for element in (LLDPDUTimeToLive(ttl=seconds), *elements, LLDPDUEndOfLLDPDU()):
        packet = packet / element
    octets = bytes(packet)[14:]
    end = 0
    while octets[end : end + 2] != b"\0\0":
        end += 2 + (int.from_bytes(octets[end : end + 2], "big") & 0x1FF)
    return octets[: end + 2]


FULL = announcement(
    LLDPDUPortDescription(description="to the shelf"),
    LLDPDUSystemName(system_name="switch.example"),
    LLDPDUSystemDescription(description="release 4.2"),
    LLDPDUSystemCapabilities(mac_bridge_available=1, mac_bridge_enabled=1, router_available=1),
    LLDPDUManagementAddress(management_address_subtype=1, management_address=b"\xc0\x00\x02\x05"),
    LLDPDUGenericOrganisationSpecific(org_code=0x00005E, subtype=1, data=MUD_URL.encode()),
)


def parsed(octets):
    return parse_message(Cursor(octets))


def test_everything_that_another_library_wrote():
    found = parsed(FULL)

    assert (found.chassis, found.port, found.time_to_live_seconds) == (SWITCH, "port 3", 120)
    assert format_link(found.chassis_link) == SWITCH
    assert (found.port_description, found.system_name) == ("to the shelf", "switch.example")
    assert (found.system_description, found.capabilities) == ("release 4.2", ("bridge",))
    assert [format_address(address) for address in found.management_addresses] == ["192.0.2.5"]
    assert (found.mud_url, found.unread_elements) == (MUD_URL, 0)
    assert looks_like(FULL[:64])


def test_chassis_named_by_address_and_farewell():
    chassis = LLDPDUChassisID(subtype=5, family=1, id="192.0.2.9")

    found = parsed(announcement(chassis=chassis, seconds=0))

    assert (found.chassis, found.chassis_link, found.time_to_live_seconds) == ("192.0.2.9", None, 0)


def test_padding_and_a_missing_end_are_borne():
    assert parsed(FULL + bytes(20)).length == len(FULL) + 20
    assert parsed(FULL[:-2]).system_name == "switch.example"


def test_second_element_of_a_kind_is_counted():
    found = parsed(announcement(LLDPDUSystemName(system_name="a"), LLDPDUSystemName(system_name="b")))

    assert (found.system_name, found.unread_elements) == ("a", 1)


@pytest.mark.parametrize(
    ("octets", "error", "field"),
    [
        pytest.param(b"", TruncatedError, "element_header", id="empty"),
        pytest.param(FULL[:5], TruncatedError, "element_1", id="cut-in-the-chassis"),
        pytest.param(b"\x04\x02\x05a" + FULL, MalformedError, "chassis", id="port-first"),
        pytest.param(b"\x02\x01\x04" + FULL, MalformedError, "chassis", id="chassis-of-one-octet"),
        pytest.param(FULL[:-2] + b"\xff\xff", TruncatedError, "element_127", id="511-octets"),
        pytest.param(FULL[:-2] + b"\xfe\x04\0\0\0\0" * 150, LimitError, "elements", id="150-elements"),
    ],
)
def test_error_names_the_field(octets, error, field):
    with pytest.raises(error) as info:
        parsed(octets)

    assert info.value.field == field


@given(st.text("abc-. 0", min_size=1, max_size=40), st.integers(0, 65_535), st.integers(0, 2**10 - 1))
@settings(deadline=None, max_examples=50)
def test_fields_come_back(name, seconds, bits):
    capabilities = b"\x0e\x04" + (0xFFFF).to_bytes(2, "big") + bits.to_bytes(2, "big")
    octets = announcement(LLDPDUSystemName(system_name=name), seconds=seconds)[:-2] + capabilities + b"\0\0"

    found = parsed(octets)

    assert (found.system_name, found.time_to_live_seconds) == (name, seconds)
    assert len(found.capabilities) == bits.bit_count()
    assert found.unread_elements == 0


@given(damaged(FULL, announcement()))
@settings(deadline=None)
def test_any_octets_give_a_message_or_a_decode_error(octets):
    assert_message_or_decode_error(parse_message, octets)


def test_dispatch_finds_it_behind_a_tag():
    octets = bytes(Ether(src=SWITCH, dst=GROUP) / Dot1Q(vlan=7, type=0x88CC) / FULL)

    (envelope,) = Dispatcher(strict=True).feed(decode([octets]), np.zeros(1, np.bool_))

    assert (envelope.protocol, envelope.message.chassis, envelope.flow.vlan_id) == ("lldp", SWITCH, 7)
