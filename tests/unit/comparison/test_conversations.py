"""
What became of a conversation.

Sources: house section 9 (the five states); RFC 9293 3.5 (an attempt is a SYN), RFC 1812 5.2.7.1 (prohibited); UDP has no answer
of its own (RFC 768), so that silence after silence shows nothing.
"""

import itertools

import pytest

from auditor.addresses import parse_address
from auditor.comparison.conversations import Side, compare_conversations, stopped_by
from auditor.comparison.model import Tries
from auditor.flows.flow import FlowOutcome
from tests.unit.comparison.pairs import ADDRESSES, device, flow, household

ANSWERED, SILENT = FlowOutcome.ESTABLISHED, FlowOutcome.UNANSWERED


def compared(before, after, *, second=None, wished=frozenset()):
    sides = [Side(household(), before, {}), Side(second or household(start=1000), after, {})]
    rows, left_out = compare_conversations(*sides, wished)
    assert left_out == 0
    return {(row.key.initiator, row.key.responder, row.key.port, row.key.family): row for row in rows}


def only(before, after, **fields):
    [row] = compared(before, after, **fields).values()
    return row


@pytest.mark.parametrize(
    ("before", "after", "state", "proven"),
    [
        (ANSWERED, ANSWERED, "works", False),
        (ANSWERED, SILENT, "stopped", True),
        (ANSWERED, FlowOutcome.REFUSED, "stopped", True),
        (ANSWERED, None, "not-tried", False),
        (None, ANSWERED, "new", False),
        (None, SILENT, "stopped", False),
        (None, FlowOutcome.PROHIBITED, "stopped", True),
        (SILENT, SILENT, "stopped", False),
        (SILENT, FlowOutcome.PROHIBITED, "stopped", True),
        (SILENT, ANSWERED, "works", False),
        (ANSWERED, FlowOutcome.MID_STREAM, "works", False),
    ],
)
def test_every_way_an_attempt_can_go(before, after, state, proven):
    row = only(*([] if one is None else [flow("light", "files", outcome=one)] for one in (before, after)))
    assert (row.state, row.proven) == (state, proven)


def test_every_pair_of_outcomes_has_one_state_and_none_passes_by_absence():
    for before, after in itertools.product([None, *FlowOutcome], repeat=2):
        if before is after is None:
            continue
        row = only(*([] if one is None else [flow("light", "files", outcome=one)] for one in (before, after)))
        assert (after is None) == (row.state == "not-tried")
        assert row.proven <= (row.state == "stopped")
        assert row.because


def test_families_are_rows_of_their_own():
    rows = compared(
        [flow("light", "files", family=family) for family in ("ipv4", "ipv6")],
        [flow("light", "files", outcome=SILENT), flow("light", "files", family="ipv6", number=2)],
    )
    assert rows["light", "files", 80, "ipv4"].state == "stopped"
    assert rows["light", "files", 80, "ipv6"].state == "works"


def test_silence_after_silence_over_udp_shows_nothing():
    ask = {"transport": "udp", "port": 5000, "outcome": SILENT}
    assert only([flow("light", "files", **ask)], [flow("light", "files", **ask)]).state == "not-visible"
    answered = flow("light", "files", transport="udp", port=5000)
    assert only([answered], [flow("light", "files", **ask)]).state == "stopped"


@pytest.mark.parametrize("abilities", [(), ("unicast-with-device",), ("both-directions",)])
def test_what_the_second_place_could_not_show_is_neither_stopped_nor_untried(abilities):
    blind = household(*(device(name, abilities=abilities) for name in ("light", "files")), start=1000)
    before = [flow("light", "files")]
    assert only(before, [flow("light", "files", outcome=SILENT)], second=blind).state == "not-visible"
    unseen = only(before, [], second=blind).state
    assert unseen == ("not-tried" if "unicast-with-device" in abilities else "not-visible")


def test_a_refusal_names_its_sender_where_that_is_visible():
    def told(refused_by, outcome=FlowOutcome.REFUSED):
        tried = flow("light", "files", outcome=outcome, refused_by=refused_by and parse_address(refused_by))
        row = only([flow("light", "files")], [tried])
        return stopped_by(row.after)

    assert "in the name of whom it was for" in told(ADDRESSES["files"][0])
    assert told(ADDRESSES["router"][0], FlowOutcome.PROHIBITED) == "the router said that it is prohibited"
    assert told(ADDRESSES["router"][0]) == "the router refused it"
    assert told(ADDRESSES["hub"][0]) == "refused by hub"
    assert "not visible" in stopped_by(Tries(flows=1))


def test_others_conversations_and_housekeeping_are_no_rows():
    """DHCP (RFC 2131) keeps a link running; what the phone does with the hub is nobody's business."""
    rows = compared([flow("phone", "hub"), flow("light", "router", port=67, transport="udp")], [])
    assert rows == {}


def test_where_the_other_end_is():
    rows = compared(
        [
            flow("light", "cloud", port=443),
            flow("light", "router", port=53, transport="udp"),
            flow("light", "files"),
        ],
        [],
    )
    assert {key[1]: row.place for key, row in rows.items()} == {
        "outside:198.51.100.80": "outside",
        "router": "router",
        "files": "home",
    }


def test_folded_rows_count_their_connections():
    row = only([flow("light", "hub", connections=60)], [flow("light", "hub", connections=40, outcome=SILENT)])
    assert (row.before.answered, row.after.flows, row.after.answered) == (60, 40, 0)
    assert row.because.startswith("tried 40 times")
