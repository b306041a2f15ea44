"""Tests of fields, blocks of them, and their three-valued answers."""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass

from auditor.inventory.facts import Fact
from auditor.ruleset.fields import Field, FieldValue
from auditor.ruleset.truth import Truth, all_of, any_of, negation


@dataclass(frozen=True, slots=True)
class OneOf:
    """Equal to one of the values; a field that holds a list matches if any member does."""

    values: frozenset[bool | int | float | str]

    def holds(self, value: FieldValue) -> Truth:
        """Unknown for None."""
        if value is None:
            return None
        members = value if isinstance(value, tuple) else (value,)
        return any(member in self.values for member in members)


@dataclass(frozen=True, slots=True)
class AtLeast:
    """A number of at least ``bound``."""

    bound: float

    def holds(self, value: FieldValue) -> Truth:
        """Unknown for None."""
        return value >= self.bound if isinstance(value, int | float) else None


@dataclass(frozen=True, slots=True)
class AtMost:
    """A number of at most ``bound``."""

    bound: float

    def holds(self, value: FieldValue) -> Truth:
        """Unknown for None."""
        return value <= self.bound if isinstance(value, int | float) else None


@dataclass(frozen=True, slots=True)
class Within:
    """An address inside a prefix of the same family (RFC 4632 section 3.1, RFC 4291 section 2.3)."""

    prefix: ipaddress.IPv4Network | ipaddress.IPv6Network

    def holds(self, value: FieldValue) -> Truth:
        """Unknown for None and for text that is no address."""
        try:
            address = ipaddress.ip_address(value if isinstance(value, str) else "")
        except ValueError:
            return None
        if address.version == 6 and address.ipv4_mapped is not None and self.prefix.version == 4:
            return address.ipv4_mapped in self.prefix
        return address in self.prefix


@dataclass(frozen=True, slots=True)
class Known:
    """Whether the recording could show the field at all; never unknown itself."""

    wanted: bool

    def holds(self, value: FieldValue) -> Truth:
        """True or false."""
        return (value is not None) is self.wanted


Test = OneOf | AtLeast | AtMost | Within | Known


@dataclass(frozen=True, slots=True)
class Line:
    """One field and its test."""

    field: Field
    test: Test

    def truth(self, fact: Fact) -> Truth:
        """The answer for one fact."""
        return self.test.holds(self.field.read(fact))


@dataclass(frozen=True, slots=True)
class Block:
    """Lines that must all hold and, where there are any, alternatives of which one must hold."""

    lines: tuple[Line, ...] = ()
    either: tuple[Block, ...] = ()
    """Blocks without alternatives of their own: one level is all that the language has."""

    def truth(self, fact: Fact) -> Truth:
        """The answer for one fact; true of an empty block."""
        own = all_of(line.truth(fact) for line in self.lines)
        if not self.either or own is False:
            return own
        return all_of((own, any_of(block.truth(fact) for block in self.either)))

    def unknown_fields(self, fact: Fact) -> set[str]:
        """Names of the fields for whose sake the answer is unknown."""
        if self.truth(fact) is not None:
            return set()
        names = {line.field.name for line in self.lines if line.truth(fact) is None}
        for block in self.either:
            names |= block.unknown_fields(fact)
        return names


@dataclass(frozen=True, slots=True)
class Condition:
    """``where`` and not ``unless``; ``unclear`` names what looks like no but is not known."""

    where: Block
    unless: tuple[Block, ...] = ()
    unclear: tuple[Block, ...] = ()
    """
    Blocks that turn a "no" into "unknown".

    An enumeration's own ``unknown`` is a value like any other, so that
    ``authentication: none`` is false where a snap length cut the request off;
    without this, silence about such a request would read as if it had been
    seen to carry a login.
    """

    def truth(self, fact: Fact) -> Truth:
        """The answer for one fact."""
        excepted = any_of(block.truth(fact) for block in self.unless)
        answer = all_of((self.where.truth(fact), negation(excepted)))
        if answer is False and excepted is not True and any(block.truth(fact) for block in self.unclear):
            return None
        return answer

    def unknown_fields(self, fact: Fact) -> frozenset[str]:
        """Names of the fields for whose sake the answer is unknown; empty where it is known."""
        if self.truth(fact) is not None:
            return frozenset()
        names = self.where.unknown_fields(fact)
        for block in self.unless:
            names |= block.unknown_fields(fact)
        for block in self.unclear:
            if block.truth(fact):
                named = {line.field.name for line in block.lines}
                open_ones = {
                    line.field.name
                    for line in block.lines
                    if line.field.read(fact) in ("unknown", None, False)
                }
                names |= open_ones or named
        return frozenset(names)
