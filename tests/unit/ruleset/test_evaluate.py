"""
Oracle: ``reference_outcome`` below, written from the four sentences of the design and nothing else.

It asks the question in another way: it tries every completion of the unknown fields by brute force.
"""

from dataclasses import replace
from datetime import date
from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from auditor.errors import HomeError
from auditor.flows.flow import PacketReference
from auditor.home.loader import parse_home
from auditor.home.model import Acceptance, Home
from auditor.inventory.facts import MAX_EVIDENCE
from auditor.inventory.model import ABILITIES
from auditor.ruleset import evaluate as module
from auditor.ruleset.evaluate import evaluate
from auditor.ruleset.finding import Outcome, Severity
from auditor.ruleset.model import RuleSet
from tests.unit.ruleset.fabricated import SCOPE, control, coverage, device, inventory, load, local, remote
from tests.unit.ruleset.rule_text import one_rule, parse_rules, rule_text

LIGHT = "where: {effect: light, authentication: none, answered: true}\nidentity: [protocol, effect]"


def judge(rule, facts, **changes):
    return evaluate(inventory(*facts, **changes), RuleSet((rule,)), Home())


def answer(judgement, subject="light"):
    (assessment,) = [entry for entry in judgement.assessments if entry.device_id == subject]
    return assessment


# --- the four answers -------------------------------------------------------------------------------------------


def test_found_whatever_the_rule_needs():
    rule = one_rule(LIGHT + "\nneeds: [unicast-with-device]")

    judgement = judge(rule, [control(7)], abilities=())

    assert answer(judgement).outcome is Outcome.FOUND
    (finding,) = judgement.findings
    assert finding.evidence == (PacketReference(0, 7),)
    assert answer(judgement).finding_ids == (finding.finding_id,)
    assert (answer(judgement).scope, answer(judgement).record_next) == (None, None)


def test_not_found_is_limited_by_its_scope():
    judgement = judge(one_rule(LIGHT + "\nneeds: [control-seen]"), [control(authentication="accepted")])

    assert answer(judgement).outcome is Outcome.NOT_FOUND
    assert answer(judgement).scope == SCOPE
    assert judgement.findings == ()


def test_missing_ability_is_undetermined_and_says_what_to_record():
    rule = one_rule(LIGHT + "\nneeds: [control-seen, unicast-with-device]")

    judgement = judge(rule, [], abilities=("unicast-with-device",))

    assert answer(judgement).outcome is Outcome.UNDETERMINED
    assert answer(judgement).record_next == "Record control-seen."
    assert answer(judgement).reason == "This recording could not show it. No control-seen."


def test_unknown_fact_is_undetermined_and_names_the_field():
    judgement = judge(one_rule(LIGHT), [control(answered=None)])

    assert answer(judgement).outcome is Outcome.UNDETERMINED
    assert "answered" in answer(judgement).reason
    assert "requests and answers pass" in answer(judgement).record_next


def test_unknown_and_missing_are_both_told():
    rule = one_rule(LIGHT + "\nneeds: [joining-seen]")

    judgement = judge(rule, [control(answered=None)], abilities=("unicast-with-device",))

    assert "no joining-seen" in answer(judgement).reason.lower()
    assert "answered" in answer(judgement).reason
    assert answer(judgement).record_next == "Record joining-seen. Record both-directions."


def test_device_of_another_role_is_not_applicable():
    rule = one_rule("applies_to: {roles: [broker]}")

    judgement = judge(rule, [control()])

    assert answer(judgement).outcome is Outcome.NOT_APPLICABLE
    assert "broker" in answer(judgement).reason
    assert judgement.findings == ()


def test_chosen_device_counts_as_lighting():
    judgement = judge(one_rule(), [control()], devices=[device("light", roles=("unknown",), chosen=True)])

    assert answer(judgement).outcome is Outcome.FOUND


