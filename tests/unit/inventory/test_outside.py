"""
Openings of QUIC as facts: RFC 9001 (what is in them can be read, nothing behind them), RFC 6066 section 3 (the name).

Datagrams: both ends of aioquic in memory, read through dispatch.
"""

import pytest

from auditor.dissect.dispatch import Dispatcher
from auditor.inventory.content import ContentCollector, conversation_of
from tests.unit.dissect.packets import datagram, dispatch
from tests.unit.dissect.protocols.test_stun import REQUEST
from tests.unit.dissect.quic_peers import NAME, opening


def collect(*payloads):
    """What the collector holds of a conversation between two ends."""
    packets = [
        datagram("192.0.2.20", "198.51.100.7", 50_000, 443, octets)
        if by_client
        else datagram("198.51.100.7", "192.0.2.20", 443, 50_000, octets)
        for by_client, octets in payloads
    ]
    collector = ContentCollector()
    items = dispatch(packets, Dispatcher(strict=True))
    for item in items:
        collector.on_message(item)
        if item.protocol == "quic" and hasattr(item.message, "server_name"):
            collector.on_quic_initial(item, item.message)
    return collector.rows.at(conversation_of(items[0].flow))


@pytest.mark.parametrize("versions", [[1], [0x6B3343CF]])
def test_name_and_confidentiality(versions):
    content = collect(*opening(versions, versions))

    assert (content.application_protocol, content.confidentiality) == ("quic", "quic")
    said = content.said_name(50_000)
    assert (said.name, said.source, said.is_outer) == (NAME, "quic-sni", False)


def test_what_is_readable_is_clear():
    assert collect((True, REQUEST)).confidentiality == "clear"
