"""Why a question stayed open and what to record next, in words."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from auditor.inventory.model import Ability, CouldNotSee, Coverage

# Used where coverage has no words of its own: for a device that is not a chosen one.
ABILITY_WORDS: Mapping[Ability, tuple[str, str]] = {
    "unicast-with-device": (
        "this device's own traffic could not be in the recording",
        "Record on the router, on a mirror port or on an access point of your own.",
    ),
    "both-directions": (
        "only one direction of this device's traffic was recorded",
        "Record where requests and answers pass: on the router, or mirror both directions of its port.",
    ),
    "joining-seen": (
        "the device did not join the network during the recording",
        "Start recording, then unplug the device, wait ten seconds and plug it in again.",
    ),
    "control-seen": (
        "nobody controlled the device during the recording",
        "Record again, and switch the light on and off with the app, the hub and whatever else you use.",
    ),
    "idle-seen": (
        "the recording holds no time in which nobody acted and the actions' times are known",
        "Record ten quiet minutes too, and write the times of your actions into the home file.",
    ),
    "names-visible": (
        "the names behind addresses could not be read",
        "Record from before the device is plugged in, without a snap length, where its name lookups pass.",
    ),
    "multicast-visible": (
        "messages to groups could not be in the recording",
        "Record in the device's own segment, on a port from which no group is withheld.",
    ),
    "payload-visible": (
        "packets were recorded without their content",
        "Record again without a snap length (whole packets) and on a network whose encryption you can open.",
    ),
}

# What usually makes a field of a fact known.  A field that stands here neither by name nor by its last part
# gets the general words.
FIELD_ABILITIES: Mapping[str, Ability] = {
    "answered": "both-directions",
    "answered_with_data": "both-directions",
    "accepted": "both-directions",
    "authentication": "payload-visible",
    "open_to_web_pages": "both-directions",
    "reads_configuration": "both-directions",
    "confidentiality": "payload-visible",
    "application_protocol": "payload-visible",
    "name": "names-visible",
    "peer_name": "names-visible",
    "host": "names-visible",
    "offered": "joining-seen",
    "initiator": "joining-seen",
    "used": "unicast-with-device",
    "while_idle": "idle-seen",
    "opened_while_idle": "idle-seen",
    "version": "joining-seen",
    "suite_is_weak": "joining-seen",
    "cipher_suite": "joining-seen",
    "follows_identity": "joining-seen",
    "relayed": "multicast-visible",
}

# How a field that stayed unknown reads in a sentence; others by their own name, spelt out.
_FIELD_NAMES: Mapping[str, str] = {
    "answered": "whether it was answered",
    "authentication": "whether a login was asked for",
    "carries_control": "whether orders came over it",
    "confidentiality": "whether it is encrypted",
    "is_open": "whether that network asks for a password",
    "is_set_up_network": "whether that network is one for setting up",
    "offered": "which resolver the router offered",
    "opened_while_idle": "whether it began while nobody acted",
    "shares_segment": "who shares its network segment",
    "standing": "whether the line stays open",
    "used": "whether anybody uses it",
    "while_idle": "whether it happened while nobody acted",
    "window_open": "whether it waits to be added",
    "wished": "whether it is wished for",
}

_AIR = "Record the air too, with a wireless card in monitor mode on the device's channel, while it starts."
_FIELD_WORDS: Mapping[str, str] = {
    "wished": "Write a home file that says what you want to keep, and run the audit again with it.",
    "standing": "Record for at least ten minutes.",
    "carries_control": (
        "Note the times of your orders in the home file and repeat each several times, also with the phone "
        "on mobile data."
    ),
    "certificate_seen": (
        "Record from before the device is plugged in; of TLS 1.3 no recording can show certificates."
    ),
    "outcomes.mid-stream": "Record from before the device is plugged in.",
    "period.median_seconds": "Record for longer: a rhythm needs at least four starts.",
    "period.jitter_seconds": "Record for longer: a rhythm needs at least four starts.",
    "period.is_regular": "Record for longer: a rhythm needs at least eight starts.",
    "period.count": "Record for longer: a rhythm needs at least four starts.",
    "is_open": _AIR,
    "is_set_up_network": _AIR,
    "window_open": "Record two minutes in the device's own segment while it waits to be added.",
    "shares_segment": "Record in the device's own segment, and name computers and phones in the home file.",
    "protocol": "Look in the sender's settings which protocol it uses; other streams stay unread.",
    "state": "Record on the path between the device and the router while the device starts.",
    "globally_addressed": "Record in the device's own segment, where neighbour discovery can be seen.",
}
_GENERAL = (
    "Record from before the device is plugged in, where both directions of its traffic pass, "
    "and repeat what you usually do with it."
)


def field_words(name: str) -> str:
    """A field of a fact as a reader calls it."""
    return _FIELD_NAMES.get(name) or _FIELD_NAMES.get(name.rpartition(".")[2]) or name.replace("_", " ")


def lacking(ability: Ability, coverage: Coverage) -> CouldNotSee:
    """What coverage says of a missing ability, else our own words."""
    if (said := coverage.missing.get(ability)) is not None:
        return said
    reason, record_next = ABILITY_WORDS[ability]
    return CouldNotSee(question=ability, reason=reason, record_next=record_next)


def next_for_field(name: str, coverage: Coverage) -> str:
    """What to record so that a field becomes known."""
    if (words := _FIELD_WORDS.get(name)) is not None:
        return words
    ability = FIELD_ABILITIES.get(name)
    return lacking(ability, coverage).record_next if ability is not None else _GENERAL


def join_sentences(sentences: Iterable[str]) -> str:
    """Each sentence once, in order, with one blank between."""
    return " ".join(dict.fromkeys(sentences))
