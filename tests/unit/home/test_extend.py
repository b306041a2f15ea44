"""A home file that is added to keeps every line of its writer (issue: comments kept when it is written again)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from auditor.addresses import parse_link
from auditor.errors import HomeError
from auditor.home.extend import Additions, extend_home
from auditor.home.loader import parse_home
from auditor.home.model import Action, HomeDevice, Keep

WRITTEN = """\
# our home
devices:  # all of them
  - {link_address: "02:00:5e:10:00:21", role: lighting, nickname: On}   # the shelf
  - link_address: 02:00:5e:10:00:30  # the hub
    role: hub
    # it moves in spring

keep: [phone-control, {wish: light-follows-hub, from: On}]  # must go on
router: guest   # bought last year
actions:
- {at: 2026-03-14T19:00:20.123456789Z, what: 5.10}
accepted:
  - {rule: version-disclosed, because: 0x1F, until: 2027-01-01}

# the end
"""
LIGHT = HomeDevice(link_address=parse_link("02:00:5e:10:00:40"), role="lighting", nickname="the # lamp: 'x'")
FOLLOW = Keep(wish="updates", from_device=None, to_device=None)
PRESS = Action(at_ns=1_773_514_900_000_000_001, what='app: "on"')


def added(text, **parts):
    return extend_home(text, "home.yaml", Additions(**parts))


def test_every_written_line_stays_and_stands_in_order():
    after = added(WRITTEN, devices=(LIGHT,), keep=(FOLLOW,), actions=(PRESS,)).splitlines()
    before = [line for line in WRITTEN.splitlines() if line and not line.startswith("keep")]
    places = [after.index(line) for line in before]
    assert places == sorted(places)
    assert len(after) == len(WRITTEN.splitlines()) + 2
    assert "keep: [phone-control, {wish: light-follows-hub, from: On}, updates]  # must go on" in after


def test_what_was_added_is_read_back():
    home = parse_home(
        added(WRITTEN, devices=(LIGHT,), keep=(FOLLOW,), actions=(PRESS,), router="vlan").encode(), "x"
    )
    assert home.devices[-1] == LIGHT
    assert FOLLOW in home.keep
    assert PRESS in home.actions
    assert home.router == "vlan"


def test_a_word_is_replaced_and_its_comment_stays():
    assert "router: vlan   # bought last year" in added(WRITTEN, router="vlan")


def test_nothing_to_add_changes_nothing():
    assert (
        added(WRITTEN, router="guest", keep=(Keep(wish="phone-control", from_device=None, to_device=None),))
        == WRITTEN
    )


def test_a_new_file():
    text = added("", devices=(LIGHT,), keep=(FOLLOW,), router="nothing")
    assert parse_home(text.encode(), "x").devices == (LIGHT,)


@pytest.mark.parametrize(
    "text", ["keep: []\n", "keep: [ ]", "keep:\n- voice", "keep: [voice,]\n", "keep: [\n  voice, # a\n]\n"]
)
def test_lists_of_every_style(text):
    assert FOLLOW in parse_home(added(text, keep=(FOLLOW,)).encode(), "x").keep


def test_a_file_that_is_no_home_file_is_refused_with_its_place():
    with pytest.raises(HomeError, match=r"home\.yaml:1:1"):
        added("kep: [voice]\n", keep=(FOLLOW,))


def test_a_second_name_for_one_device_is_refused():
    twice = HomeDevice(link_address=parse_link("02:00:5e:10:00:30"), role="lighting", nickname="other")
    with pytest.raises(HomeError, match="once"):
        added(WRITTEN, devices=(twice,))


def test_braces_around_the_whole_file_are_refused_and_not_broken():
    with pytest.raises(HomeError, match="by hand"):
        added("{keep: [voice]}\n", router="vlan")


@given(st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=80))
def test_any_word_of_the_user_is_kept(what):
    action = Action(at_ns=7, what=what)
    try:
        text = added(WRITTEN, actions=(action,))
    except HomeError:
        return  # YAML cannot hold it (control characters), or the loader refuses it: said, not damaged
    assert action in parse_home(text.encode(), "x").actions
