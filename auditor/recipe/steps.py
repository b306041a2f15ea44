"""
The list of actions: what to do in which minute, and the word that the home file and the recorder know it by.

Each action shows something that silence would leave open; the words are those
of ``auditor.inventory.timeline.KNOWN_ACTIONS``.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from auditor.home.model import Wish

NIGHT_HOURS = 8
"""Nobody acts, and what comes seldom has time to come."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One line of the list."""

    minute: int
    word: str | None
    """For the home file and for ``m`` while recording; None: nothing to note."""
    do: str
    shows: str


def list_steps(keep: Iterable[Wish]) -> tuple[Step, ...]:
    """The ten minutes; lines for wishes that nobody has are left out, the minutes stay."""
    wishes = set(keep)
    steps = [
        Step(minute=0, word=None, do="Start the recorder, and write down the time.", shows="the beginning"),
        Step(
            minute=0,
            word="power-on",
            do="Unplug the light, wait ten seconds, plug it in again. Then leave it alone for two minutes.",
            shows="what it asks when it joins: address, resolver, time, updates",
        ),
        Step(
            minute=3,
            word="app",
            do=(
                "With the phone on the same Wi-Fi as the light: light on, off, another colour, three "
                "times each, some seconds apart."
            ),
            shows="whether the app asks for a login, and whether it goes straight to the light",
        ),
        Step(
            minute=4,
            word="app-mobile",
            do=(
                "Switch the phone's Wi-Fi off (mobile data) and do the same again, if the app works from "
                "outside."
            ),
            shows="control through the internet; three orders or more, for only their rhythm tells",
        ),
    ]
    if wishes & {"hub-controls-light", "light-follows-hub"}:
        steps.append(
            Step(
                minute=5,
                word="hub",
                do="Let the hub switch the light, or a scene with it.",
                shows="who asks whom",
            )
        )
    if "voice" in wishes:
        steps.append(
            Step(
                minute=5,
                word="voice",
                do="Switch it by voice, three times.",
                shows="which way an order takes",
            )
        )
    if wishes & {"light-to-light", "light-follows-hub"}:
        steps.append(
            Step(
                minute=6,
                word="mirror",
                do="Change the other light that this one follows.",
                shows="the way by which it follows",
            )
        )
    if "show-data" in wishes:
        steps.append(
            Step(
                minute=6,
                word="show",
                do="Send lighting data for half a minute: a still picture, nothing that flashes.",
                shows="rate and way of the lighting data",
            )
        )
    steps += [
        Step(
            minute=7,
            word="cable-out",
            do=(
                "Pull the router's cable to the internet for one minute, and repeat the app's and the "
                "mirror's step."
            ),
            shows="what works at home without the internet",
        ),
        Step(
            minute=8,
            word="cable-in",
            do="Put the cable back.",
            shows="what it does when the internet returns",
        ),
        Step(
            minute=9,
            word=None,
            do="Touch nothing for the last minute.",
            shows="what it does while nobody acts",
        ),
        Step(minute=10, word=None, do="Stop the recorder.", shows="the end"),
    ]
    return tuple(steps)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wait:
    """How long something takes to show itself."""

    what: str
    minutes: float
    source: str


WAITS: tuple[Wait, ...] = (
    Wait(
        what="a light that asks its hub",
        minutes=10 / 60,
        source="a question a second or so (common practice)",
    ),
    Wait(what="names of hosts in announcements", minutes=2, source="120 seconds, RFC 6762 section 10"),
    Wait(what="the clock", minutes=1024 / 60, source="64 to 1024 seconds, RFC 5905 section 7.2"),
    Wait(
        what="a door kept open in the router",
        minutes=60,
        source="half of 7200 seconds, RFC 6886 section 3.3",
    ),
    Wait(what="other announcements", minutes=75, source="75 minutes, RFC 6762 section 10"),
    Wait(
        what="a lease renewed",
        minutes=12 * 60,
        source="half the lease, RFC 2131 section 4.4.5; leases of a day are common practice",
    ),
    Wait(what="a new temporary IPv6 address", minutes=24 * 60, source="one day, RFC 8981 section 3.8"),
    Wait(what="a look for updates", minutes=7 * 24 * 60, source="a day to a week (from memory)"),
)


def still_open(minutes: int) -> tuple[Wait, ...]:
    """What a recording of that length need not show."""
    return tuple(wait for wait in WAITS if wait.minutes > minutes)
