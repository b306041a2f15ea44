"""
Vectors: ANSI E1.31-2018 appendix B, through the tests of the MIT-licensed library sacn.

Oracle: sacn, which builds data, synchronization and discovery packets.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sacn.messages.data_packet import DataPacket
from sacn.messages.sync_packet import SyncPacket
from sacn.messages.universe_discovery import UniverseDiscoveryPacket

from auditor.dissect.protocols.e131 import (
    DISSECTOR,
    E131Data,
    E131Discovery,
    E131Synchronization,
    looks_like,
    parse_message,
)
from auditor.errors import MalformedError, TruncatedError
from auditor.wire import Cursor
from tests.dissector_checks import (
    assert_every_truncation_is_reported,
    assert_message_or_decode_error,
    damaged,
    vector,
)

PRINTED = vector("e131/e131-data-appendixB")
RIGHT = vector("e131/e131-data-lengths-right")
SYNCHRONIZATION = vector("e131/e131-sync-appendixB-corrected")
SENDER = bytes.fromhex("ef07c8dd00644401a3a2459ef8e6143e")
DISCOVERY = bytes(UniverseDiscoveryPacket(tuple(SENDER), "Source_A", (1, 2, 63999), 0, 1).getBytes())


def changed(octets, offset, value):
    return octets[:offset] + value + octets[offset + len(value) :]


@pytest.mark.parametrize("octets", [PRINTED, RIGHT], ids=["lengths-as-printed", "lengths-right"])
def test_data_of_appendix_b(octets):
    """The lengths that appendix B prints are wrong; what they would hide is read all the same."""
    found = parse_message(Cursor(octets))

    assert found == E131Data(
        length=638,
        sender_identifier=SENDER,
        source_name="Source_A",
        priority=100,
        universe=1,
        sequence=154,
        is_preview=False,
        is_terminated=False,
        slots=512,
        start_code=0,
        synchronization_universe=7962,
    )


@pytest.mark.parametrize(
    ("name", "is_preview", "is_terminated"),
    [("e131-preview", True, False), ("e131-stream-terminated", False, True)],
)
def test_options(name, is_preview, is_terminated):
    """6.2.6."""
    found = parse_message(Cursor(vector(f"e131/{name}")))

    assert (found.is_preview, found.is_terminated) == (is_preview, is_terminated)


def test_synchronization_of_appendix_b():
    assert parse_message(Cursor(SYNCHRONIZATION)) == E131Synchronization(
        length=49, sender_identifier=SENDER, universe=7962, sequence=67
    )


def test_discovery():
    assert parse_message(Cursor(DISCOVERY)) == E131Discovery(
        length=len(DISCOVERY),
        sender_identifier=SENDER,
        source_name="Source_A",
        universes=(1, 2, 63999),
        page=0,
        last_page=1,
    )


@pytest.mark.parametrize(
    "octets", [PRINTED, RIGHT, SYNCHRONIZATION], ids=["printed", "right", "synchronization"]
)
def test_every_truncation_is_reported(octets):
    assert_every_truncation_is_reported(parse_message, octets)


def test_truncation_of_a_discovery_is_reported_up_to_its_list():
    assert_every_truncation_is_reported(parse_message, DISCOVERY, shortest_whole=120)
    with pytest.raises(TruncatedError):
        parse_message(Cursor(DISCOVERY[:-1]))


@pytest.mark.parametrize(
    ("octets", "error", "field", "offset"),
    [
        pytest.param(changed(RIGHT, 0, b"\x00\x11"), MalformedError, "preamble_size", 0, id="preamble"),
        pytest.param(
            changed(RIGHT, 4, b"ASC-E1.33"), MalformedError, "packet_identifier", 4, id="another-protocol"
        ),
        pytest.param(
            changed(RIGHT, 18, b"\x00\x00\x00\x05"), MalformedError, "framing_vector", 40, id="root-vector"
        ),
        pytest.param(
            changed(RIGHT, 40, b"\xff" * 4), MalformedError, "framing_vector", 40, id="framing-vector"
        ),
        pytest.param(changed(RIGHT, 113, b"\x00\x00"), MalformedError, "universe", 113, id="universe-0"),
        pytest.param(changed(RIGHT, 113, b"\xfa\x00"), MalformedError, "universe", 113, id="universe-64000"),
        pytest.param(changed(RIGHT, 118, b"\xa2"), MalformedError, "dmp_vector", 117, id="another-type"),
        pytest.param(
            changed(RIGHT, 123, b"\x00\x00"), MalformedError, "property_value_count", 123, id="no-start-code"
        ),
        pytest.param(
            changed(RIGHT, 123, b"\xff\xff"), MalformedError, "property_value_count", 123, id="count-of-65535"
        ),
        pytest.param(RIGHT[:200], TruncatedError, "property_values", 125, id="fewer-values-than-counted"),
        pytest.param(RIGHT[:120], TruncatedError, "first_property_address", 120, id="half-a-header"),
    ],
)
def test_error_names_field_and_offset(octets, error, field, offset):
    with pytest.raises(error) as info:
        parse_message(Cursor(octets))

    assert (info.value.field, info.value.offset) == (field, offset)


def test_name_that_a_terminal_would_obey_is_escaped():
    assert parse_message(Cursor(changed(RIGHT, 44, b"\x1b[31mred\0\0"))).source_name == "\\027[31mred"


def test_priority_outside_the_standard_is_told_as_sent():
    assert parse_message(Cursor(changed(RIGHT, 108, b"\xff"))).priority == 255


@given(
    sender=st.binary(min_size=16, max_size=16),
    name=st.text("abc xyz", max_size=20),
    universe=st.integers(1, 63999),
    levels=st.binary(min_size=1, max_size=512),
    priority=st.integers(0, 200),
    sequence=st.integers(0, 255),
    preview=st.booleans(),
    terminated=st.booleans(),
    forced=st.booleans(),
    synchronization=st.integers(0, 63999),
)
def test_reads_data_another_library_wrote(
    sender, name, universe, levels, priority, sequence, preview, terminated, forced, synchronization
):
    packet = DataPacket(
        tuple(sender),
        name,
        universe,
        tuple(levels),
        priority,
        sequence,
        terminated,
        preview,
        forced,
        synchronization,
    )

    found = parse_message(Cursor(bytes(packet.getBytes())))

    assert (found.sender_identifier, found.source_name, found.universe) == (sender, name, universe)
    assert (found.priority, found.sequence) == (priority, sequence)
    assert (found.is_preview, found.is_terminated) == (preview, terminated)
    assert (found.synchronization_universe, found.is_synchronization_forced) == (synchronization, forced)
    assert found.slots == 512  # the library fills up


@given(st.binary(min_size=16, max_size=16), st.integers(1, 63999), st.integers(0, 255))
def test_reads_synchronization_another_library_wrote(sender, universe, sequence):
    found = parse_message(Cursor(bytes(SyncPacket(tuple(sender), universe, sequence).getBytes())))

    assert (found.sender_identifier, found.universe, found.sequence) == (sender, universe, sequence)


@given(st.lists(st.integers(1, 63999), max_size=512))
def test_reads_discovery_another_library_wrote(universes):
    packet = UniverseDiscoveryPacket(tuple(SENDER), "a", tuple(universes), 3, 4)

    found = parse_message(Cursor(bytes(packet.getBytes())))

    assert found.universes == tuple(sorted(universes))
    assert (found.page, found.last_page) == (3, 4)


@given(damaged(RIGHT, SYNCHRONIZATION, DISCOVERY))
def test_any_octets_give_a_message_or_a_decode_error(octets):
    assert_message_or_decode_error(parse_message, octets)


def test_beginning():
    assert looks_like(RIGHT[:64])
    assert not looks_like(RIGHT[:15])
    assert DISSECTOR.ports == {5568}
