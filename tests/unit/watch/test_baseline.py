"""
Tonight against what is known, trait by trait, and what makes no line.

Source: needs section 2(f) and S38 (compare names, ports, direction, never addresses); RFC 6335 section 6 (dynamic ports).
"""

import pytest

from auditor.store.history import KnownFact
from auditor.watch.baseline import (
    FORGET_NIGHTS,
    GONE_NIGHTS,
    LEARNING_NIGHTS,
    STEADY_NIGHTS,
    WAVERING_NIGHTS,
    Limits,
    compare_night,
)
from auditor.watch.traits import MAX_TRAITS, Night, Trait, read_night, stable_device, stable_name

LIGHT = "dev-1"
BASE = [Trait("judged", LIGHT, "", "", "shelf light"), Trait("device", LIGHT, "", "", "shelf light")]
FINDING = Trait("finding", LIGHT, "f1", "medium password-in-clear-text", "A password was readable.")
WORKS = Trait("works", LIGHT, "9e85 tcp 8080", "answered", "shelf light to hub, tcp 8080")


class Home:
    """Nights one after the other."""

    def __init__(self, limits=None):
        self.facts: dict[tuple[str, str, str], KnownFact] = {}
        self.number = 0
        self.limits = limits or Limits()

    def night(self, *traits, not_found=(), usual_day=()):
        self.number += 1
        night = Night(
            {trait.key: trait for trait in [*BASE, *traits]},
            {LIGHT: "shelf light"},
            frozenset(not_found),
            frozenset(),
        )
        outcome = compare_night(
            night, list(self.facts.values()), number=self.number, now_ns=self.number, limits=self.limits,
            usual_day=frozenset(usual_day),
        )  # fmt: skip
        self.facts.update({fact.key: fact for fact in outcome.facts})
        for key in outcome.forgotten:
            del self.facts[key]
        return [change.line for change in outcome.changes]

    def nights(self, count, *traits, **more):
        return [line for _ in range(count) for line in self.night(*traits, **more)]


@pytest.fixture
def home():
    home = Home()
    assert home.nights(LEARNING_NIGHTS + 3) == []
    return home


@pytest.mark.parametrize(
    ("trait", "line"),
    [
        (Trait("device", "9e85", "", "", "hub-9e85"), "new device: hub-9e85"),
        (Trait("contact", LIGHT, "a.example|tcp 443", "", "a.example (tcp 443)"), "shelf light: new contact a.example (tcp 443)"),
        (Trait("service", LIGHT, "tcp 23", "", "tcp 23 (telnet)"), "shelf light: newly open service tcp 23 (telnet)"),
        (FINDING, "shelf light: medium password-in-clear-text: A password was readable."),
        (Trait("recording", "", "dropped", "", "12 packets"), "the recording itself: dropped: 12 packets"),
    ],
)  # fmt: skip
def test_new_is_told_once(home, trait, line):
    assert home.night(trait) == [line]
    assert home.nights(5, trait) == []


def test_learning_is_silent_but_for_findings():
    home = Home()
    assert home.night(FINDING) == []  # the first night knows nothing to compare with
    contact = Trait("contact", LIGHT, "a.example|tcp 443", "", "a.example")
    other = FINDING._replace(item="f2")
    assert home.night(FINDING, contact, other) == [
        "shelf light: medium password-in-clear-text: A password was readable."
    ]


def test_findings_below_the_threshold_are_learnt_in_silence(home):
    assert home.night(FINDING._replace(value="low service-unused")) == []


def test_a_finding_that_grows_worse_is_told(home):
    home.night(FINDING._replace(value="low token"))

    assert home.night(FINDING._replace(value="high token")) == [
        "shelf light: now high token: A password was readable."
    ]


def test_newly_in_clear_text_is_told_of_a_known_name_alone(home):
    named = Trait("named", LIGHT, "a.example", "", "a.example")
    sealed = Trait("contact", LIGHT, "a.example|tcp 443", "", "a.example (tcp 443)")
    plain = Trait("contact", LIGHT, "a.example|tcp 80", "", "a.example (tcp 80)")
    clear = Trait("clear", LIGHT, "a.example", "", "a.example (tcp 80)")
    home.night(named, sealed)

    assert home.night(named, sealed, plain, clear) == ["shelf light: newly in clear text: a.example (tcp 80)"]
    other = [trait._replace(item=trait.item.replace("a.", "b.")) for trait in (named, plain, clear)]
    assert home.night(*other) == ["shelf light: new contact a.example (tcp 80), in clear text"]


def test_software_change_is_one_line_and_explains_the_rest(home):
    home.night(Trait("software", LIGHT, "http", "1.2", "1.2"))
    new = Trait("contact", LIGHT, "a.example|tcp 443", "", "a.example")

    lines = home.night(Trait("software", LIGHT, "http", "1.3", "1.3"), new)

    assert lines == [
        "shelf light: software changed 1.2 -> 1.3",
        "shelf light: new contact a.example (with its update)",
    ]
    lines = home.night(Trait("software", LIGHT, "http", "1.4", "1.4"), usual_day=[LIGHT])
    assert lines == ["shelf light: software changed 1.3 -> 1.4, on its usual day"]


def test_a_steady_finding_is_told_gone_where_the_recording_could_have_shown_it(home):
    home.nights(STEADY_NIGHTS, FINDING)
    rule = ("password-in-clear-text", LIGHT)

    assert home.night() == []  # undetermined: silence proves nothing
    assert home.night(not_found=[rule]) == [
        "shelf light: no longer found: medium password-in-clear-text: A password was readable."
    ]
    assert home.night(not_found=[rule]) == []
    assert home.night(FINDING) == [
        "shelf light: found again: medium password-in-clear-text: A password was readable."
    ]


