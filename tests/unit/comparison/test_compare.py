"""
Two recordings as a whole: refused where they are no pair, and never good by absence.

Sources: issue "bad input" (wrong order, different homes, a silent second file), scenarios S32, S33, S37; three-valued answers of
house section 2.
"""

import ipaddress
from dataclasses import replace

import pytest

from auditor.addresses import parse_address
from auditor.comparison.compare import change_facts, compare_recordings
from auditor.flows.flow import FlowOutcome
from auditor.home.model import Home
from auditor.inventory.model import KnownPrefix
from tests.unit.comparison.pairs import device, flow, household, keep
from tests.unit.report.fabricated import capture

SILENT = FlowOutcome.UNANSWERED
BEFORE = [flow("light", "files", port=445), flow("phone", "light", number=2)]
HOME = Home(keep=(keep("phone-control"),))


def compare(before, after, *, first=None, second=None):
    return compare_recordings(first or household(), before, second or household(start=1000), after, HOME)


def test_the_second_began_before_the_first():
    made = compare(BEFORE, BEFORE, second=household(start=-90_000))
    assert made.refusal.reason == "wrong order: the second recording began before the first, 1 day earlier"
    assert "first" in made.refusal.record_next
    assert made.conversations == ()
    assert {wish.state for wish in made.wishes} == {"not-tried"}
    assert {fact.holds for fact in change_facts(made, household(start=-90_000))} == {None}


@pytest.mark.parametrize(
    ("earlier", "words"),
    [(1, "1 s"), (59, "59 s"), (60, "1 minute"), (7_200, "2 hours"), (172_800, "2 days")],
)
def test_by_how_much_is_told(earlier, words):
    made = compare(BEFORE, BEFORE, second=household(start=-earlier))
    assert made.refusal.reason.endswith(f"{words} earlier")


def test_equal_beginnings_and_unknown_times_are_no_wrong_order():
    assert compare(BEFORE, BEFORE, second=household()).refusal is None
    timeless = household()
    timeless = replace(timeless, coverage=replace(timeless.coverage, start_ns=None, end_ns=None))
    assert compare(BEFORE, BEFORE, second=timeless).refusal is None


def test_one_file_twice():
    both = replace(household(), captures=(capture(),))
    assert "one file is in both" in compare(BEFORE, BEFORE, first=both, second=both).refusal.reason


def test_another_home():
    stranger = replace(device("light"), device_id="dev-x", identity="link:02:00:00:00:00:77", hostnames=())
    made = compare(BEFORE, [], second=household(stranger, start=1000))
    assert "another home" in made.refusal.reason


@pytest.mark.parametrize(
    ("after", "words"),
    [
        ([], "no attempt of the judged devices"),
        ([flow("light", "cloud", port=443)], "between the judged devices and the home"),
    ],
    ids=["silent", "cloud alone"],
)
def test_a_second_recording_in_which_nobody_tried(after, words):
    made = compare([*BEFORE, flow("light", "cloud", port=443, number=3)], after)
    assert words in made.refusal.reason
    assert {fact.holds for fact in change_facts(made, household(start=1000))} == {None}
    assert {wish.state for wish in made.wishes} == {"not-tried"}


def test_a_wall_holds_for_each_family_by_itself():
    """S33."""
    both = [
        flow("light", "files", port=445, family=family, number=n)
        for n, family in enumerate(("ipv4", "ipv6"), 1)
    ]
    after = [
        flow("light", "files", port=445, outcome=SILENT),
        flow("light", "files", port=445, family="ipv6", number=2),
    ]
    made = compare(both, after)
    holds = {fact.family: (fact.holds, fact.works) for fact in change_facts(made, household(start=1000))}
    assert holds == {"ipv4": (True, False), "ipv6": (False, True)}


def test_no_attempt_at_the_home_is_unknown():
    made = compare([flow("light", "cloud", port=443)], [flow("light", "cloud", port=443)])
    [home] = [fact for fact in change_facts(made, household(start=1000)) if fact.place == "home"]
    assert (home.state, home.holds, home.works) == ("not-tried", None, None)


def test_a_light_that_is_gone_and_times_that_overlap_are_remarked():
    rest = [device(name) for name in ("hub", "phone", "router", "files")]
    twin = device("light", device_id="twin", identity="link:twin", is_chosen=True)
    first = household(device("light"), twin, *rest)
    made = compare(BEFORE, BEFORE, first=first, second=household(device("light"), *rest, start=300))
    assert any(note.startswith("twin is not in the second recording") for note in made.notes)
    assert any("before the first ended" in note for note in made.notes)


@pytest.mark.parametrize(("length", "stayed"), [(22, True), (24, False)])
def test_whether_it_kept_its_network_is_told_by_the_recorded_mask(length, stayed):
    """192.168.78.21 is inside 192.168.76.0/22 and outside 192.168.77.0/24 (RFC 4632)."""
    network = ipaddress.ip_network(f"192.168.77.0/{length}", strict=False)
    first = replace(household(), prefixes=(KnownPrefix(network=network, source="lease"),))
    moved = device("light", addresses=(parse_address("192.168.78.21"),))
    made = compare(
        BEFORE, [], first=first, second=household(moved, device("phone"), device("files"), start=1000)
    )
    assert any("kept its address range" in note for note in made.notes) == stayed
