"""The table of dissectors holds every protocol, and every row can be used."""

import pkgutil

from auditor.dissect import protocols
from auditor.dissect.table import DISSECTORS, PROTOCOLS


def test_every_protocol_module_is_listed():
    assert sorted(PROTOCOLS) == sorted(module.name for module in pkgutil.iter_modules(protocols.__path__))


def test_every_row_has_what_its_transport_needs():
    for row in DISSECTORS:
        assert row.name == row.name.lower()
        assert (row.parse_stream is not None) == (row.transport == "tcp")
        assert (row.parse_datagram is not None) == (row.transport != "tcp")
        assert row.looks_like(b"") is False
        assert all(row.looks_like(begin + bytes(64)) in (True, False) for begin in row.beginnings)
        assert all(len(begin) >= 2 for begin in row.beginnings)
