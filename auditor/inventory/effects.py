"""
What a request does to a device, by its method and the words in its path and keys.

Standard: RFC 9110 section 9 (methods; 9.2.1: GET and HEAD are meant to change nothing).

The words are plain terms of the trade (common practice), matched whole, never
as parts of other words.  Values are not looked at: the dissectors do not hand
them on.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterable
from functools import lru_cache

from auditor.dissect.protocols.http import HttpRequest

LIGHT_WORDS = frozenset(
    [
        "on",
        "off",
        "bri",
        "brightness",
        "color",
        "colour",
        "colors",
        "colours",
        "rgb",
        "rgbw",
        "hsv",
        "hsl",
        "hue",
        "sat",
        "saturation",
        "ct",
        "xy",
        "effect",
        "effects",
        "preset",
        "presets",
        "palette",
        "scene",
        "scenes",
        "state",
        "power",
        "dim",
        "dimmer",
        "level",
        "transition",
        "toggle",
        "turn",
        "speed",
        "intensity",
        "pattern",
        "segment",
        "seg",
        "light",
        "lights",
        "lamp",
        "lamps",
        "led",
        "leds",
        "pixel",
        "pixels",
        "playlist",
    ]
)
"""Keys and path segments with which lights are driven."""

QUERY_LIGHT_WORDS = LIGHT_WORDS - {
    "state", "level", "segment", "seg", "light", "lights", "lamp", "lamps", "led", "leds", "pixel", "pixels",
    "effects", "presets", "scenes", "colors", "colours", "playlist",
}  # fmt: skip
"""Those that change something even in the query of a GET: the others may select what is read."""

CONFIGURATION_WORDS = frozenset(
    [
        "wifi",
        "wlan",
        "ssid",
        "network",
        "password",
        "passwd",
        "passphrase",
        "psk",
        "mqtt",
        "broker",
        "setting",
        "settings",
        "config",
        "configuration",
        "cfg",
        "admin",
        "account",
        "gateway",
        "dns",
        "ntp",
        "timezone",
        "latitude",
        "longitude",
        "hostname",
        "reboot",
        "restart",
        "reset",
        "factory",
        "security",
        "credentials",
        "setup",
        "provisioning",
        "commissioning",
        "accesspoint",
    ]
)
"""Keys and path segments with which a device is set up."""

DISCLOSING_WORDS = frozenset(
    [
        "ssid",
        "bssid",
        "wifi",
        "wlan",
        "psk",
        "password",
        "passphrase",
        "mqtt",
        "broker",
        "latitude",
        "longitude",
        "location",
        "account",
        "email",
        "gateway",
    ]
)
"""Keys of an answer that disclose network name, place, broker or account settings."""

FIRMWARE_WORDS = frozenset(["firmware", "ota", "upgrade", "update", "flash"])
FIRMWARE_ENDINGS = frozenset(["bin", "img", "fw", "ota", "hex", "uf2", "gbl"])
"""Of the names of uploaded files (common practice)."""
UPLOAD_TYPES = frozenset({"application/octet-stream", "multipart/form-data"})
READING_WORDS = frozenset(
    ["get", "list", "read", "query", "status", "info", "subscribe", "ping", "discover", "version", "check"]
)
"""In the name of a call: it asks, and changes nothing (common practice)."""
COLLECTION_WORDS = frozenset({"lights", "lamps", "luminaires"})
"""Path segments behind which a hub numbers the lights that it serves."""
LOGIN_WORDS = frozenset(["login", "logon", "signin", "auth", "authenticate", "session", "sessions"])
PASSWORD_WORDS = frozenset(["password", "passwd", "pass", "pin"])
CREDENTIAL_WORDS = PASSWORD_WORDS | {"user", "username", "name", "email", "account", "remember", "csrf", "me"}
"""Keys of a form that asks to be let in and nothing else (common practice)."""

READING_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})

MAX_REMEMBERED_SHAPES = 1024  # shapes of requests whose effect is kept; a home has dozens
VOCABULARY = (
    LIGHT_WORDS | CONFIGURATION_WORDS | DISCLOSING_WORDS | FIRMWARE_WORDS | READING_WORDS | LOGIN_WORDS
    | CREDENTIAL_WORDS
)  # fmt: skip
"""Every word that tells an effect: none of them names a person or a place."""

MAX_WORDS = 256  # of one request; a longer list of keys is not read further
MAX_PATH_SEGMENTS = 12  # kept of a path; deeper ones are written "…"
MAX_SEGMENT_CHARACTERS = 40  # longer ones are identifiers

_SPLIT = re.compile(r"[^a-z]+")
_CAMEL = re.compile(r"(?<=[a-z])(?=[A-Z])")


def words_of(names: Iterable[str]) -> set[str]:
    """The separate words of keys and segments: ``wifi.apPassword`` gives wifi, ap, password."""
    words: set[str] = set()
    for count, name in enumerate(names):
        if count >= MAX_WORDS:
            break
        words.update(_SPLIT.split(_CAMEL.sub(" ", name[:256]).lower()))
    words.discard("")
    return words


def effect_of(request: HttpRequest) -> str:
    """What a request does, by its shape; pollers repeat theirs, so that the answers are kept."""
    effect = effect_of_parts(
        request.method, request.path, request.query_keys, request.body_keys, request.content_type
    )
    if FIRMWARE_ENDINGS.intersection(request.uploads):
        return "firmware"
    if effect == "read" and request.rpc is not None and request.rpc.has_method:
        return effect_of_words(request.body_keys, request.rpc.method)
    return effect


@lru_cache(MAX_REMEMBERED_SHAPES)
def effect_of_words(keys: tuple[str, ...], method: str | None) -> str:
    """
    What a message does that has no method of a transfer protocol, by its names and the name of a call.

    A call that reads by its name reads, whatever it names besides.
    """
    called = words_of((method,)) if method is not None else set()
    if called & READING_WORDS:
        return "read"
    if called & FIRMWARE_WORDS:
        return "firmware"
    words = words_of(keys) | called
    if words & CONFIGURATION_WORDS:
        return "configuration"
    return "light" if words & LIGHT_WORDS else "read"


@lru_cache(MAX_REMEMBERED_SHAPES)
def effect_of_parts(
    method: str,
    path_text: str,
    query_keys: tuple[str, ...],
    body_keys: tuple[str, ...],
    content_type: str | None,
) -> str:
    """
    ``read``, ``light``, ``configuration`` or ``firmware``.

    A write none of whose words is known counts as ``read``: that something was
    changed was not seen, and the operation names the method.
    """
    path = words_of(path_text.split("/"))
    query = words_of(query_keys)
    body = words_of(body_keys)
    if method in READING_METHODS:
        # Hobby controllers often take orders in the query of a GET, against RFC 9110 9.2.1 (common practice).
        if method == "GET" and query & QUERY_LIGHT_WORDS and not path & CONFIGURATION_WORDS:
            return "light"
        return "read"
    if path & LOGIN_WORDS and body & PASSWORD_WORDS and body <= CREDENTIAL_WORDS:
        return "read"  # a login changes nothing; one that also sets something has further keys
    uploads = content_type in UPLOAD_TYPES
    if path & FIRMWARE_WORDS and (uploads or not body):
        return "firmware"
    if (path | body | query) & CONFIGURATION_WORDS:
        return "configuration"
    if path & FIRMWARE_WORDS:
        return "configuration"  # settings about updates, not an update
    if (path | body | query) & LIGHT_WORDS:
        return "light"
    return "read"


@lru_cache(MAX_REMEMBERED_SHAPES)
def discloses_configuration(keys: tuple[str, ...]) -> bool:
    """Whether an answer's keys hold settings that are nobody else's business."""
    return bool(words_of(keys) & DISCLOSING_WORDS)


@lru_cache(MAX_REMEMBERED_SHAPES)
def describes_light(keys: tuple[str, ...]) -> bool:
    """Whether an answer's keys are those of a light's state: at least two words of the trade."""
    return len(words_of(keys) & LIGHT_WORDS) >= 2  # "state" or "on" alone is everybody's word


@lru_cache(MAX_REMEMBERED_SHAPES)
def path_shape(path: str) -> str:
    """A path with numbers and long identifiers written ``*``, so that one operation is one row."""
    segments = path.split("/")
    shaped = ["*" if _is_identifier(segment) else segment for segment in segments[:MAX_PATH_SEGMENTS]]
    if len(segments) > MAX_PATH_SEGMENTS:
        shaped.append("…")
    return "/".join(shaped)


def light_in_collection(path: str) -> str | None:
    """The identifier of one light among several, as in ``/lights/4/state`` (common practice); None: none."""
    segments = path.lower().split("/")[:MAX_PATH_SEGMENTS]
    for name, identifier in itertools.pairwise(segments):
        if name in COLLECTION_WORDS and _is_identifier(identifier):
            return identifier[:MAX_SEGMENT_CHARACTERS]
    return None


def tells_of_others(operation: str) -> bool:
    """Whether an operation, as controls name it, concerns one light of a collection."""
    segments = operation.partition(" ")[2].lower().split("/")
    return any(name in COLLECTION_WORDS and after == "*" for name, after in itertools.pairwise(segments))


def _is_identifier(segment: str) -> bool:
    return (
        len(segment) > MAX_SEGMENT_CHARACTERS
        or (any(c.isdigit() for c in segment) and len(segment) > 8)
        or (segment.isdigit())
    )