def test_any_role_is_every_device_and_not_the_network():
    judgement = judge(one_rule("applies_to: {roles: any}"), [control()])

    assert answer(judgement).outcome is Outcome.FOUND
    assert answer(judgement, "network").outcome is Outcome.NOT_APPLICABLE


def test_network_is_judged_by_facts_of_its_own():
    rule = one_rule("applies_to: {roles: network}")

    found = judge(rule, [control(device_id="network")])
    empty = judge(rule, [control()])

    assert answer(found, "network").outcome is Outcome.FOUND
    assert answer(found).outcome is Outcome.NOT_APPLICABLE
    assert answer(empty, "network").outcome is Outcome.NOT_FOUND


# --- subjects ----------------------------------------------------------------------------------------------------


def home_devices():
    return [device("light", chosen=True), device("hub", roles=("hub",)), device("phone", roles=("phone",))]


def test_other_device_is_a_subject_only_with_a_finding_that_touches_a_chosen_one():
    rules = parse_rules(
        rule_text("applies_to: {roles: any}") + rule_text(rule_id="b-rule").split("rules:\n")[1]
    )
    touching = control(device_id="hub", from_id="light", from_role=("lighting",))
    apart = control(device_id="phone", from_id="hub")

    judgement = evaluate(inventory(touching, apart, devices=home_devices()), rules, Home())

    assert [entry.device_id for entry in judgement.assessments] == [
        "light",
        "light",
        "hub",
        "hub",
        "network",
        "network",
    ]
    assert [entry.device_id for entry in judgement.findings] == ["hub"]
    assert not any("phone" in repr(entry) for entry in judgement.assessments)


def test_touching_without_a_finding_makes_no_subject():
    touching = control(device_id="hub", from_id="light", authentication="accepted")

    judgement = judge(one_rule(LIGHT + "\napplies_to: {roles: any}"), [touching], devices=home_devices())

    assert {entry.device_id for entry in judgement.assessments} == {"light", "network"}


def test_group_load_belongs_to_its_sender_and_touches_everybody():
    rule = one_rule("applies_to: {roles: any}", about="group-load")

    judgement = judge(rule, [load(device_id="phone")], devices=home_devices())

    assert answer(judgement, "phone").outcome is Outcome.FOUND
    assert answer(judgement).outcome is Outcome.NOT_FOUND


def test_group_data_touches_everybody_unless_its_receivers_are_known():
    rule = one_rule("where: {login_by_design: false}\napplies_to: {roles: any}")
    data = {"login_by_design": False, "is_group": True, "answered": None, "from_id": "hub"}

    sender = judge(rule, [control(device_id="hub", **data)], devices=home_devices())
    other = judge(rule, [control(device_id="phone", **data)], devices=home_devices())

    assert [finding.device_id for finding in sender.findings] == ["hub"]
    assert other.findings == ()


def test_without_a_chosen_device_nobody_is_a_subject():
    judgement = judge(one_rule("applies_to: {roles: any}"), [control()], devices=[device("light")])

    assert [entry.device_id for entry in judgement.assessments] == ["network"]


# --- findings ----------------------------------------------------------------------------------------------------


def test_facts_of_one_identity_are_one_finding():
    rule = parse_rules(rule_text(LIGHT).replace("A summary", "'{operation}'")).rules[0]
    facts = [
        control(9, 10, operation="POST /b"),
        control(3, operation="POST /a"),
        control(5, protocol="mqtt"),
    ]

    judgement = judge(rule, facts)

    http, mqtt = sorted(judgement.findings, key=lambda finding: finding.summary)
    assert (http.count, http.summary) == (2, "POST /a (and 1 more of the same kind)")
    assert [packet.packet_number for packet in http.evidence] == [3, 9, 10]
    assert mqtt.count == 1
    assert answer(judgement).finding_ids == tuple(sorted((http.finding_id, mqtt.finding_id)))