def test_a_finding_that_comes_and_goes_is_not_told_each_time(home):
    rule = ("password-in-clear-text", LIGHT)
    home.night(FINDING)
    lines = []
    for _ in range(20):
        lines += home.night(not_found=[rule])
        lines += home.night(FINDING)
    assert lines == []
    assert len(home.nights(GONE_NIGHTS, not_found=[rule])) == 1


def test_a_lost_connection_is_told_and_its_return(home):
    home.nights(3, WORKS)
    stopped = WORKS._replace(value="stopped")

    assert home.night(stopped) == ["no longer answered: shelf light to hub, tcp 8080"]
    assert home.nights(5, stopped) == []
    assert home.night(WORKS) == ["answered again: shelf light to hub, tcp 8080"]
    assert home.nights(WAVERING_NIGHTS - 1, stopped) == []  # it wavered before
    assert home.night(stopped) == ["no longer answered: shelf light to hub, tcp 8080"]


def test_nobody_tried_is_no_loss(home):
    home.nights(3, WORKS)

    assert home.nights(20) == []


def test_what_was_never_answered_is_no_loss(home):
    assert home.nights(5, WORKS._replace(value="stopped")) == []


def test_a_lost_sight_is_told_once(home):
    sight = Trait("sight", "", "both-directions", "", "both directions of its talk")
    home.nights(3, sight)

    assert home.nights(4) == ["the recording could not show both directions of its talk; earlier ones could"]


def test_what_was_not_seen_for_long_is_forgotten(home):
    contact = Trait("contact", LIGHT, "a.example|tcp 443", "", "a.example (tcp 443)")
    home.night(contact)
    home.nights(FORGET_NIGHTS)
    assert contact.key in home.facts

    home.night()

    assert contact.key not in home.facts
    assert home.night(contact) == ["shelf light: new contact a.example (tcp 443)"]


def test_once_a_month_is_told_once(home):
    contact = Trait("contact", LIGHT, "a.example|tcp 443", "", "a.example (tcp 443)")
    lines = []
    for _ in range(6):
        lines += home.night(contact)
        lines += home.nights(29)
    assert len(lines) == 1


def test_a_device_judged_for_the_first_time_is_learnt_first(home):
    other = "dev-2"
    judged = Trait("judged", other, "", "", "lamp")
    contact = Trait("contact", other, "a.example|tcp 443", "", "a.example")

    assert home.night(judged, Trait("device", other, "", "", "lamp"), contact) == ["new device: lamp"]
    later = [contact, contact._replace(item="b.example|tcp 443")]
    assert home.night(judged, *later) == []
    home.nights(LEARNING_NIGHTS, judged, *later)
    assert len(home.night(judged, *later, contact._replace(item="c.example|tcp 443"))) == 1


@pytest.mark.parametrize(
    ("name", "stable"),
    [
        ("0.pool.example", "#.pool.example"),
        ("Edge-17.Content.example.", "edge-#.content.example"),
        ("a1b2c3d4e5f6.content.example", "*.content.example"),
        ("cloud.shelf-light.example", "cloud.shelf-light.example"),
        ("feedface.example", "feedface.example"),  # letters alone are a word
        (None, "(no name)"),
    ],
)
def test_counted_and_made_up_labels_are_levelled(name, stable):
    assert stable_name(name) == stable


def test_a_role_learnt_later_is_no_new_device():
    assert stable_device("device-9e85", False) == stable_device("phone-9e85", False) == "9e85"
    assert stable_device("phone-9e85a1b2", False) == "9e85"  # longer on a night with a second one
    assert stable_device("dev-ee9cf669", True) == "dev-ee9cf669"


def document_of(*contacts):
    """A redacted document with what ``read_night`` looks at (schema 1)."""
    light = {
        "device_id": LIGHT, "is_chosen": True, "nickname": "lamp \ud800", "hostnames": [], "roles": ["lighting"],
        "locally_administered": False, "software": [],
    }  # fmt: skip
    row = {
        "device_id": LIGHT, "initiator": "device", "transport": "tcp", "port": 443, "confidentiality": "tls",
        "application_protocol": "tls", "outcomes": {"established": 1},
    }  # fmt: skip
    return {
        "devices": [light], "services": [], "remote_contacts": [{**row, **contact} for contact in contacts],
        "local_contacts": [], "findings": [], "assessments": [], "captures": [],
        "coverage": {"abilities": [], "phases": []},
    }  # fmt: skip


def test_names_that_no_encoding_has_can_be_stored():
    night = read_night(document_of({"name": "a\udcff" + "x" * 9_000 + ".example"}))

    for trait in night.traits.values():
        assert all(len(field) < 2_000 for field in trait)
        "".join(trait).encode("utf-8")


def test_a_flood_of_names_is_bounded():
    night = read_night(document_of(*({"name": f"{'abcdefghij'[n % 10]}{'k' * (n // 10 % 200)}{n // 2000 * 'z'}.example"}
                                     for n in range(9_000))))  # fmt: skip

    assert len(night.traits) == MAX_TRAITS


def test_ways_of_one_contact():
    """Other addresses, other dynamic ports and other numbers in a name are one contact."""
    night = read_night(document_of(
        {"name": "edge-1.example", "port": 50_000}, {"name": "edge-2.example", "port": 60_000},
        {"name": None, "initiator": "remote", "port": 1}, {"name": None, "initiator": "remote", "port": 2},
    ))  # fmt: skip

    assert sorted(key[2] for key in night.traits if key[0] == "contact") == [
        "edge-#.example|tcp dynamic",
        "from outside",
    ]
