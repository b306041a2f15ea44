"""How figures, times and states of the document read in a sentence."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from auditor.flows.flow import is_regular

Document = dict[str, Any]

VANTAGES = {
    "on-path": "on the path: traffic of others passed the recorder in both directions",
    "own-access-point": "the recorder's own hotspot: the internet side is whole, the home side is missing",
    "own-host": "one computer's own traffic: what others say to each other is not in it",
    "multicast-only": "broadcast and multicast only: no talk between two devices is in it",
    "outside-nat": "outside the home router: a household total, no single device can be told apart",
    "wireless-encrypted": "encrypted radio frames: who and how much, but no content",
    "announcements-only": "announcements only: what devices say of themselves to everybody",
    "unknown": "unknown",
}

CONFIDENTIALITY = {
    "clear": "readable on the way",
    "tls": "encrypted (TLS)",
    "dtls": "encrypted (DTLS)",
    "quic": "encrypted (QUIC)",
    "unknown": "whether it is encrypted was not seen",
}

OUTCOMES = {
    "established": "answered",
    "mid-stream": "began before the recording",
    "unanswered": "not answered",
    "refused": "refused",
    "prohibited": "prohibited on the way",
}

NAME_SOURCES = {
    "dns": "name from its own lookup",
    "tls-sni": "name from the opening of TLS",
    "quic-sni": "name from the opening of QUIC",
    "http-host": "name from the HTTP request",
    "none": "name unknown",
}

PLACES = {
    "same-segment": "the same network segment",
    "other-segment": "another segment",
    "internet": "the internet",
}


def say(table: Mapping[str, str], word: str) -> str:
    """The sentence part for a word of the document; a word that is new here is said as it stands."""
    return table.get(word, word)


def duration(seconds: float) -> str:
    """Round to what a person would say: ``45 seconds``, ``10 minutes``, ``3 hours 20 minutes``."""
    if seconds < 0.5:
        return "less than a second"
    whole = round(seconds)
    days, rest = divmod(whole, 86_400)
    hours, rest = divmod(rest, 3_600)
    minutes, rest = divmod(rest, 60)
    parts = [(days, "day"), (hours, "hour"), (minutes, "minute"), (rest, "second")]
    said = [f"{number} {unit}{'' if number == 1 else 's'}" for number, unit in parts if number]
    return " ".join(said[:2])


def moment(text: str | None) -> str:
    """``2026-03-01 18:00:03.250 UTC`` from the document's RFC 3339; a time that is none is passed on."""
    if text is None:
        return "time unknown"
    if not text.endswith("Z") or "." not in text:
        return text
    whole, _, fraction = text[:-1].partition(".")
    return f"{whole.replace('T', ' ')}.{fraction[:3]} UTC"


def octets(number: int) -> str:
    """Decimal units (IEC 80000-13): ``812 octets``, ``1.2 kB``."""
    if number < 1_000:
        return f"{number} octets"
    value = float(number)
    for unit in ("kB", "MB", "GB"):
        value /= 1_000
        if value < 1_000:
            return f"{value:.1f} {unit}"
    return f"{value / 1_000:.1f} TB"


def period(found: Document | None) -> str:
    """The rhythm of starts, or nothing where there is none: a few starts in a row are no rhythm."""
    if found is None:
        return ""
    median, jitter = found["median_seconds"], found["jitter_seconds"]
    if not is_regular(median, jitter, found["count"]):
        return ""
    return f"every {median:.2f} s (+/- {jitter:.2f} s, {found['count']} starts)"


def outcomes(found: Document) -> str:
    """``answered 3, refused 1``."""
    return ", ".join(f"{OUTCOMES.get(outcome, outcome)} {count}" for outcome, count in found.items())


def was_answered(found: Document) -> bool:
    """Whether any flow got through, or was under way already."""
    return bool(found.get("established") or found.get("mid-stream"))


def sentence(text: str) -> str:
    """With a capital at its beginning and a full stop at its end."""
    text = text.strip()
    if not text:
        return ""
    return f"{text[0].upper()}{text[1:]}" + ("" if text[-1] in ".!?" else ".")


def joined(parts: list[str]) -> str:
    """Sentence parts that are not empty."""
    return "; ".join(part for part in parts if part)


def plural(number: int, noun: str) -> str:
    """``1 packet``, ``2 packets``."""
    return f"{number} {noun}{'' if number == 1 else 's'}"
