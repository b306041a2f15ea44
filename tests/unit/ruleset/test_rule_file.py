"""The language is the project's own; addresses and prefixes are checked against RFC 4632 and RFC 4291 by the standard library."""

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from auditor.errors import RuleError
from auditor.ruleset.finding import Outcome, Severity
from auditor.ruleset.model import Proof
from tests.unit.ruleset.fabricated import control, lookup, remote
from tests.unit.ruleset.rule_text import one_rule, parse_rules, rule_text


def refusal(extra, **changes):
    with pytest.raises(RuleError) as caught:
        parse_rules(rule_text(extra, **changes))
    (line,) = str(caught.value).splitlines()
    return line


def test_defaults():
    rule = one_rule()

    assert rule.roles == ("lighting",)
    assert rule.severity.usual is Severity.MEDIUM
    assert (rule.identity, rule.needs, rule.proofs, rule.references) == ((), (), (), ())
    assert rule.location == "r.yaml:3:9"
    assert rule.condition.truth(control()) is True  # no condition: every fact of the kind


@pytest.mark.parametrize(
    ("extra", "says"),
    [
        pytest.param("wehre: {effect: light}", "nearest is 'where'", id="key"),
        pytest.param("where: {efect: light}", "nearest is 'effect'", id="field"),
        pytest.param("where: {from_role: hub}", "nearest is 'from.role'", id="underscore"),
        pytest.param("where: {evidence: x}", "expected a field", id="evidence"),
        pytest.param("where: {effect: lights}", "nearest is 'light'", id="word"),
        pytest.param("where: {effect: [light, blink]}", "'blink'", id="word-in-list"),
        pytest.param("where: {effect: []}", "empty list", id="empty-list"),
        pytest.param("where: {answered: On}", "true or false", id="truth"),
        pytest.param("where: {answered: 1}", "true or false", id="truth-as-number"),
        pytest.param("where: {count: many}", "whole number", id="number"),
        pytest.param("where: {count: 1e3}", "whole number", id="exponent"),
        pytest.param("where: {count: 0x10}", "whole number", id="hexadecimal"),
        pytest.param("where: {count: {at_least: nan}}", "decimal number", id="nan"),
        pytest.param("where: {count: {at_least: 1, at_most: 2}}", "one of", id="two-tests"),
        pytest.param("where: {count: {atleast: 1}}", "nearest is 'at_least'", id="test-name"),
        pytest.param("where: {count: {}}", "one of", id="no-test"),
        pytest.param("where: {effect: {at_least: 1}}", "a bound", id="bound-of-text"),
        pytest.param("where: {from.id: {within: 192.0.2.0/24}}", "holds an address", id="prefix-of-text"),
        pytest.param("where: {effect: {known: maybe}}", "true or false", id="known"),
        pytest.param("where: {}", "tests of fields", id="empty-block"),
        pytest.param("where: [effect]", "tests of fields", id="list-block"),
        pytest.param("unless: {effect: light}", "a list", id="unless-mapping"),
        pytest.param("either: []", "empty list", id="either-empty"),
        pytest.param("either:\n  - {either: [{effect: light}]}", "expected a field", id="either-in-either"),
        pytest.param(
            "where: {either: [{effect: light}]}\neither:\n  - {count: 1}", "once", id="either-twice"
        ),
        pytest.param("identity: [count]", "night to night", id="count-identity"),
        pytest.param("identity: [effect, colour]", "expected a field", id="unknown-identity"),
        pytest.param("needs: [unicast]", "an ability", id="ability"),
        pytest.param("applies_to: {roles: lamps}", "a role", id="role"),
        pytest.param("applies_to: {role: hub}", "'role'", id="applies-key"),
        pytest.param("references: [{standard: X}]", "'clause'", id="reference"),
        pytest.param("proofs: {found: [../x.pcap]}", "below captures/", id="proof-outside"),
        pytest.param("proofs: {found: [/x.pcap]}", "below captures/", id="proof-absolute"),
        pytest.param("proofs: {found: [a.pcap], not_found: [a.pcap]}", "once", id="proof-twice"),
        pytest.param("proofs: {seen: [a.pcap]}", "'seen'", id="proof-key"),
    ],
)
def test_mistake_is_one_line_with_its_place(extra, says):
    line = refusal(extra) if "role: hub" not in extra else first_of_two(extra)

    assert line.startswith("r.yaml:")
    assert ": expected " in line
    assert says in line


