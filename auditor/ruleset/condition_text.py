"""Blocks and tests of a rule: nodes to conditions on the fields of one kind of fact."""

from __future__ import annotations

import ipaddress
from collections.abc import Mapping

from auditor.ruleset.conditions import AtLeast, AtMost, Block, Known, Line, OneOf, Test, Within
from auditor.ruleset.fields import Field, FieldKind
from auditor.settings.problems import Problems, nearest, shown
from auditor.settings.typed import (
    read_decimal_number,
    read_mapping,
    read_sequence,
    read_text,
    read_truth,
    read_whole_number,
    read_word,
)
from auditor.settings.yaml_text import Mapping as MappingNode
from auditor.settings.yaml_text import Node, Scalar, Sequence, describe

MAX_BLOCKS = 32  # alternatives, exceptions, severities
MAX_LINES = 32  # of a block: more than any fact has fields
MAX_VALUES = 256  # of a list in a test
MAX_VALUE_CHARACTERS = 256  # a DNS name has at most 253

_TESTS = ("at_least", "at_most", "within", "known")


class ConditionReader:
    """Reads tests of the given fields; what does not fit is noted and left out."""

    def __init__(self, fields: Mapping[str, Field], problems: Problems) -> None:
        self._fields = fields
        self._problems = problems

    def block(self, node: Node, *, may_branch: bool = True) -> Block:
        """All lines of a block; ``either`` only where it may branch, which is not inside itself."""
        if not isinstance(node, MappingNode) or not node.entries or len(node.entries) > MAX_LINES:
            self._problems.add(
                node.place, f"expected 1 to {MAX_LINES} tests of fields, found {describe(node)}"
            )
            return Block()
        lines: list[Line] = []
        either: tuple[Block, ...] = ()
        for key, value in node.entries:
            if key.text == "either" and may_branch:
                either = self.either(value)
                continue
            field = self.field(key)
            test = self._test(field, value) if field is not None else None
            if field is not None and test is not None:
                lines.append(Line(field, test))
        return Block(tuple(lines), either)

    def either(self, node: Node) -> tuple[Block, ...]:
        """Alternatives; none is a mistake."""
        items = read_sequence(node, self._problems, what="either", most=MAX_BLOCKS) or ()
        if isinstance(node, Sequence) and not node.items:
            self._problems.add(node.place, "expected alternatives, found an empty list")
        return tuple(self.block(item, may_branch=False) for item in items)

    def field(self, node: Node) -> Field | None:
        """A field by its name."""
        if isinstance(node, Scalar) and node.text in self._fields:
            return self._fields[node.text]
        hint = nearest(node.text, self._fields) if isinstance(node, Scalar) else ""
        self._problems.add(node.place, f"expected a field of the fact, found {describe(node)}{hint}")
        return None

    def _test(self, field: Field, node: Node) -> Test | None:
        if isinstance(node, MappingNode):
            return self._bounded_test(field, node)
        nodes: tuple[Node, ...] = (node,)
        if isinstance(node, Sequence):
            nodes = read_sequence(node, self._problems, what="values", most=MAX_VALUES) or ()
        values = [self._value(field, item) for item in nodes]
        if not values:
            self._problems.add(node.place, f"expected a value for {field.name}, found an empty list")
        return OneOf(frozenset(value for value in values if value is not None))

    def _value(self, field: Field, node: Node) -> bool | int | float | str | None:
        if field.words is not None:
            return read_word(node, self._problems, what=field.name, words=field.words)
        if field.kind is FieldKind.TRUTH:
            return read_truth(node, self._problems, what=field.name)
        if field.kind is FieldKind.WHOLE_NUMBER:
            return read_whole_number(node, self._problems, what=field.name)
        if field.kind is FieldKind.DECIMAL_NUMBER:
            return read_decimal_number(node, self._problems, what=field.name)
        return read_text(node, self._problems, what=f"a value for {field.name}", most=MAX_VALUE_CHARACTERS)

    def _bounded_test(self, field: Field, node: MappingNode) -> Test | None:
        entries = read_mapping(node, self._problems, what="a test", keys=_TESTS) or {}
        if len(node.entries) != 1:
            tests = ", ".join(_TESTS)
            self._problems.add(node.place, f"expected one of {tests}, found {len(node.entries)} keys")
        if len(node.entries) != 1 or not entries:
            return None
        ((word, value),) = entries.items()
        if word == "known":
            wanted = read_truth(value, self._problems, what="known")
            return None if wanted is None else Known(wanted)
        if word == "within":
            return self._within(field, value)
        if field.kind not in (FieldKind.WHOLE_NUMBER, FieldKind.DECIMAL_NUMBER):
            self._problems.add(node.place, f"expected {field.kind.value} for {field.name}, found a bound")
            return None
        bound = read_decimal_number(value, self._problems, what=word)
        if bound is None:
            return None
        return AtLeast(bound) if word == "at_least" else AtMost(bound)

    def _within(self, field: Field, node: Node) -> Test | None:
        if not field.is_address:
            self._problems.add(node.place, f"expected a field that holds an address, found {field.name}")
            return None
        text = read_text(node, self._problems, what="a prefix", most=MAX_VALUE_CHARACTERS)
        if text is None:
            return None
        try:
            return Within(ipaddress.ip_network(text))
        except ValueError:
            what = "expected a prefix without host bits such as 192.0.2.0/24"
            self._problems.add(node.place, f"{what}, found {shown(text)}")
            return None
