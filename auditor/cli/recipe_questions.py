"""The questions of ``auditor recipe``: each word to answer with has a line of its own."""

from __future__ import annotations

from collections.abc import Mapping

from auditor.home.model import WISHES, Wish
from auditor.recipe.situation import DEFAULT_KEEP

SEVERAL = "One word, or several apart by spaces:"

_PLACES: Mapping[str, str] = {
    "router": "the router can record by itself",
    "mirror": "a switch can mirror a port to this computer",
    "access-point": "the access point can record by itself",
    "hotspot": "this computer has a cable to the router, and a Wi-Fi to open",
    "own-host": "nothing of these: it is one computer among others",
}
_ROUTER: Mapping[str, str] = {
    "nothing": "all devices are in one network",
    "guest": "it has a guest network",
    "vlan": "it can make segments of their own",
    "unknown": "leave it open",
}
_WISHES: Mapping[Wish, str] = {
    "phone-control": "the app on a phone at home",
    "voice": "orders by voice",
    "discovery": "the app finds the light by itself",
    "hub-controls-light": "a hub switches the light",
    "light-follows-hub": "the light asks a hub and follows it",
    "light-to-light": "one light follows another",
    "show-data": "lighting data from a show computer",
    "cloud": "the app from outside, through the internet",
    "time": "the light knows the time",
    "updates": "the light updates itself",
    "separation": "the lights stay apart from the computers at home",
}


def _question(asked: str, words: Mapping[str, str], usual: str) -> str:
    """The usual answer stands last, in brackets: an empty line takes it."""
    width = max(map(len, words)) + 2
    lines = [f"  {word:<{width}}{meaning}" for word, meaning in words.items()]
    return "\n".join([asked, *lines, f"[{usual}]"])


PLACE_QUESTION = _question(f"Where could you record? {SEVERAL}", _PLACES, "own-host")
LINK_QUESTION = "How is the light connected: wifi or wired? [wifi]"
KEEP_QUESTION = _question(
    f"What must go on working? {SEVERAL}",
    {wish: _WISHES[wish] for wish in WISHES},
    " ".join(DEFAULT_KEEP),
)
ROUTER_QUESTION = _question("What can your router do to keep devices apart? One word:", _ROUTER, "unknown")
