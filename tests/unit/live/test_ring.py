"""
Blocks: draft-ietf-opsawg-pcapng sections 3.1 (lengths), 4.1 (section), 4.2 (interface), 4.3 (packet), 4.5 (statistics), read
here by their layouts in the draft and, for the packets, by dpkt (BSD) and scapy (GPL-2.0-only).
"""

import struct

import dpkt
import pytest
from scapy.utils import RawPcapNgReader

from auditor.addresses import parse_link
from auditor.capture.reader import open_capture
from auditor.capture.record import InterfaceFacts
from auditor.capture.writer import pack_comments, pack_packet
from auditor.live.ring import RingFile, files_of, recover_parts

START = 1_700_000_000_123_456_789
LINK = parse_link("00:00:5e:00:53:21")
FACTS = InterfaceFacts(
    link_type=1, snap_length=300, name="eth0", capture_filter="ether host 00:00:5e:00:53:21 or ether multicast",
    operating_system="Linux 6", link_address=LINK,
)  # fmt: skip


def packet(number, *comments):
    return pack_packet(
        START + number, bytes([number % 256]) * (60 + number % 7), 1000, pack_comments(comments)
    )


def ring_file(folder, stem="a", count=5):
    file = RingFile(folder, stem, START, FACTS, comment="made for a test")
    for number in range(count):
        file.write(packet(number, *(["action: app"] if number == 2 else [])), 1)
    return file


def blocks(octets):
    """Kind, body and options of every block, by section 3.1 and 3.5 of the draft."""
    at = 0
    while at < len(octets):
        kind, length = struct.unpack_from("<II", octets, at)
        assert length % 4 == 0
        assert struct.unpack_from("<I", octets, at + length - 4) == (length,)
        yield kind, octets[at + 8 : at + length - 4]
        at += length
    assert at == len(octets)


def options(body, start):
    found = []
    while start < len(body):
        code, length = struct.unpack_from("<HH", body, start)
        if code == 0:
            assert length == 0
            break
        found.append((code, body[start + 4 : start + 4 + length]))
        start += 4 + length + -length % 4
    return found


def test_every_block_is_that_of_the_draft(tmp_path):
    path = ring_file(tmp_path).complete(START + 9, 3, ["action: late at the end"])
    kinds = list(blocks(path.read_bytes()))

    assert [kind for kind, _ in kinds] == [0x0A0D0D0A, 1, 6, 6, 6, 6, 6, 5]
    magic, major, minor, length = struct.unpack_from("<IHHq", kinds[0][1])
    assert (magic, major, minor, length) == (0x1A2B3C4D, 1, 0, -1)
    assert options(kinds[0][1], 16) == [
        (1, b"made for a test"), (3, b"Linux 6"), (4, b"lighting network auditor"),
    ]  # fmt: skip
    assert struct.unpack_from("<HHI", kinds[1][1]) == (1, 0, 300)
    assert options(kinds[1][1], 8) == [
        (2, b"eth0"), (6, LINK), (9, b"\x09"), (11, b"\x00ether host 00:00:5e:00:53:21 or ether multicast"), (12, b"Linux 6"),
    ]  # fmt: skip
    number, high, low, captured, original = struct.unpack_from("<5I", kinds[4][1])
    assert (number, (high << 32) + low, captured, original) == (0, START + 2, 62, 1000)
    assert options(kinds[4][1], 20 + 64) == [(1, b"action: app")]
    number, high, low = struct.unpack_from("<3I", kinds[7][1])
    assert (number, (high << 32) + low) == (0, START + 9)
    said = options(kinds[7][1], 12)
    assert said[0] == (1, b"action: late at the end")
    times = {code: value for code, value in said if code in (2, 3)}
    assert {code: (high << 32) + low for code, value in times.items() for high, low in [struct.unpack("<II", value)]} == {
        2: START, 3: START + 9,
    }  # fmt: skip
    counts = {code: int.from_bytes(value, "little") for code, value in said if code > 3}
    assert counts == {4: 8, 7: 3, 8: 5}  # received, dropped by the system, delivered


def test_others_and_we_read_it(tmp_path):
    path = ring_file(tmp_path).complete(START + 9, 3)
    with path.open("rb") as file:
        theirs = [frame for _, frame in dpkt.pcapng.Reader(file)]
    with RawPcapNgReader(str(path)) as reader:
        others = [(frame, (meta.tshigh << 32) + meta.tslow) for frame, meta in reader]
    with open_capture(path) as reader:
        packets = sum(len(chunk) for chunk in reader)
        facts = reader.facts

    assert theirs == [frame for frame, _ in others]
    assert [moment for _, moment in others] == [START + number for number in range(5)]
    assert (packets, facts.interfaces[0].dropped, facts.interfaces[0].received) == (5, 3, 8)
    assert facts.interfaces[0].link_address == LINK
    assert ("action: app", 3) in [(one.text, one.packet_number) for one in facts.comments]