def first_of_two(extra):
    with pytest.raises(RuleError) as caught:
        parse_rules(rule_text(extra))
    return max(str(caught.value).splitlines())


def test_place_is_that_of_the_word():
    text = rule_text("where:\n  effect: light\n  answered: On\n")
    line = next(number for number, line in enumerate(text.splitlines(), 1) if "answered" in line)

    with pytest.raises(RuleError) as caught:
        parse_rules(text)
    assert str(caught.value).startswith(f"r.yaml:{line}:17: expected answered (true or false), found 'On'")


@pytest.mark.parametrize(
    "key", ["id", "title", "severity", "about", "summary", "household", "rationale", "remediation"]
)
def test_missing_key_is_named(key):
    lines = rule_text().splitlines()
    at = next(number for number, line in enumerate(lines) if line.lstrip(" -").startswith(f"{key}:"))
    lines[at] = lines[at][:4] + f"x{key}" + lines[at][4 + len(key) :]

    with pytest.raises(RuleError, match=f"expected the key '{key}' in a rule"):
        parse_rules("\n".join(lines))


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("rules: []\n", "'format'"),
        ("format: 2\nrules: [{anything: goes}]\n", "the format (1), found '2'"),
        ("format: 1.0\nrules: []\n", "found '1.0'"),
        ("format: 1\nrules: {}\n", "a list"),
        ("format: 1\nrules: [a]\n", "a mapping"),
        ("[]", "a rule file"),
    ],
)
def test_frame_of_the_file(text, says):
    with pytest.raises(RuleError) as caught:
        parse_rules(text)
    assert says in str(caught.value)


@pytest.mark.parametrize(
    ("test", "value", "truth"),
    [
        ("{at_least: 2}", 2, True),
        ("{at_least: 2}", 1, False),
        ("{at_most: 2}", 3, False),
        ("{at_most: 2.5}", 2, True),
        ("2", 2, True),
        ("[1, 2]", 3, False),
    ],
)
def test_numbers(test, value, truth):
    assert one_rule(f"where: {{count: {test}}}").condition.truth(control(count=value)) is truth


@pytest.mark.parametrize(
    ("prefix", "address", "truth"),
    [
        ("198.51.100.0/24", "198.51.100.53", True),
        ("198.51.100.0/24", "203.0.113.1", False),
        ("2001:db8::/32", "2001:db8:1::1", True),
        ("2001:db8::/32", "198.51.100.53", False),
        ("198.51.100.0/24", "2001:db8::1", False),
        ("198.51.100.0/24", "::ffff:198.51.100.53", True),
        ("198.51.100.0/24", "not an address", None),
    ],
)
def test_prefixes(prefix, address, truth):
    rule = one_rule(f'where: {{resolver_address: {{within: "{prefix}"}}}}', about="name-lookup")

    assert rule.condition.truth(lookup(resolver_address=address)) is truth


@pytest.mark.parametrize("prefix", ["198.51.100.1/24", "198.51.100.0/33", "lamp", "198.51.100.0/24/1"])
def test_prefix_with_host_bits_is_refused(prefix):
    assert "without host bits" in refusal(
        f"where: {{resolver_address: {{within: {prefix}}}}}", about="name-lookup"
    )


def test_list_field_matches_by_any_member_and_an_empty_one_by_none():
    rule = one_rule("where: {from.role: [hub, phone]}")

    assert rule.condition.truth(control(from_role=("computer", "hub"))) is True
    assert rule.condition.truth(control(from_role=())) is False


def test_unknown_is_neither_and_known_is_never_unknown():
    assert one_rule("where: {answered: true}").condition.truth(control(answered=None)) is None
    assert one_rule("where: {answered: {known: true}}").condition.truth(control(answered=None)) is False
    assert one_rule("where: {answered: {known: false}}").condition.truth(control(answered=None)) is True
    assert one_rule("where: {answered: [true, false]}").condition.truth(control(answered=None)) is None


def test_unless_makes_unknown_of_an_unknown_exception():
    rule = one_rule("where: {effect: light}\nunless:\n  - {answered: false}")

    assert rule.condition.truth(control(answered=True)) is True
    assert rule.condition.truth(control(answered=False)) is False
    assert rule.condition.truth(control(answered=None)) is None
    assert rule.condition.unknown_fields(control(answered=None)) == {"answered"}


