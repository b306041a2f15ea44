"""
What each place of recording shows of a light, and what it cannot show.

Sources: RFC 4541 section 2.1.2 (a switch floods 224.0.0.x and withholds other
groups from those who did not join), RFC 9119 section 3 (groups over the air);
the rest is common practice of bridges and access points: unicast between two
stations of one access point need not reach its wired side, a monitored port
gets both ways, a host of a protected network sees only its own unicast.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import IntEnum, StrEnum

from auditor.home.model import Wish
from auditor.recipe.situation import Link, PlaceId, Situation


class Sight(StrEnum):
    """What somebody wants to see of the light."""

    INTERNET = "internet"
    PHONE = "phone"
    HUB = "hub"
    LIGHTS = "lights"
    SHOW = "show"
    GROUPS = "groups"
    JOINING = "joining"


class Shows(IntEnum):
    """Whether a place shows it; ordered, so that more is better."""

    NO = 0
    PERHAPS = 1
    YES = 2


SIGHT_WORDS: Mapping[Sight, str] = {
    Sight.INTERNET: "whom the light contacts outside, and who calls it from there",
    Sight.PHONE: "how a phone at home controls it",
    Sight.HUB: "its talk with the hub",
    Sight.LIGHTS: "its talk with other lights",
    Sight.SHOW: "lighting data that is sent to it",
    Sight.GROUPS: "what it announces to everybody and to groups",
    Sight.JOINING: "what it does when it starts and joins the network",
}

ALWAYS: tuple[Sight, ...] = (Sight.INTERNET, Sight.GROUPS, Sight.JOINING)
_WISH_SIGHTS: Mapping[Wish, Sight] = {
    "phone-control": Sight.PHONE,
    "voice": Sight.HUB,
    "discovery": Sight.GROUPS,
    "hub-controls-light": Sight.HUB,
    "light-follows-hub": Sight.HUB,
    "light-to-light": Sight.LIGHTS,
    "show-data": Sight.SHOW,
    "cloud": Sight.INTERNET,
    "time": Sight.INTERNET,
    "updates": Sight.INTERNET,
    "separation": Sight.GROUPS,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """One place, for one light."""

    place_id: PlaceId
    title: str
    effort: int
    """Rank of the trouble it makes, 1 the least; between places that show the same the smaller one wins."""
    how: str
    shows: Mapping[Sight, Shows]
    limits: tuple[str, ...]
    """What it cannot show and why, in words."""

    def score(self, wanted: Iterable[Sight]) -> int:
        """How much of what is wanted it shows."""
        return sum(self.shows[sight] for sight in wanted)


def wanted_sights(keep: Iterable[Wish]) -> tuple[Sight, ...]:
    """What must be seen for these wishes, and what every audit wants to see."""
    wanted = {*ALWAYS, *(_WISH_SIGHTS[wish] for wish in keep)}
    return tuple(sight for sight in Sight if sight in wanted)


def rank_places(situation: Situation) -> list[Place]:
    """The places at hand, best first."""
    wanted = wanted_sights(situation.keep)
    places = [place_for(place_id, situation.light_link) for place_id in {*situation.places, PlaceId.OWN_HOST}]
    return sorted(places, key=lambda place: (-place.score(wanted), place.effort))


def place_for(place_id: PlaceId, light: Link) -> Place:
    """What a place shows of a light that is connected like this."""
    return _BUILDERS[place_id](light is Link.WIFI)


_BESIDE_THE_WIRE = (
    "Unicast between two devices of one access point may never leave it: a phone or another light on the "
    "same Wi-Fi can talk to this light unseen. Test it: switch the light with the phone and run 'auditor "
    "check'."
)


def _all(shows: Shows) -> dict[Sight, Shows]:
    return dict.fromkeys(Sight, shows)


def _router(is_wifi: bool) -> Place:
    beside = Shows.PERHAPS if is_wifi else Shows.YES
    return Place(
        place_id=PlaceId.ROUTER,
        title="on the router itself",
        effort=2,
        how=(
            "Record on the router's inner interface (the bridge of the home network), not on the one to "
            "the internet. Switch its acceleration of forwarding off meanwhile: accelerated connections "
            "go round the recorder after their first packets."
        ),
        shows={**_all(Shows.YES), Sight.PHONE: beside, Sight.LIGHTS: beside, Sight.SHOW: beside},
        limits=(_BESIDE_THE_WIRE,) if is_wifi else (),
    )


def _mirror(is_wifi: bool) -> Place:
    beside = Shows.NO if is_wifi else Shows.YES
    what = "the access point" if is_wifi else "the light"
    return Place(
        place_id=PlaceId.MIRROR,
        title="at a mirror port of a switch",
        effort=3,
        how=(
            f"Let the switch mirror the port of {what}, both directions, to the port of this computer. "
            "Mirror this one port only: two mirrored ports show every packet twice."
        ),
        shows={
            **_all(Shows.YES),
            Sight.LIGHTS: beside,
            Sight.PHONE: beside,
            Sight.SHOW: Shows.PERHAPS if is_wifi else Shows.YES,
        },
        limits=(
            (
                _BESIDE_THE_WIRE,
                "What two stations of the same access point say to each other never passes this port.",
            )
            if is_wifi
            else ()
        ),
    )


def _access_point(is_wifi: bool) -> Place:
    if is_wifi:
        shows, limits = _all(Shows.YES), ("What wired devices say to each other does not pass it.",)
    else:
        shows = {**_all(Shows.NO), Sight.PHONE: Shows.YES, Sight.GROUPS: Shows.PERHAPS}
        limits = ("The light is wired: only what wireless devices say to it passes the access point.",)
    return Place(
        place_id=PlaceId.ACCESS_POINT,
        title="on the access point",
        effort=3,
        how="Record on the access point's wireless interface, the one to which the light is connected.",
        shows=shows,
        limits=limits,
    )


def _hotspot(is_wifi: bool) -> Place:
    joins = Shows.YES if is_wifi else Shows.NO
    return Place(
        place_id=PlaceId.HOTSPOT,
        title="at a hotspot of this computer",
        effort=1,
        how=(
            "Let this computer be the light's access point: computer on the router by cable, its Wi-Fi "
            "opened as a hotspot, the light joined to it, and for the test the phone too. Record on the "
            "hotspot's interface."
        ),
        shows={
            Sight.INTERNET: joins,
            Sight.PHONE: joins,
            Sight.HUB: Shows.PERHAPS if is_wifi else Shows.NO,
            Sight.LIGHTS: Shows.PERHAPS if is_wifi else Shows.NO,
            Sight.SHOW: Shows.PERHAPS if is_wifi else Shows.NO,
            Sight.GROUPS: joins,
            Sight.JOINING: joins,
        },
        limits=(
            (
                (
                    "The rest of the home is not on this network: a hub, another light or a show computer "
                    "can reach the light only if it joins the hotspot too. A light that asks the hub by "
                    "itself can usually do so from here, for the hub lies upstream."
                ),
            )
            if is_wifi
            else ("A wired light does not join a hotspot.",)
        ),
    )


def _own_host(is_wifi: bool) -> Place:
    del is_wifi
    return Place(
        place_id=PlaceId.OWN_HOST,
        title="on this computer as one of many in the network",
        effort=0,
        how=(
            "Record announcements only. This shows which services the light announces, its names and "
            "addresses, and nothing of whom it talks to."
        ),
        shows={**_all(Shows.NO), Sight.GROUPS: Shows.PERHAPS, Sight.JOINING: Shows.PERHAPS},
        limits=(
            (
                "The light's talk with router, internet, phone and hub cannot be in such a recording: on "
                "Wi-Fi each station has a key of its own, and a switch sends unicast only where it "
                "belongs."
            ),
            (
                "Groups that this computer did not join, lighting data among them, may be withheld (RFC "
                "4541 2.1.2)."
            ),
        ),
    )


_BUILDERS = {
    PlaceId.ROUTER: _router,
    PlaceId.MIRROR: _mirror,
    PlaceId.ACCESS_POINT: _access_point,
    PlaceId.HOTSPOT: _hotspot,
    PlaceId.OWN_HOST: _own_host,
}
