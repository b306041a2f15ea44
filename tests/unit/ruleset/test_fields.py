"""The fields are held against the source of the fact classes: their annotations and the words of their docstrings."""

import ast
import inspect
import re
from itertools import pairwise
from pathlib import Path

import pytest

from auditor.flows.flow import FlowOutcome, InitiatorKnown, Period
from auditor.home.model import ROLES
from auditor.inventory import change_fact, facts
from auditor.inventory.facts import FACT_CLASSES, Fact
from auditor.ruleset.fields import ADDRESSES, FIELDS, PASSING, WORDS, FieldKind, build_fields
from auditor.value_class import value_class
from tests.unit.ruleset import fabricated

SOURCE = ast.parse(Path(inspect.getsourcefile(facts)).read_text(encoding="utf-8"))
SOURCE.body += ast.parse(Path(change_fact.__file__).read_text("utf-8")).body
ELSEWHERE = {
    "roles": ROLES,
    "peer_role": ROLES,
    "from_role": ROLES,
    "by_role": ROLES,
    "neighbour_roles": ROLES,
    "initiator_known": tuple(InitiatorKnown),
}
SHARED = {
    "family": ("ipv4", "ipv6"),
    "confidentiality": ("clear", "tls", "dtls", "quic", "unknown"),
    "transport": ("tcp", "udp", "icmp", "icmpv6", "igmp", "arp"),
}


def documented(class_name):
    """Field name to docstring, as written in the source."""
    body = next(
        node.body for node in SOURCE.body if isinstance(node, ast.ClassDef) and node.name == class_name
    )
    return {
        field.target.id: text.value.value
        for field, text in pairwise(body)
        if isinstance(field, ast.AnnAssign)
        and isinstance(text, ast.Expr)
        and isinstance(text.value, ast.Constant)
    }


def test_every_word_list_is_that_of_the_fact():
    for about, lists in WORDS.items():
        docs = documented(FACT_CLASSES[about].__name__)
        for name, words in lists.items():
            if name in ELSEWHERE:
                assert words == ELSEWHERE[name]
            elif name in SHARED:
                assert words == SHARED[name]
            elif (about, name) == ("encrypted-session", "version"):
                assert words == ("1.0", "1.1", "1.2", "1.3")  # written as a range there
            else:
                assert set(words) <= set(re.findall(r"``([^`]+)``", docs[name])) or name == "from_segment", (
                    name
                )


def test_every_enumeration_in_the_facts_has_its_word_list():
    for about, fact_class in FACT_CLASSES.items():
        for name, text in documented(fact_class.__name__).items():
            listed = re.match(r"``[^`]+``(, ``[^`]+``| or ``[^`]+``)+", text)
            if listed and not name.endswith("_id"):
                assert name in WORDS[about], (about, name)


def test_fields_are_named_as_rules_write_them():
    assert {"from.id", "from.role", "from.segment", "period.median_seconds", "effect"} <= set(
        FIELDS["control"]
    )
    assert {"peer.id", "peer.role", "outcomes.mid-stream"} <= set(FIELDS["local-contact"])
    for fields in FIELDS.values():
        assert not {"device_id", "evidence", "first_seen_ns", "last_seen_ns"} & set(fields)


def test_reading():
    contact = fabricated.local(
        period=Period(median_seconds=1.0, jitter_seconds=0.01, count=300),
        outcomes={FlowOutcome.REFUSED.value: 2},
    )
    fields = FIELDS["local-contact"]

    assert fields["peer.role"].read(contact) == ("hub",)
    assert fields["period.median_seconds"].read(contact) == 1.0
    assert fields["outcomes.refused"].read(contact) == 2
    assert fields["outcomes.established"].read(contact) == 0
    assert fields["period.count"].read(fabricated.local()) is None


def test_nothing_that_passes_may_identify():
    names = {field.path[0] for fields in FIELDS.values() for field in fields.values()}

    assert names >= PASSING >= ADDRESSES
    for fields in FIELDS.values():
        for field in fields.values():
            if field.kind is FieldKind.DECIMAL_NUMBER or field.is_address or "octets" in field.name:
                assert not field.identifies


def test_a_type_that_rules_cannot_test_is_a_fault_of_ours():
    @value_class
    class Odd(Fact):
        when: complex

    with pytest.raises(TypeError, match="when"):
        build_fields("odd", Odd)