def test_nobody_else_may_read_a_recording(tmp_path):
    path = ring_file(tmp_path).complete(START, 0)

    assert path.stat().st_mode & 0o777 == 0o600


def test_names_keep_the_order_when_the_oldest_are_gone(tmp_path):
    first = [ring_file(tmp_path).complete(START, 0) for _ in range(3)]
    first[0].unlink()
    first[1].unlink()
    later = ring_file(tmp_path).complete(START, 0)

    assert files_of(tmp_path, "a") == [first[2], later]
    assert files_of(tmp_path, "b") == []


@pytest.fixture(scope="module")
def killed(tmp_path_factory):
    """What a recorder that was killed left: the octets of its part, and where its blocks end."""
    folder = tmp_path_factory.mktemp("killed")
    file = ring_file(folder)
    [part] = folder.glob("*.part")
    octets = part.read_bytes()
    file.complete(START, 0)
    ends, at = [0], 0
    while at < len(octets):
        at += struct.unpack_from("<I", octets, at + 4)[0]
        ends.append(at)
    return part.name, octets, ends


def test_whatever_a_power_cut_leaves_is_readable_up_to_its_last_whole_block(killed, tmp_path):
    name, octets, ends = killed
    for cut in range(len(octets) + 1):
        for rest in (b"", bytes(40)):  # a file system may leave zeros behind the last octet (common practice)
            folder = tmp_path / f"{cut}-{len(rest)}"
            folder.mkdir()
            (folder / name).write_bytes(octets[:cut] + rest)
            told = []
            recovered = recover_parts(folder, told.append)

            assert len(told) == 1
            assert not list(folder.glob("*.part"))
            # Zeros may be the very octets that were missing.
            missing = octets[cut : cut + len(rest)]
            there = cut + len(missing) - len(missing.lstrip(b"\0"))
            whole = max(end for end in ends if end <= there)
            packets = max(ends.index(whole) - 2, 0)
            if not packets:
                assert (recovered, list(folder.iterdir())) == ((), [])
                continue
            assert recovered[0].read_bytes() == octets[:whole]
            with open_capture(recovered[0]) as reader:
                assert sum(len(chunk) for chunk in reader) == packets
                kinds = {issue.kind.value for issue in reader.facts.issues}
                assert kinds <= {"filtered", "clipped"}


def test_what_another_recorder_is_writing_is_left_alone(tmp_path):
    file = ring_file(tmp_path)
    told = []

    assert recover_parts(tmp_path, told.append) == ()
    assert told == []
    assert file.complete(START, 0).exists()


def test_a_link_is_not_followed(tmp_path):
    victim = tmp_path / "victim"
    file = ring_file(tmp_path)
    [part] = tmp_path.glob("*.part")
    octets = part.read_bytes() + b"half a block"
    file.complete(START, 0)
    victim.write_bytes(octets)
    (tmp_path / "b-20260314T190000Z-0001.pcapng.part").symlink_to(victim)

    assert recover_parts(tmp_path, lambda line: None) == ()
    assert victim.read_bytes() == octets


def test_files_of_others_are_not_touched(tmp_path):
    strange = tmp_path / "download.zip.part"
    strange.write_bytes(b"half")

    assert recover_parts(tmp_path, lambda line: None) == ()
    assert strange.read_bytes() == b"half"


def test_a_log_keeps_its_whole_lines(tmp_path):
    part = tmp_path / "a-20260314T190000Z-0001.jsonl.part"
    part.write_bytes(b'{"announcements": 1}\n{"a": 1}\n{"a"')
    told = []

    [path] = recover_parts(tmp_path, told.append)
    assert path.read_bytes() == b'{"announcements": 1}\n{"a": 1}\n'
    assert path.suffix == ".jsonl"


def test_a_name_that_is_taken_is_not_written_over(tmp_path):
    first = ring_file(tmp_path)
    [part] = tmp_path.glob("*.part")
    wanted = part.with_name(part.name.removesuffix(".part"))
    wanted.write_bytes(b"somebody else's")

    path = first.complete(START, 0)
    assert wanted.read_bytes() == b"somebody else's"
    assert path != wanted
