"""
Conditions as functions give the answers of the conditions themselves.

Oracle: ``Condition.truth``, whose tables are held to Kleene's in ``test_truth`` and ``test_evaluate``; for what a prepared
rule remembers, ``Condition.unknown_fields`` and ``severity.weigh``.
"""

from dataclasses import fields

import hypothesis.strategies as st
import pytest
from hypothesis import given, settings

from auditor.inventory.facts import FACT_CLASSES
from auditor.ruleset.conditions import AtLeast, Block, Condition, Known, Line, OneOf
from auditor.ruleset.deciders import make_decider
from auditor.ruleset.fields import FIELDS
from auditor.ruleset.loader import load_rules
from auditor.ruleset.prepared import PreparedRule
from auditor.ruleset.severity import weigh

ABOUT = "remote-contact"


class Shown:
    """Stands for a fact: any attribute, any value."""

    def __init__(self, values):
        self.__dict__.update(values)


VALUES = {
    "initiator": st.sampled_from(["device", "remote", "unknown", None]),
    "name": st.sampled_from(["a.example", None]),
    "flows": st.sampled_from([0, 1, 5, None]),
    "purpose": st.sampled_from(["time", "update", None]),
}
LINES = st.one_of(
    st.builds(
        lambda name, values: Line(FIELDS[ABOUT][name], OneOf(frozenset(values))),
        st.sampled_from(["initiator", "purpose", "name"]),
        st.sets(st.sampled_from(["device", "remote", "time", "update", "a.example"]), min_size=1, max_size=3),
    ),
    st.builds(lambda bound: Line(FIELDS[ABOUT]["flows"], AtLeast(bound)), st.integers(0, 3)),
    st.builds(lambda wanted: Line(FIELDS[ABOUT]["name"], Known(wanted)), st.booleans()),
)
PLAIN_BLOCKS = st.builds(lambda lines: Block(lines=tuple(lines)), st.lists(LINES, max_size=3))
BLOCKS = st.builds(
    lambda lines, either: Block(lines=tuple(lines), either=tuple(either)),
    st.lists(LINES, max_size=3),
    st.lists(PLAIN_BLOCKS, max_size=2),
)
CONDITIONS = st.builds(
    lambda where, unless, unclear: Condition(where=where, unless=tuple(unless), unclear=tuple(unclear)),
    BLOCKS,
    st.lists(BLOCKS, max_size=2),
    st.lists(PLAIN_BLOCKS, max_size=2),
)


@settings(max_examples=100)
@given(CONDITIONS, st.fixed_dictionaries(VALUES))
def test_function_and_condition_agree(condition, values):
    fact = Shown(values)

    assert make_decider(condition)(fact) is condition.truth(fact)


def any_fact(rule, data):
    """A fact of the rule's kind with any words in its fields."""
    names = [entry.name for entry in fields(FACT_CLASSES[rule.about])]
    words = {
        field.path[0]: field.words
        for field in FIELDS[rule.about].values()
        if len(field.path) == 1 and field.words
    }
    anything = st.sampled_from([None, True, False, 0, 1, 80, "unknown", "none", ()])
    values = {
        name: data.draw(st.one_of(st.none(), st.sampled_from(words[name])) if name in words else anything)
        for name in names
        if name not in {"period", "outcomes"}
    }
    return Shown({**values, "period": None, "outcomes": {}})


BUNDLED = pytest.mark.parametrize("rule", load_rules([]), ids=lambda rule: rule.rule_id)


@settings(max_examples=6)
@BUNDLED
@given(st.data())
def test_bundled_rules_agree(rule, data):
    fact = any_fact(rule, data)

    assert make_decider(rule.condition)(fact) is rule.condition.truth(fact)


@settings(max_examples=4)
@BUNDLED
@given(st.data())
def test_a_prepared_rule_answers_as_the_rule_itself(rule, data):
    """Of several facts, so that what was remembered of one is asked for another."""
    prepared = PreparedRule(rule)

    for _ in range(4):
        fact = any_fact(rule, data)
        assert prepared.weigh(fact) == weigh(rule.severity, fact)
        assert prepared.unknown_fields(fact) == rule.condition.unknown_fields(fact)
