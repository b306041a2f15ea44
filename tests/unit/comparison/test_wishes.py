"""
What became of a wish: kept where every recorded way works over a family, lost where one is stopped, else not tried.

Sources: house section 9 (the three states); RFC 8305 (a client tries both families, so one that works is enough); scenarios S32
and S36.
"""

import itertools

import pytest

from auditor.comparison.wishes import KeptWish, judge_wishes, leave_untried
from tests.unit.comparison.pairs import keep, row

STATES = ("stopped", "works", "new", "not-tried", "not-visible")


def judged(wish, *rows, **fields):
    bound = KeptWish(
        keep(wish), False, frozenset(one.key for one in rows if one.wished), fields.get("problem")
    )
    [change] = judge_wishes([bound], rows, str)
    return change.state, change.because


def ways(*states):
    return [row("light", "hub", state, port=8000 + place) for place, state in enumerate(states)]


@pytest.mark.parametrize("states", list(itertools.product(STATES, repeat=2)), ids="+".join)
def test_two_ways(states):
    state, because = judged("light-follows-hub", *ways(*states))
    if "stopped" in states:
        assert state == "lost"
    elif set(states) <= {"works", "new"}:
        assert state == "kept"
    else:
        assert state == "not-tried"
    for place, one in enumerate(states):
        assert f"port 800{place}" in because
        assert (f"port 800{place}, IPv4 works" in because) == (one in {"works", "new"})


def test_a_partly_lost_wish_names_which_way_works_and_the_one_exception():
    state, because = judged("light-follows-hub", *ways("stopped", "works"))
    assert state == "lost"
    assert "accept light to hub, tcp port 8000, IPv4" in because
    assert "light to hub, tcp port 8001, IPv4 works" in because
    assert "accept light to hub, tcp port 8001" not in because


@pytest.mark.parametrize(
    ("fourth", "sixth", "state"),
    [
        ("works", "stopped", "kept"),
        ("stopped", "works", "kept"),
        ("stopped", "stopped", "lost"),
        ("stopped", "not-tried", "lost"),
        ("not-tried", "works", "kept"),
        ("not-tried", "not-tried", "not-tried"),
    ],
)
def test_one_family_is_enough_for_a_way(fourth, sixth, state):
    rows = [row("phone", "light", one, family=family) for one, family in ((fourth, "ipv4"), (sixth, "ipv6"))]
    told, because = judged("phone-control", *rows)
    assert told == state
    if "stopped" in {fourth, sixth}:
        assert "is stopped" in because  # told, even where the other family makes up for it


def test_another_clock_is_as_good():
    """Pools give another server each time (RFC 5905 section 3 speaks of any number of them)."""
    rows = [
        row("light", f"outside:{name}.pool.example", state, port=123, transport="udp", place="outside")
        for name, state in (("0", "not-tried"), ("1", "new"))
    ]
    assert judged("time", *rows)[0] == "kept"
    assert judged("cloud", *rows)[0] == "not-tried"


def test_what_was_never_answered_before_is_no_way_that_could_be_lost():
    assert judged("light-follows-hub", row("light", "hub", "stopped", before=False))[0] == "not-tried"


def test_nothing_recorded_is_never_kept():
    state, because = judged("voice", problem="no hub is in this recording")
    assert (state, because) == ("not-tried", "no hub is in this recording")
    assert judged("cloud")[0] == "not-tried"


def test_separation_is_judged_by_rules():
    bound = KeptWish(keep("separation"), False, frozenset(), None)
    assert judge_wishes([bound], [], str) == ()
    assert leave_untried([bound]) == ()


def test_where_nothing_is_compared_no_wish_is_kept():
    bound = KeptWish(keep("phone-control"), True, frozenset(), None)
    [change] = leave_untried([bound])
    assert (change.state, change.is_assumed) == ("not-tried", True)


def test_a_group_is_lost_where_the_light_was_driven_and_said_nothing():
    """S36: an access point that parts its clients passes nothing on to them."""
    silent = row("light", "group:239.1.2.3", "not-tried", port=21324, transport="udp", place="group")
    driven = row("phone", "light", "works", wished=False)
    assert judged("light-to-light", silent, driven)[0] == "lost"
    assert judged("light-to-light", silent)[0] == "not-tried"