def test_evidence_is_bounded_and_keeps_the_packets_that_the_summary_tells_of():
    facts = [control(*range(start, start + 8)) for start in (100, 50)]

    (finding,) = judge(one_rule(LIGHT), facts).findings

    assert [packet.packet_number for packet in finding.evidence] == list(range(50, 50 + MAX_EVIDENCE))


def test_gravest_fact_gives_the_severity():
    text = rule_text(LIGHT).replace(
        "severity: medium",
        "severity: {usual: low, otherwise: [{where: {from.segment: internet}, severity: critical}]}",
    )
    (rule,) = parse_rules(text)

    (finding,) = judge(rule, [control(1), control(2, from_segment="internet")]).findings

    assert (finding.severity, finding.confidence) == (Severity.CRITICAL, "seen")


def test_unknown_severity_is_the_usual_one_and_inferred():
    text = rule_text().replace(
        "severity: medium",
        "severity: {usual: low, otherwise: [{where: {open_to_web_pages: true}, severity: high},"
        " {where: {effect: light}, severity: critical}]}",
    )
    (rule,) = parse_rules(text)

    (finding,) = judge(rule, [control(open_to_web_pages=None)]).findings
    (second,) = judge(rule, [control(open_to_web_pages=False)]).findings

    assert (finding.severity, finding.confidence) == (Severity.LOW, "inferred")
    assert (second.severity, second.confidence) == (Severity.CRITICAL, "seen")


def test_finding_id_stays_the_same_from_night_to_night():
    rule = one_rule("identity: [peer.id, transport, port]", about="local-contact")
    first = judge(rule, [local(1)], devices=home_devices()).findings[0].finding_id

    renamed = [replace(entry, device_id=f"{entry.device_id}-2") for entry in home_devices()]
    moved = local(
        800, 900, device_id="light-2", peer_id="hub-2", flows=9, family="ipv6", outcomes={"refused": 3}
    )
    assert judge(rule, [moved], devices=renamed).findings[0].finding_id == first
    assert len(first) == 16
    assert int(first, 16) >= 0

    others = [
        local(port=81),
        local(transport="udp"),
        local(peer_id="phone"),
        local(device_id="hub", peer_id="light"),
    ]
    any_role = one_rule(
        "identity: [peer.id, transport, port]\napplies_to: {roles: any}", about="local-contact"
    )
    ids = {judge(any_role, [other], devices=home_devices()).findings[0].finding_id for other in others}
    assert len(ids | {first}) == 5


def test_group_address_is_no_part_of_an_identity():
    rule = one_rule("identity: [peer.id]", about="local-contact")

    (finding,) = judge(
        rule, [local(1, peer_id="group:239.255.0.1"), local(2, peer_id="group:239.255.0.2")]
    ).findings

    assert finding.count == 2


def test_unknown_and_empty_name_are_different_identities():
    rule = one_rule("identity: [name]", about="remote-contact")

    assert len(judge(rule, [remote(name=None), remote(name=""), remote(name="None")]).findings) == 3


def test_undecodable_name_gets_an_id():
    rule = one_rule("identity: [name]", about="remote-contact")

    assert judge(rule, [remote(name="lamp\udcff")]).findings


def test_findings_are_sorted_by_severity_device_and_rule():
    rules = "\n".join(
        rule_text("applies_to: {roles: any}", rule_id=name)
        .replace("severity: medium", f"severity: {word}")
        .split("rules:\n")[1]
        for name, word in (("c", "low"), ("a", "high"), ("b", "low"))
    )
    judgement = evaluate(
        inventory(control(), control(device_id="hub", from_id="light"), devices=home_devices()),
        parse_rules("format: 1\nrules:\n" + rules),
        Home(),
    )

    assert [(entry.rule_id, entry.device_id) for entry in judgement.findings] == [
        ("a", "light"),
        ("a", "hub"),
        ("b", "light"),
        ("c", "light"),
        ("b", "hub"),
        ("c", "hub"),
    ]


