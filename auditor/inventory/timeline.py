"""
What the user did and when, and when nobody did anything.

Actions come from the home file and from comments that the recorder wrote into
the capture.  Without noted actions nothing can be called idle: that nobody
acted is not something a recording shows.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from auditor.capture.record import CaptureComment, CaptureFacts
from auditor.home.model import Action, Home
from auditor.units import NS_PER_SECOND

KNOWN_ACTIONS = ("power-on", "app-mobile", "app", "hub", "voice", "mirror", "cable-out", "cable-in", "update")
CONTROL_ACTIONS = frozenset({"app", "app-mobile", "hub", "voice", "mirror"})
AFTER_ACTION_NS = (
    60 * NS_PER_SECOND
)  # what an action sets off: retries and state reports included (common practice)
BEFORE_ACTION_NS = 5 * NS_PER_SECOND  # the clock of the user against that of the recorder
MIN_IDLE_NS = 60 * NS_PER_SECOND  # a shorter pause between two actions is part of them
MAX_ACTIONS = 4096  # actions; more than a person does in a recording


class Timeline:
    """The user's actions on the recording's clock."""

    def __init__(self, home: Home, captures: Sequence[CaptureFacts]) -> None:
        starts = [facts.first_ns for facts in captures if facts.first_ns is not None]
        ends = [facts.last_ns for facts in captures if facts.last_ns is not None]
        self.start_ns = min(starts, default=None)
        self.end_ns = max(ends, default=None)
        noted = [*home.actions, *_commented(captures)]
        if self.start_ns is None or self.end_ns is None:
            noted = []
        else:
            noted = [
                action
                for action in noted
                if self.start_ns - AFTER_ACTION_NS <= action.at_ns <= self.end_ns + BEFORE_ACTION_NS
            ]
        self.actions = tuple(sorted(noted, key=lambda action: (action.at_ns, action.what))[:MAX_ACTIONS])
        self.idle = self._idle_spans()

    def _idle_spans(self) -> tuple[tuple[int, int], ...]:
        if not self.actions or self.start_ns is None or self.end_ns is None:
            return ()
        spans: list[tuple[int, int]] = []
        free_from = self.start_ns
        for action in self.actions:
            if action.at_ns - BEFORE_ACTION_NS - free_from >= MIN_IDLE_NS:
                spans.append((free_from, action.at_ns - BEFORE_ACTION_NS))
            free_from = max(free_from, action.at_ns + AFTER_ACTION_NS)
        if self.end_ns - free_from >= MIN_IDLE_NS:
            spans.append((free_from, self.end_ns))
        return tuple(spans)

    def while_idle(self, moments_ns: Iterable[int]) -> bool | None:
        """Whether one of the moments lies in an idle span; None where there is none."""
        if not self.idle:
            return None
        return any(start <= moment <= end for moment in moments_ns for start, end in self.idle)

    def did(self, words: frozenset[str]) -> bool:
        """Whether one of these actions was noted within the recording."""
        return any(action.what in words for action in self.actions)

    def power_on_before(self, moment_ns: int, window_ns: int) -> Action | None:
        """The noted power-on that a join follows within the window, or None."""
        for action in self.actions:
            if action.what == "power-on" and -BEFORE_ACTION_NS <= moment_ns - action.at_ns <= window_ns:
                return action
        return None


def noted_action(comment: CaptureComment) -> Action | None:
    """The action that a comment on a packet notes: it begins with a known action, or with ``action:``."""
    if comment.timestamp_ns is None:
        return None
    text = comment.text.strip().lower().removeprefix("action:").strip()
    known = next(
        (word for word in KNOWN_ACTIONS if text == word or text.startswith((word + " ", word + ":"))), None
    )
    if known is None and not comment.text.strip().lower().startswith("action:"):
        return None
    return Action(at_ns=comment.timestamp_ns, what=known or text)


def _commented(captures: Sequence[CaptureFacts]) -> Iterable[Action]:
    for facts in captures:
        for comment in facts.comments:
            action = noted_action(comment)
            if action is not None:
                yield action