def test_either():
    for extra in (
        "either:\n  - {effect: read}\n  - {count: {at_least: 5}}",
        "where:\n  either: [{effect: read}, {count: {at_least: 5}}]",
    ):
        rule = one_rule(extra)
        assert rule.condition.truth(control(effect="read")) is True
        assert rule.condition.truth(control(count=5)) is True
        assert rule.condition.truth(control(count=4)) is False


def test_unclear_turns_no_into_unknown_but_not_an_exception():
    extra = (
        "where: {authentication: none}\nunless: [{from.role: recorder}]\nunclear: [{authentication: unknown}]"
    )
    rule = one_rule(extra)

    assert rule.condition.truth(control()) is True
    assert rule.condition.truth(control(authentication="accepted")) is False
    assert rule.condition.truth(control(authentication="unknown")) is None
    assert rule.condition.unknown_fields(control(authentication="unknown")) == {"authentication"}
    assert rule.condition.truth(control(authentication="unknown", from_role=("recorder",))) is False


def test_values_that_yaml_would_type_stay_text():
    rule = one_rule("where: {name: [On, '5.10', 12:34:56]}", about="remote-contact")

    for name, truth in (
        ("On", True),
        ("5.10", True),
        ("12:34:56", True),
        ("true", False),
        ("5.1", False),
        (None, None),
    ):
        assert rule.condition.truth(remote(name=name)) is truth


def test_proofs():
    rule = one_rule("proofs: {found: [a.pcapng], not_found: [b/c.pcap], undetermined: [d.pcap]}")

    assert rule.proofs == (
        Proof(capture="a.pcapng", outcome=Outcome.FOUND),
        Proof(capture="b/c.pcap", outcome=Outcome.NOT_FOUND),
        Proof(capture="d.pcap", outcome=Outcome.UNDETERMINED),
    )


def test_template_fields_are_checked_and_rendered():
    text = rule_text().replace(
        "A summary", "'{{{from.id}}} by {protocol}, {from.role}, {answered}, {period.count}'"
    )
    (rule,) = parse_rules(text)

    assert rule.summary.render(control()) == "{phone} by http, phone, yes, unknown"
    for bad, says in (
        ("{colour}", "in braces"),
        ("{", "in pairs"),
        ("x}", "in pairs"),
        ("{from.id.x}", "nearest is 'from.id'"),
    ):
        with pytest.raises(RuleError, match=says):
            parse_rules(rule_text().replace("A summary", f"'{bad}'"))
    for attack in ("{count.__class__}", "{0}", "{count!r}", "{count:9999999}", "{}"):
        with pytest.raises(RuleError, match="in braces"):
            parse_rules(rule_text().replace("A summary", f"'{attack}'"))


def test_names_of_the_recording_are_data_and_are_cut():
    (rule,) = parse_rules(rule_text(about="remote-contact").replace("A summary", "'{name}'"))

    assert rule.summary.render(remote(name="{address}\x1b[31m")) == "{address}\x1b[31m"
    assert len(rule.summary.render(remote(name="x" * 5000))) == 256


def test_contextual_severity():
    text = rule_text().replace(
        "severity: medium",
        "severity: {usual: low, otherwise: [{where: {from.segment: internet}, severity: critical}]}",
    )
    (rule,) = parse_rules(text)

    assert rule.severity.usual is Severity.LOW
    assert rule.severity.otherwise[0].severity is Severity.CRITICAL
    for bad in (
        "severity: worst",
        "severity: {usual: low}",
        "severity: [low]",
        "severity: {usual: low, otherwise: [{severity: low}]}",
    ):
        with pytest.raises(RuleError):
            parse_rules(text.replace(text.splitlines()[4].strip(), bad))


@given(st.recursive(st.text("abeflint: 1{}", max_size=6), lambda x: st.lists(x, max_size=3) | st.dictionaries(st.sampled_from(
    ["where", "unless", "either", "identity", "needs", "severity", "usual", "otherwise", "effect", "count", "at_least",
     "known", "within", "roles", "applies_to", "proofs", "found", "references", "remediation", "do", "id", "about"]), x, max_size=4), max_leaves=15))  # fmt: skip
def test_any_tree_gives_rules_or_a_rule_error(tree):
    text = yaml.dump({"format": "1", "rules": [tree]}, default_style='"')
    lines = []
    try:
        parse_rules(text)
    except RuleError as error:
        lines = str(error).splitlines()
    assert all(": expected " in line or line.startswith("and ") for line in lines)
