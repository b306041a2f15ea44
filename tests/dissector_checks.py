"""What the tests of all dissectors have in common."""

from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import strategies as st

from auditor.dissect.message import Message
from auditor.errors import DecodeError, TruncatedError
from auditor.wire import Cursor

VECTORS = Path(__file__).parent / "vectors"

Parser = Callable[[Cursor], Message]


def vector(name: str) -> bytes:
    """The octets of ``tests/vectors/NAME.hex``, whose first line names their source."""
    source, *lines = (VECTORS / f"{name}.hex").read_text("ascii").splitlines()
    assert source.startswith("# source")
    return bytes.fromhex("".join(lines))


def assert_every_truncation_is_reported(parse: Parser, octets: bytes, *, shortest_whole: int | None = None):
    for length in range(len(octets) if shortest_whole is None else shortest_whole):
        with pytest.raises(TruncatedError) as info:
            parse(Cursor(octets[:length]))
        assert 0 <= info.value.offset <= length


def assert_message_or_decode_error(parse: Parser, octets: bytes):
    """The one thing that holds for every dissector of datagrams and any octets."""
    try:
        outcome = parse(Cursor(octets))
    except DecodeError as error:
        outcome = error
    if isinstance(outcome, DecodeError):
        assert 0 <= outcome.offset <= len(octets)
        assert outcome.field
    else:
        assert outcome.length == len(octets)


def damaged(*vectors: bytes, max_noise: int = 200) -> st.SearchStrategy[bytes]:
    """Noise, and messages of which some octets were changed, removed or doubled."""
    changes = st.lists(st.tuples(st.integers(0, 2000), st.integers(0, 255)), max_size=4)
    return st.binary(max_size=max_noise) | st.builds(
        _damage, st.sampled_from(vectors), changes, st.integers(0, 9)
    )


def _damage(octets: bytes, changes: list[tuple[int, int]], cut: int) -> bytes:
    changed = bytearray(octets)
    for place, value in changes:
        if not changed:
            break
        if value == 0xAA:
            del changed[place % len(changed) : place % len(changed) + 1]
        elif value == 0x55:
            changed[place % len(changed) : place % len(changed)] = changed[: place % 40]
        else:
            changed[place % len(changed)] = value
    return bytes(changed[: len(changed) - cut] if cut > 5 else changed)
