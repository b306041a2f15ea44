"""What the recording could not show, in words for somebody who did not make it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from auditor.inventory.abilities import QUESTIONS
from auditor.report.catalogue import Catalogue

Document = dict[str, Any]

MAX_SENTENCES = 4
"""More than that nobody reads; the long report has them all."""

_KEYS: Mapping[str, str] = {question: ability for ability, question in QUESTIONS.items()} | {
    "Who at home talks to the device?": "home-side",
    "Which device is it?": "which-device",
    "Is the light controlled through the internet?": "cloud",
}
_ORDER = (
    "which-device", "unicast-with-device", "home-side", "control-seen", "joining-seen", "cloud", "idle-seen",
    "both-directions", "names-visible", "payload-visible", "multicast-visible",
)  # fmt: skip
_PLACES = frozenset({"own-host", "multicast-only", "outside-nat", "wireless-encrypted", "announcements-only"})


def place(document: Document) -> str:
    """Why nothing could be judged, as a key: the place of the recording, no light in it, or ``other``."""
    vantage: str = document["coverage"]["vantage"]
    if not any(device["is_chosen"] for device in document["devices"]):
        return vantage if vantage in _PLACES - {"own-host"} else "no-light"
    return vantage if vantage in _PLACES else "other"


def sentences(document: Document, words: Catalogue) -> tuple[str, ...]:
    """At least one: encrypted talk and other radios are never visible."""
    open_keys = {
        _KEYS[entry["question"]]
        for entry in document["coverage"]["could_not_see"]
        if entry["question"] in _KEYS
    }
    if "unicast-with-device" in open_keys:  # the others follow from it and say nothing more
        open_keys -= {"both-directions", "names-visible", "payload-visible", "control-seen"}
    said = [words.say(f"page.unseen.{key}") for key in _ORDER if key in open_keys]
    return (*said[: MAX_SENTENCES - 1], words.say("page.unseen.always"))
