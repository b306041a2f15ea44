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

    Between two ends a wish lives on as long as one of its conversations does; it
    is lost as soon as it is lost between any two of its ends.
    """
    return tuple(_judge(wish, rows, label) for wish in wishes if wish.keep.wish != "separation")


def _judge(wish: KeptWish, rows: Sequence[Conversation], label: Callable[[str], str]) -> WishChange:
    pairs: dict[tuple[str, str], list[Conversation]] = {}
    for row in rows:
        if row.key in wish.keys:
            pairs.setdefault((row.key.initiator, row.key.responder), []).append(row)
    kept: list[str] = []
    lost: list[str] = []
    for members in pairs.values():
        works = [row for row in members if row.state in {"works", "new"}]
        stopped = [row for row in members if row.state == "stopped"]
        if works:
            kept += [f"{_words(row, label)} works" for row in works]
            kept += [f"{_words(row, label)} is stopped" for row in stopped]
        elif stopped:
            lost += [_loss(row, label) for row in stopped]
        else:
            lost += [_silence(row, label) for row in members if _is_group_lost(row, rows)]
    state: WishFate = "lost" if lost else "kept" if kept else "not-tried"
    because = "; ".join(lost or kept)
    if not because:
        because = wish.problem or (
            "nobody tried it in the second recording; do it while recording"
            if wish.keys
            else "neither recording holds an answered conversation of it; do it while recording"
        )
    return WishChange(keep=wish.keep, is_assumed=wish.is_assumed, state=state, because=because)


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