def test_findings_beyond_the_bound_are_counted(monkeypatch):
    monkeypatch.setattr(module, "MAX_FINDINGS", 3)
    rule = one_rule("identity: [name]", about="remote-contact")

    judgement = judge(rule, [remote(number, name=f"n{number}.example") for number in range(1, 8)])

    assert len(judgement.findings) == 3
    assert "4 of them are left out" in answer(judgement).reason
    assert set(answer(judgement).finding_ids) == {finding.finding_id for finding in judgement.findings}


# --- what the household accepts -----------------------------------------------------------------------------------


def accepting(until, device_name=None, rule="a-rule"):
    entry = Acceptance(rule=rule, device=device_name, because="ours", until=until, location="home.yaml:9:5")
    return Home(accepted=(entry,))


@pytest.mark.parametrize(
    ("until", "today", "expired"),
    [
        (date(2026, 3, 1), None, False),  # the recording ends on that day
        (date(2026, 2, 28), None, True),
        (date(2026, 3, 1), date(2026, 3, 2), True),
        (date(2026, 12, 31), date(2026, 3, 2), False),
    ],
)
def test_acceptance_holds_until_its_last_day(until, today, expired):
    judgement = evaluate(inventory(control()), RuleSet((one_rule(),)), accepting(until), today=today)

    (accepted,) = judgement.accepted
    assert accepted.expired is expired
    assert (accepted.because, accepted.until) == ("ours", until.isoformat())
    assert [finding.finding_id for finding in judgement.findings] == (
        [accepted.finding.finding_id] if expired else []
    )
    assert answer(judgement).outcome is Outcome.FOUND


@pytest.mark.parametrize(
    ("name", "fits"),
    [("shelf", True), ("02:00:5e:10:00:77", True), ("hub", False), ("02:00:5e:10:00:78", False)],
)
def test_acceptance_names_a_device(name, fits):
    shelf = device("light", chosen=True, nickname="shelf", link="02:00:5e:10:00:77")

    judgement = evaluate(
        inventory(control(), devices=[shelf]), RuleSet((one_rule(),)), accepting(date(2027, 1, 1), name)
    )

    assert bool(judgement.accepted) is fits
    assert bool(judgement.findings) is not fits


def test_longest_acceptance_wins():
    home = Home(accepted=accepting(date(2026, 1, 1)).accepted + accepting(date(2027, 1, 1), "shelf").accepted)
    shelf = device("light", chosen=True, nickname="shelf")

    judgement = evaluate(inventory(control(), devices=[shelf]), RuleSet((one_rule(),)), home)

    assert not judgement.accepted[0].expired
    assert judgement.findings == ()


def test_acceptance_of_an_unknown_rule_is_an_error_with_its_place():
    with pytest.raises(HomeError) as caught:
        evaluate(inventory(), RuleSet((one_rule(),)), accepting(date(2027, 1, 1), rule="a-rul"))

    assert str(caught.value) == "home.yaml:9:5: expected the id of a rule, found 'a-rul'; nearest is 'a-rule'"


def test_recording_of_impossible_time_does_not_stop_the_judging():
    broken = replace(inventory(control()), coverage=replace(coverage(), end_ns=2**63 - 1))
    for end_ns in (None, -(2**63), 2**63 - 1):
        broken = replace(broken, coverage=replace(coverage(), end_ns=end_ns))
        assert evaluate(broken, RuleSet((one_rule(),)), accepting(date(2027, 1, 1))).accepted


def test_home_file_and_rules_meet():
    text = "devices: [{link_address: 02-00-5E-10-00-77, nickname: Shelf}]\naccepted: [{rule: a-rule, device: shelf, because: x, until: 2027-01-01}]\n"
    shelf = device("light", chosen=True, nickname="Shelf", link="02:00:5e:10:00:77")

    judgement = evaluate(
        inventory(control(), devices=[shelf]), RuleSet((one_rule(),)), parse_home(text.encode(), "h")
    )

    assert judgement.accepted


