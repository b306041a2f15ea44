"""Whether a conversation that was not read could have held what a rule asks for."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from auditor.inventory.model import UnreadConversation
from auditor.ruleset.model import Rule

MAX_NAMED = 3  # conversations in a reason: enough to find them in the lists of the report

HEARD_IN_STREAMS = frozenset({"control", "secret", "download", "encrypted-session", "port-mapping"})
"""Facts that messages of a connection tell of."""

AGAIN = (
    "Record once more, at the light's own link where you can: where segments contradict each other again, a "
    "device on the way changes them."
)
READING = "Look in the device's documents what it speaks there, and whether that asks for a login."
TRYING = "Try the app with a wrong password, or from a phone that was never set up: the light must not react."


def could_hold(rule: Rule, conversations: Iterable[UnreadConversation]) -> list[UnreadConversation]:
    """
    Those of a device's unread conversations that silence about this rule cannot stand for.

    Orders and secrets may be in a protocol that is unknown here; one that a rule names is known.  An
    encrypted conversation hides who logged in.  A secret in it is not readable, and that is what rules ask.
    Where segments contradict each other, the rest may have been of any protocol, a download too.
    """
    if rule.about not in HEARD_IN_STREAMS:
        return []
    named = {line.field.name for line in rule.condition.where.lines}
    kept: list[UnreadConversation] = []
    for row in conversations:
        if row.is_encrypted:
            # A rule that names an operation asks about one message of one protocol.
            holds = rule.about == "control" and "authentication" in named and "operation" not in named
        elif row.is_contradicting:
            holds = rule.about != "control" or row.is_at_home
        else:
            holds = "protocol" not in named and (
                rule.about == "secret" or (rule.about == "control" and row.is_at_home)
            )
        if holds:
            kept.append(row)
    return kept


def unread_sentences(rows: Sequence[UnreadConversation]) -> tuple[list[str], list[str]]:
    """Reasons and what to do about them."""
    reasons, advice = [], []
    for kind, what, step in (
        ((False, False), "a conversation in a protocol that is not read here", READING),
        (
            (False, True),
            "a conversation that was given up because its segments contradict each other",
            AGAIN,
        ),
        ((True, False), "an encrypted conversation, whose inside cannot be read", TRYING),
    ):
        mine = [row for row in rows if (row.is_encrypted, row.is_contradicting) == kind]
        if not mine:
            continue
        places = [f"{row.transport} port {row.port} with {row.peer}" for row in mine[:MAX_NAMED]]
        more = f" and {len(mine) - MAX_NAMED} more" if len(mine) > MAX_NAMED else ""
        reasons.append(f"There was {what}: {', '.join(places)}{more}.")
        advice.append(step)
    return reasons, advice
