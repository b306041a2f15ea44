"""From options, the home file and answers on the terminal to a situation."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path
from typing import cast

from auditor.addresses import LinkAddress, is_group_link, parse_link
from auditor.cli.ask import can_ask, choose, choose_several
from auditor.cli.recipe_questions import (
    KEEP_QUESTION,
    LINK_QUESTION,
    PLACE_QUESTION,
    ROUTER_QUESTION,
)
from auditor.errors import UsageError
from auditor.home.extend import Additions
from auditor.home.loader import load_home
from auditor.home.model import WISHES, Home, HomeDevice, Wish
from auditor.home.model import Keep as HomeKeep
from auditor.recipe.situation import (
    DEFAULT_KEEP,
    DEFAULT_MINUTES,
    MAX_MINUTES,
    Link,
    PlaceId,
    Situation,
    System,
)
from auditor.settings.problems import nearest, shown

MAX_UNIVERSES = 63_999
"""ANSI E1.31 section 6.2.7: universe numbers run from 1 to 63,999."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """Options as typed; None: not given."""

    places: list[PlaceId] | None
    system: System | None
    light_link: Link | None
    router: str | None
    keep: list[str] | None
    minutes: int | None
    universes: int
    interface: str | None
    device: str | None
    home: Path | None
    home_file: Path | None
    """That the commands to type name."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answers:
    """For the recipe, and for the home file."""

    situation: Situation
    additions: Additions


def gather(given: Given) -> Answers:
    """Ask for what no option and no home file says; without a terminal take the usual, and say so."""
    home = Home() if given.home is None else load_home(given.home)
    asking = can_ask()
    assumed: list[str] = []
    light = _light(given.device, home)
    places = _places(given, assumed, asking=asking)
    link = Link(_word(given.light_link, LINK_QUESTION, tuple(Link), Link.WIFI, assumed, asking=asking))
    system = given.system or _this_system()
    keep = _keep(given, home, assumed, asking=asking)
    router = given.router or home.router
    if router is None and asking:
        router = choose(ROUTER_QUESTION, ("nothing", "guest", "vlan", "unknown"), "unknown")
    universes = given.universes or (1 if "show-data" in keep else 0)
    if not 0 <= universes <= MAX_UNIVERSES:
        raise UsageError("--universes", f"expected 0 to {MAX_UNIVERSES:,}, found {universes}")
    minutes = DEFAULT_MINUTES if given.minutes is None else given.minutes
    if not 1 <= minutes <= MAX_MINUTES:
        raise UsageError("--minutes", f"expected 1 to {MAX_MINUTES:,}, found {minutes}")
    situation = Situation(
        places=frozenset(places),
        system=system,
        light_link=link,
        keep=keep,
        minutes=minutes,
        universes=universes,
        interface=given.interface,
        light=light,
        assumed=tuple(assumed),
        home_file=None if given.home_file is None else given.home_file.as_posix(),
    )
    return Answers(situation=situation, additions=_additions(situation, router, home))


def _places(given: Given, assumed: list[str], *, asking: bool) -> list[PlaceId]:
    if given.places is not None:
        return given.places
    if asking:
        return [PlaceId(word) for word in choose_several(PLACE_QUESTION, tuple(PlaceId), (PlaceId.OWN_HOST,))]
    assumed.append(
        "Nobody said where recording is possible (--place); a hotspot of this computer is what most "
        "people can reach."
    )
    return [PlaceId.HOTSPOT]


def _word(
    said: str | None, question: str, words: tuple[str, ...], usual: str, assumed: list[str], *, asking: bool
) -> str:
    if said is not None:
        return said
    if asking:
        return choose(question, words, usual)
    assumed.append(f"The light is connected by {usual} (--light).")
    return usual


def _keep(given: Given, home: Home, assumed: list[str], *, asking: bool) -> tuple[Wish, ...]:
    if given.keep is not None:
        for word in given.keep:
            if word not in WISHES:
                raise UsageError("--keep", f"expected a wish, found {shown(word)}{nearest(word, WISHES)}")
        return tuple(wish for wish in WISHES if wish in given.keep)
    if home.keep:
        return tuple(wish for wish in WISHES if wish in {keep.wish for keep in home.keep})
    if asking:
        return cast("tuple[Wish, ...]", choose_several(KEEP_QUESTION, WISHES, DEFAULT_KEEP))
    assumed.append(f"What must go on working: {', '.join(DEFAULT_KEEP)} (--keep).")
    return DEFAULT_KEEP


def _light(written: str | None, home: Home) -> LinkAddress | None:
    if written is None:
        lights = [device.link_address for device in home.devices if device.role == "lighting"]
        return lights[0] if len(lights) == 1 else None
    for device in home.devices:
        if device.nickname is not None and device.nickname.casefold() == written.casefold():
            return device.link_address
    try:
        link = parse_link(written)
    except ValueError as error:
        raise UsageError(
            "--device", f"expected a link address or a nickname, found {shown(written)}"
        ) from error
    if is_group_link(link):
        raise UsageError("--device", f"expected the link address of one device, found {shown(written)}")
    return link


def _this_system() -> System:
    return {"darwin": System.MACOS, "win32": System.WINDOWS}.get(sys.platform, System.LINUX)


def _additions(situation: Situation, router: str | None, home: Home) -> Additions:
    known = {device.link_address for device in home.devices}
    light = situation.light
    devices: tuple[HomeDevice, ...] = ()
    if light is not None and light not in known:
        devices = (HomeDevice(link_address=light, role="lighting", nickname=None),)
    wished = {keep.wish for keep in home.keep}
    return Additions(
        devices=devices,
        keep=tuple(
            HomeKeep(wish=wish, from_device=None, to_device=None)
            for wish in situation.keep
            if wish not in wished
        ),
        router=router if router in {"nothing", "guest", "vlan"} else None,  # type: ignore[arg-type]  # narrowed by the line itself
    )
