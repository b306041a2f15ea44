"""Several recordings as one: the order of time, checked against sorting all records."""

import io
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from auditor.capture import merge
from auditor.capture.merge import open_captures
from auditor.errors import CaptureFormatError, CaptureReadError
from tests.unit.capture.octets_of_captures import enhanced, interface, pcap, section


def rows_of(captures):
    rows = []
    for chunk in captures:
        for row in range(len(chunk)):
            start = int(chunk.offsets[row])
            frame = bytes(chunk.buffer[start : start + int(chunk.captured_length[row])])
            rows.append(
                (
                    int(chunk.timestamp_ns[row]),
                    int(chunk.capture_index[row]),
                    int(chunk.packet_number[row]),
                    frame,
                )
            )
    return rows


times = st.lists(st.integers(0, 40), max_size=25).map(sorted)


@settings(max_examples=30)
@given(files=st.lists(times, min_size=1, max_size=5), batch=st.integers(40, 200), as_pipes=st.booleans())
def test_overlapping_files_come_in_the_order_of_time(tmp_path_factory, files, batch, as_pipes):
    sources, expected = [], []
    folder = tmp_path_factory.mktemp("ring")
    for index, seconds in enumerate(files):
        records = [(second, 0, bytes([index, number])) for number, second in enumerate(seconds)]
        octets = pcap(records)
        path = folder / f"{index}.pcap"
        path.write_bytes(octets)
        sources.append(io.BytesIO(octets) if as_pipes else path)
        expected += [(s * 10**9, index, number + 1, frame) for number, (s, _, frame) in enumerate(records)]

    with open_captures(sources, batch_octets=batch) as captures:
        rows = rows_of(captures)
        facts = captures.facts

    assert sorted(rows) == sorted(expected)
    assert all(before[0] <= after[0] for before, after in pairwise(rows))
    for index, seconds in enumerate(files):
        assert [row[2] for row in rows if row[1] == index] == list(range(1, len(seconds) + 1))
        assert facts[index].packets == len(seconds)
    assert captures.issues == ()


def test_files_that_follow_one_another_pass_through_untouched(tmp_path):
    (tmp_path / "b.pcap").write_bytes(pcap([(10, 0, b"later")]))
    (tmp_path / "a.pcapng").write_bytes(section() + interface() + enhanced(1_000_000, b"early"))
    (tmp_path / "notes.txt").write_text("lamp in the hall")
    (tmp_path / "empty.pcap").write_bytes(b"")
    (tmp_path / "sub").mkdir()

    with open_captures([tmp_path]) as captures:
        rows = rows_of(captures)
        names = [facts.name for facts in captures.facts]

    assert [row[3] for row in rows] == [b"early", b"later"]
    assert names == ["a.pcapng", "b.pcap"]
    assert [(issue.kind.value, issue.detail.split(":")[0]) for issue in captures.issues] == [
        ("unsupported", "empty.pcap"),
        ("unsupported", "notes.txt"),
    ]


def test_one_wrong_time_does_not_hold_the_others_up(tmp_path):
    """A single damaged time in the future goes with its neighbours."""
    first = [(n, 0, b"a") for n in range(50)]
    first[10] = (4_000_000_000, 0, b"a")
    (tmp_path / "a").write_bytes(pcap(first))
    (tmp_path / "b").write_bytes(pcap([(n, 0, b"b") for n in range(50)]))

    with open_captures([tmp_path / "a", tmp_path / "b"]) as captures:
        rows = rows_of(captures)

    assert len(rows) == 100
    assert all(abs(index - 2 * row[0] // 10**9) <= 2 for index, row in enumerate(rows) if row[0] < 10**11)


def test_more_overlapping_files_than_we_hold_are_told(tmp_path, monkeypatch):
    monkeypatch.setattr(merge, "MAX_OVERLAPPING", 2)
    for index in range(4):
        (tmp_path / f"{index}.pcap").write_bytes(pcap([(n, 0, b"a") for n in range(10)]))

    with open_captures([tmp_path]) as captures:
        rows = rows_of(captures)

    assert len(rows) == 40
    assert {issue.kind.value for issue in captures.issues} == {"clock"}


def test_folders_without_captures_and_wrong_files_are_refused(tmp_path):
    with pytest.raises(CaptureFormatError, match="without a capture"):
        open_captures([tmp_path])
    (tmp_path / "letter").write_text("hello")
    with pytest.raises(CaptureFormatError, match="letter: is not a capture"):
        open_captures([tmp_path / "letter"])
    with pytest.raises(CaptureReadError, match="cannot be opened"):
        open_captures([tmp_path / "nothing"])


def test_facts_alone_and_progress(tmp_path):
    path = tmp_path / "a.pcap"
    path.write_bytes(pcap([(1, 0, b"a")]))

    with open_captures([path, path]) as captures:
        assert [facts.packets for facts in captures.facts] == [1, 1]
        assert captures.octets_read == 2 * path.stat().st_size
