"""
What each place shows, against what is written about bridges, access points and groups.

RFC 4541 section 2.1.2 (groups withheld), RFC 9119 section 3 (groups over the
air); scenarios S01, S09 and S27; the rest is common practice, marked beside it.
"""

import pytest

from auditor.home.model import WISHES
from auditor.recipe.places import Shows, Sight, place_for, rank_places, wanted_sights
from auditor.recipe.situation import Link, PlaceId, Situation, System


def situation(*places, light=Link.WIFI, keep=("phone-control",)):
    return Situation(
        places=frozenset(places),
        system=System.LINUX,
        light_link=light,
        keep=keep,
        minutes=10,
        universes=0,
        interface=None,
        light=None,
        assumed=(),
    )


@pytest.mark.parametrize("light", Link)
def test_a_host_among_many_sees_no_unicast_of_others(light):
    """Scenario S01; RFC 4541 2.1.2 for the groups."""
    place = place_for(PlaceId.OWN_HOST, light)
    assert {sight for sight in Sight if place.shows[sight] is not Shows.NO} == {Sight.GROUPS, Sight.JOINING}
    assert any("RFC 4541" in limit for limit in place.limits)


def test_two_stations_of_one_access_point_may_pass_by_its_wire():
    """Common practice: an access point may forward between its own stations (needs section 2a)."""
    assert place_for(PlaceId.ROUTER, Link.WIFI).shows[Sight.PHONE] is Shows.PERHAPS
    assert place_for(PlaceId.MIRROR, Link.WIFI).shows[Sight.PHONE] is Shows.NO
    assert place_for(PlaceId.MIRROR, Link.WIRED).shows[Sight.PHONE] is Shows.YES
    assert place_for(PlaceId.ACCESS_POINT, Link.WIFI).shows[Sight.LIGHTS] is Shows.YES


def test_a_hotspot_has_the_internet_side_whole_and_the_home_side_by_invitation():
    """Scenario S09; house section 5, own-access-point."""
    place = place_for(PlaceId.HOTSPOT, Link.WIFI)
    assert place.shows[Sight.INTERNET] is Shows.YES
    assert place.shows[Sight.HUB] is Shows.PERHAPS
    assert "not on this network" in " ".join(place.limits)


def test_a_wired_light_joins_no_hotspot():
    place = place_for(PlaceId.HOTSPOT, Link.WIRED)
    assert set(place.shows.values()) == {Shows.NO}


def test_the_place_that_shows_more_of_what_is_wanted_comes_first():
    order = [place.place_id for place in rank_places(situation(*PlaceId, light=Link.WIRED))]
    assert order[0] in {PlaceId.ROUTER, PlaceId.MIRROR}
    assert order[-1] in {PlaceId.OWN_HOST, PlaceId.HOTSPOT}


def test_between_equal_places_the_one_of_less_trouble_comes_first():
    order = [place.place_id for place in rank_places(situation(PlaceId.ACCESS_POINT, PlaceId.HOTSPOT))]
    assert order == [PlaceId.HOTSPOT, PlaceId.ACCESS_POINT, PlaceId.OWN_HOST]


def test_a_light_that_is_driven_by_other_lights_is_not_recorded_at_a_hotspot():
    order = rank_places(situation(PlaceId.ACCESS_POINT, PlaceId.HOTSPOT, keep=("light-to-light",)))
    assert order[0].place_id is PlaceId.ACCESS_POINT


def test_the_own_host_is_always_there_and_never_first_beside_another():
    for place_id in PlaceId:
        places = rank_places(situation(place_id))
        assert places[-1].place_id is PlaceId.OWN_HOST or place_id is PlaceId.OWN_HOST


def test_every_wish_needs_something_to_be_seen():
    for wish in WISHES:
        assert wanted_sights([wish])


@pytest.mark.parametrize("place_id", PlaceId)
@pytest.mark.parametrize("light", Link)
def test_what_is_not_shown_for_certain_is_explained(place_id, light):
    place = place_for(place_id, light)
    assert (min(place.shows.values()) is Shows.YES) == (not place.limits) or place_id is PlaceId.ACCESS_POINT
