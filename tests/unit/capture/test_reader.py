"""The one door to a capture file: what is refused, and how it is said."""

import io
import os

import pytest

from auditor.capture.reader import open_capture
from auditor.errors import CaptureError, CaptureFormatError, CaptureReadError
from tests.unit.capture.octets_of_captures import END, interface, option, pcap, read_all, section


@pytest.mark.parametrize(
    ("octets", "problem"),
    [
        pytest.param(b"", "is empty", id="empty"),
        pytest.param(b"\n", "found octets 0a", id="one-octet"),
        pytest.param(b"PK\x03\x04 an archive", "found octets 50 4b 03 04", id="archive"),
        pytest.param(b"\x0a\x0d\x0d\x0a\x1c\0\0\0....", "byte-order magic", id="no-byte-order"),
        pytest.param(b"\x1f\x8b", "compressed data end", id="gzip-without-content"),
    ],
)
def test_what_is_no_capture_is_refused_in_one_line(octets, problem):
    with pytest.raises(CaptureFormatError, match=problem) as info:
        read_all(octets, name="a.pcap")

    assert str(info.value).startswith("a.pcap: ")
    assert "\n" not in str(info.value)


def test_a_folder_and_a_missing_file_are_refused(tmp_path):
    with pytest.raises(CaptureReadError, match="is a folder"):
        open_capture(tmp_path)
    with pytest.raises(CaptureReadError, match="cannot be opened"):
        open_capture(tmp_path / "not-there.pcap")
    with pytest.raises(CaptureReadError, match="cannot be opened"):
        open_capture("zero\0octet")


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may read every file")
def test_an_unreadable_file_is_refused(tmp_path):
    path = tmp_path / "a.pcap"
    path.write_bytes(pcap([]))
    path.chmod(0)

    with pytest.raises(CaptureReadError, match="cannot be opened"):
        open_capture(path)


def test_a_read_error_is_named_with_its_place():
    class Failing(io.RawIOBase):
        calls = 0

        def readinto(self, buffer):
            self.calls += 1
            if self.calls > 1:
                raise OSError(5, "Input/output error")
            buffer[:4] = pcap([])[:4]
            return 4

    with pytest.raises(CaptureReadError, match="past octet 4: Input/output error"):
        open_capture(Failing(), name="disk.pcap")


def test_facts_can_be_asked_for_without_iterating(tmp_path):
    path = tmp_path / "evening.pcap"
    path.write_bytes(pcap([(7, 0, b"abc"), (9, 0, b"abc")]))

    with open_capture(path) as reader:
        facts = reader.facts

    assert (facts.name, facts.packets, facts.first_ns, facts.last_ns) == (
        "evening.pcap",
        2,
        7_000_000_000,
        9_000_000_000,
    )
    assert reader.octets_read == path.stat().st_size


def test_facts_of_a_reader_closed_early_are_refused():
    with open_capture(io.BytesIO(pcap([(1, 0, b"a" * 60)] * 50)), batch_octets=100) as reader:
        next(iter(reader))
    with pytest.raises(CaptureError, match="before it had been read to its end"):
        _ = reader.facts


def test_a_file_object_is_not_closed():
    file = io.BytesIO(pcap([]))
    with open_capture(file) as reader:
        assert reader.facts.packets == 0
    assert not file.closed


def test_hostile_counts_of_options_and_comments_are_bounded():
    options = option(1, b"x") * 20_000 + END
    _rows, facts = read_all(section(options=options) + interface())

    assert len(facts.comments) <= 256
