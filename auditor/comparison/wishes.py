"""What became of the wishes: kept, lost, or not tried; never kept by absence."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

from auditor.comparison.conversations import Side, stopped_by
from auditor.comparison.model import Conversation, ConversationKey, WishChange, WishFate
from auditor.home.model import Home, Keep
from auditor.isolation.wishes import WishBinder

_FAMILY = {"ipv4": "IPv4", "ipv6": "IPv6"}


class KeptWish(NamedTuple):
    """A wish and the conversations of either recording that stand for it."""

    keep: Keep
    is_assumed: bool
    keys: frozenset[ConversationKey]
    problem: str | None


def bind_wishes(home: Home, before: Side, after: Side) -> list[KeptWish]:
    """Wishes of the home file, else those that the first recording shows; ends by the comparison's ids."""
    bound: dict[Keep, KeptWish] = {}
    for side in (before, after):
        for wish in WishBinder(home, side.inventory, side.classes).bind():
            keys = frozenset(side.key(one) for one in wish.classes)
            known = bound.get(wish.keep)
            if known is not None:
                bound[wish.keep] = known._replace(keys=known.keys | keys)
            elif side is before or not wish.is_assumed:
                bound[wish.keep] = KeptWish(wish.keep, wish.is_assumed, keys, wish.problem)
    return list(bound.values())


def judge_wishes(
    wishes: Sequence[KeptWish], rows: Sequence[Conversation], label: Callable[[str], str]
) -> tuple[WishChange, ...]:
    """
    One state for each wish.

    A wish has one or more recorded ways: who to whom, by which port.  It is kept
    where every way works over one of its families (a client tries both, RFC
    8305), lost as soon as one is stopped over all that were tried, and else not
    tried.
    """
    return tuple(_judge(wish, rows, label) for wish in wishes if wish.keep.wish != "separation")


def leave_untried(wishes: Sequence[KeptWish]) -> tuple[WishChange, ...]:
    """Wishes where nothing was compared: none is kept by that."""
    because = "the recordings were not compared"
    return tuple(
        WishChange(keep=wish.keep, is_assumed=wish.is_assumed, state="not-tried", because=because)
        for wish in wishes
        if wish.keep.wish != "separation"
    )


def _judge(wish: KeptWish, rows: Sequence[Conversation], label: Callable[[str], str]) -> WishChange:
    ways: dict[tuple[object, ...], list[Conversation]] = {}
    for row in rows:
        if row.key in wish.keys:
            ways.setdefault(_way(wish.keep, row), []).append(row)
    told: dict[WishFate, list[str]] = {"kept": [], "lost": [], "not-tried": []}
    for members in ways.values():
        fate, text = _judge_way(members, rows, label)
        told[fate] += text
    state: WishFate = "kept"
    if told["lost"]:
        state = "lost"
    elif told["not-tried"] or not told["kept"]:
        state = "not-tried"
    because = "; ".join(
        [*told["lost"], *(told["kept"]), *told["not-tried"]]
        or [wish.problem or "neither recording holds an answered conversation of it; do it while recording"]
    )
    return WishChange(keep=wish.keep, is_assumed=wish.is_assumed, state=state, because=because)


def _way(keep: Keep, row: Conversation) -> tuple[object, ...]:
    if keep.wish == "time":  # any clock will do; pools give another one each time (RFC 5905, common practice)
        return (row.key.initiator,)
    return row.key._replace(family="")


def _judge_way(
    members: Sequence[Conversation], rows: Sequence[Conversation], label: Callable[[str], str]
) -> tuple[WishFate, list[str]]:
    works = [row for row in members if row.state in {"works", "new"}]
    stopped = [row for row in members if row.state == "stopped" and row.before is not None]
    if works:
        ended = [f"{_words(row, label)} is stopped" for row in stopped]
        return "kept", [*(f"{_words(row, label)} works" for row in works), *ended]
    if stopped:
        return "lost", [_loss(row, label) for row in stopped]
    silent = [_silence(row, label) for row in members if _is_group_lost(row, rows)]
    if silent:
        return "lost", silent
    sent = [row for row in members if row.place == "group" and row.after is not None]
    if sent:
        return "not-tried", [
            f"{_words(row, label)} is still sent; whether the other side hears it is not visible from one "
            "segment: look whether the app finds the light"
            for row in sent
        ]
    return "not-tried", [
        f"{_words(row, label)}: "
        + (
            "nobody tried it in the second recording; do it while recording"
            if row.state == "not-tried"
            else row.because
        )
        for row in members
        if row.before is not None
    ]


def _is_group_lost(row: Conversation, rows: Sequence[Conversation]) -> bool:
    """The light was driven in both recordings, and what it told everybody in the first did not come."""
    if row.state != "not-tried" or row.place != "group" or not row.begun_by_device:
        return False
    return any(
        other.device_id == row.device_id and not other.begun_by_device and other.state == "works"
        for other in rows
    )


def _silence(row: Conversation, label: Callable[[str], str]) -> str:
    return (
        f"{_words(row, label)}: driven in both recordings, and its message to all is in the "
        "first alone. An access point that keeps clients apart does not pass it on: switch that off for the "
        "segment of the lights alone"
    )


def _loss(row: Conversation, label: Callable[[str], str]) -> str:
    after = row.after
    text = f"{_words(row, label)} is stopped"
    if after is not None:
        often = f", one every {after.median_seconds:.1f} s" if after.median_seconds else ""
        text += f" ({after.flows} tries{often}, load that goes on; {stopped_by(after)})"
    return (
        f"{text}. The one exception that it needs: accept {_words(row, label)}; or move both into one segment"
    )


def _words(row: Conversation, label: Callable[[str], str]) -> str:
    key = row.key
    port = f" port {key.port}" if key.port else ""
    family = _FAMILY.get(key.family, key.family)
    return f"{label(key.initiator)} to {label(key.responder)}, {key.transport}{port}, {family}"