# --- against the reference ----------------------------------------------------------------------------------------

# What a field can hold here, None first: unknown, and what it could still turn out to be.
DOMAIN = {
    "effect": ["read", "light"],
    "answered": [None, True, False],
    "open_to_web_pages": [None, True, False],
    "count": [1, 5],
    "from_role": [(), ("hub",), ("hub", "phone")],
}
TESTS = {
    "effect": [
        ("light", lambda value: value == "light"),
        ("[read, light]", lambda value: value in ("read", "light")),
    ],
    "answered": [("true", lambda value: value is True), ("false", lambda value: value is False)],
    "open_to_web_pages": [("true", lambda value: value is True)],
    "count": [("{at_least: 3}", lambda value: value >= 3), ("{at_most: 3}", lambda value: value <= 3)],
    "from_role": [("phone", lambda value: "phone" in value)],
}
LINES = st.sampled_from([(name, *test) for name, tests in TESTS.items() for test in tests])
BLOCKS = st.lists(LINES, min_size=1, max_size=2, unique_by=lambda line: line[0])
FACTS = st.fixed_dictionaries({name: st.sampled_from(values) for name, values in DOMAIN.items()})


def written(block):
    return "{" + ", ".join(f"{name.replace('_role', '.role')}: {text}" for name, text, _ in block) + "}"


def holds(block, values):
    return all(test(values[name]) for name, _, test in block)


def reference_truth(where, either, unless, fact):
    """Whether the condition holds, by trying everything that unknown fields could be; None where that differs."""
    unknown = [name for name, value in fact.items() if value is None]
    answers = set()
    for guess in product((True, False), repeat=len(unknown)):
        values = {**fact, **dict(zip(unknown, guess, strict=True))}
        answers.add(
            holds(where, values)
            and any(holds(block, values) for block in either)
            and not any(holds(block, values) for block in unless)
        )
    return answers.pop() if len(answers) == 1 else None


def reference_outcome(truths, missing):
    if True in truths:
        return "found"
    if None in truths or missing:
        return "undetermined"
    return "not-found"


@given(
    where=BLOCKS,
    either=st.lists(BLOCKS, min_size=1, max_size=2),
    unless=st.lists(BLOCKS, max_size=2),
    facts=st.lists(FACTS, max_size=4),
    missing=st.booleans(),
    shuffle=st.randoms(use_true_random=False),
)
def test_agrees_with_the_reference_in_any_order(where, either, unless, facts, missing, shuffle):
    extra = f"where: {written(where)}\nneeds: [control-seen]\neither:\n"
    extra += "\n".join(f"  - {written(block)}" for block in either)
    if unless:
        extra += "\nunless:\n" + "\n".join(f"  - {written(block)}" for block in unless)
    rule = one_rule(extra + "\nidentity: [effect]")
    built = [control(number, **fact) for number, fact in enumerate(facts, 1)]
    abilities = tuple(ability for ability in ABILITIES if not (missing and ability == "control-seen"))

    judgement = judge(rule, built, abilities=abilities)
    shuffle.shuffle(built)
    assert judge(rule, built, abilities=abilities) == judgement

    expected = reference_outcome([reference_truth(where, either, unless, fact) for fact in facts], missing)
    got = answer(judgement).outcome
    # Kleene's tables look at each field on its own: where two lines ask about the same unknown field they may
    # leave open what trying both values settles.  They never settle what that leaves open, nor the other way.
    names = [name for block in (where, *either, *unless) for name, *_ in block]
    if len(names) == len(set(names)) or got != "undetermined":
        assert got == expected
    assert (got == "found") == bool(judgement.findings)
    assert (answer(judgement).scope is not None) == (got == "not-found")
    assert (answer(judgement).record_next is not None) == (got == "undetermined")
