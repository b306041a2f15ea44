"""
Domain names in a message.

Standard: RFC 1035 sections 2.3.4 (sizes), 3.1 (labels), 4.1.4 (compression).
"""

from __future__ import annotations

from functools import lru_cache

from auditor.dissect.syntax.printable import to_printable
from auditor.errors import LimitError, MalformedError, TruncatedError

MAX_NAME_OCTETS = 255  # 2.3.4, lengths and the root included; so at most 127 labels
MAX_POINTERS = 127  # in one name: one before each label is more than anybody writes

MIN_POINTER = 0xC0  # 4.1.4: both top bits set
MIN_RESERVED = 0x40  # one of them set: other types of labels, none in use (RFC 6891 section 5)

Names = dict[int, tuple[str, int]]
"""Names read so far in one message: where one begins, its text and its length in octets."""


def read_name(data: bytes, offset: int, names: Names, field: str) -> tuple[str, int]:
    """
    Read the name at ``offset``; return its text and where the message goes on.

    A pointer must lead before everything that this name has read, so every walk
    ends.  ``names`` gains this one.

    Raises:
        DecodeError: the name passes the end of the message or a bound of the
            standard, or a pointer does not lead back.
    """
    if offset + 1 < len(data) and data[offset] >= MIN_POINTER:
        # Most names are a pointer to one that was read before, and so stands before this one.
        known = names.get((data[offset] & 0x3F) << 8 | data[offset + 1])
        if known is not None:
            return known[0], offset + 2
    start = lowest = offset
    after = 0
    octets = 1  # the root
    runs: list[str] = []
    passed: list[tuple[int, int, int]] = []
    try:
        while True:
            run = offset
            while 0 < (length := data[offset]) < MIN_RESERVED and offset - run < MAX_NAME_OCTETS:
                offset += 1 + length
            octets += offset - run
            if octets > MAX_NAME_OCTETS:
                break
            if offset > run:
                runs.append(_labels(data[run:offset]))
            if not length:
                break
            target = _pointer(data, offset, lowest, field)
            after = after or offset + 2
            known = names.get(target)
            if known is not None:
                if known[0]:
                    runs.append(known[0])
                octets += known[1] - 1
                break
            if len(passed) == MAX_POINTERS:
                raise LimitError(field, offset, f"more than {MAX_POINTERS} pointers")
            passed.append((target, len(runs), octets))
            lowest = offset = target
    except IndexError:
        raise TruncatedError(field, len(data), "the message ends inside the name") from None
    if octets > MAX_NAME_OCTETS:
        raise MalformedError(field, start, f"name of more than {MAX_NAME_OCTETS} octets")
    text = ".".join(runs)
    names[start] = (text, octets)
    # No octet is walked through twice for the sake of a pointer, however many lead there.
    for target, run_count, octets_before in passed:
        names[target] = (".".join(runs[run_count:]), octets - octets_before + 1)
    return text, after or offset + 1


def _pointer(data: bytes, offset: int, lowest: int, field: str) -> int:
    if data[offset] < MIN_POINTER:
        raise MalformedError(field, offset, f"label of type {data[offset] >> 6}")
    target = (data[offset] & 0x3F) << 8 | data[offset + 1]
    if target >= lowest:
        raise MalformedError(field, offset, f"pointer to octet {target} does not lead back")
    return target


@lru_cache(maxsize=4096)  # of at most 254 octets, and the same few in all messages of a home
def _labels(octets: bytes) -> str:
    """Text of whole labels that follow one another without a pointer."""
    labels = []
    offset = 0
    while offset < len(octets):
        after = offset + 1 + octets[offset]
        labels.append(to_printable(octets[offset + 1 : after], "."))
        offset = after
    return ".".join(labels)
