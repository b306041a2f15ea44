"""What all facts have in common; ``facts`` holds the kinds."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from itertools import groupby
from typing import Any, ClassVar, TypeVar

from auditor.flows.flow import PacketReference
from auditor.value_class import value_class


@value_class
class Fact:
    """Common to all facts."""

    PEERS: ClassVar[tuple[str, ...]] = ()
    NOT_FOR_RULES: ClassVar[frozenset[str]] = frozenset(
        {"device_id", "evidence", "first_seen_ns", "last_seen_ns"}
    )

    device_id: str
    """The device that a finding about this fact belongs to."""
    evidence: tuple[PacketReference, ...]
    """At most ``MAX_EVIDENCE``, in time order, the first one always kept."""
    first_seen_ns: int
    last_seen_ns: int


AnyFact = TypeVar("AnyFact", bound=Fact)


def sort_facts(facts: Iterable[AnyFact], key: Callable[[AnyFact], Any]) -> list[AnyFact]:
    """
    Facts in the order of ``key``; those it does not tell apart in the order of their text.

    Two facts that one packet showed must not change places from run to run. The
    text of a fact costs more than all else of the sorting, so it is made for these alone.
    """
    ordered: list[AnyFact] = []
    for _, group in groupby(sorted(facts, key=key), key):
        alike = list(group)
        ordered += alike if len(alike) == 1 else sorted(alike, key=repr)
    return ordered
