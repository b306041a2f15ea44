"""
Two recordings of one home compared, and the facts that rules read about it.

Nothing passes by absence: what was not attempted in the second recording is not
tried, and a second recording that holds no attempt at all is no judgement.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence

from auditor.addresses import HOME_KINDS, is_ipv4, kind_of
from auditor.comparison.conversations import Side, compare_conversations
from auditor.comparison.match import match_devices
from auditor.comparison.model import Comparison, Conversation, Refusal
from auditor.comparison.wishes import bind_wishes, judge_wishes, leave_untried
from auditor.flows.flow import Flow
from auditor.home.model import Home
from auditor.inventory.facts import ConversationChangeFact, SeparationFact
from auditor.inventory.model import Device, Inventory
from auditor.inventory.prefixes import covering
from auditor.isolation.plan import label_devices
from auditor.units import NS_PER_SECOND


def compare_recordings(
    before: Inventory, before_flows: Iterable[Flow], after: Inventory, after_flows: Iterable[Flow], home: Home
) -> Comparison:
    """Match devices, compare their conversations, and judge the wishes."""
    matched = match_devices(before, after)
    first = Side(before, before_flows, {old: new for new, old in matched.items()})
    second = Side(after, after_flows, {})
    wishes = bind_wishes(home, first, second)
    refusal = _no_pair(before, after, matched)
    if refusal is not None:  # rows of recordings that are no pair would only mislead
        return Comparison(conversations=(), wishes=leave_untried(wishes), notes=(), refusal=refusal)
    wished = frozenset(key for wish in wishes for key in wish.keys)
    rows, left_out = compare_conversations(first, second, wished)
    notes = [*_notes(before, after, matched)]
    if left_out:
        notes.append(f"{left_out} conversations are left out: a comparison holds a limited number of rows.")
    return Comparison(
        conversations=tuple(rows),
        wishes=judge_wishes(wishes, rows, _label(before, after)),
        notes=tuple(notes),
        refusal=_nothing_shown(rows),
    )


def change_facts(comparison: Comparison, after: Inventory) -> tuple[ConversationChangeFact, ...]:
    """What rules about ``conversation-change`` read: what the judged devices begin, and what became of it."""
    roles = {device.device_id: device.roles for device in after.devices}
    shares = _shares(after)
    facts = []
    for device in after.devices:
        if not device.is_chosen:
            continue
        rows = [
            row
            for row in comparison.conversations
            if row.device_id == device.device_id and row.begun_by_device
        ]
        for row in rows:
            tries = row.after
            facts.append(
                ConversationChangeFact(
                    device_id=device.device_id,
                    evidence=() if tries is None else tuple(tries.packets),
                    first_seen_ns=device.first_seen_ns if tries is None else tries.first_ns,
                    last_seen_ns=device.last_seen_ns if tries is None else tries.last_ns,
                    peer_id=row.peer,
                    peer_role=roles.get(row.peer, ()),
                    place=row.place,
                    family=row.key.family,
                    transport=row.key.transport,
                    port=row.key.port,
                    state=row.state,
                    works=_works(row),
                    proven=row.proven,
                    wished=row.wished,
                    holds=_holds(rows, row.key.family, shares.get(device.device_id)),
                )
            )
        if not any(row.place == "home" for row in rows):
            facts.append(_nothing_tried(device))
    return tuple(facts)


def _works(row: Conversation) -> bool | None:
    return {"works": True, "new": True, "stopped": False}.get(row.state)


def _holds(rows: Iterable[Conversation], family: str, shares_segment: bool | None) -> bool | None:
    """Whether the wall holds for a family: something was proven to stop at it and nothing unwished passed."""
    walled = [row for row in rows if row.place == "home" and row.key.family == family]
    if shares_segment or any(_works(row) and not row.wished for row in walled):
        return False
    return True if any(row.proven for row in walled) else None


def _nothing_tried(device: Device) -> ConversationChangeFact:
    """Neither recording holds an attempt at the home: unknown, never good."""
    return ConversationChangeFact(
        device_id=device.device_id,
        evidence=(),
        first_seen_ns=device.first_seen_ns,
        last_seen_ns=device.last_seen_ns,
        peer_id="home",
        peer_role=(),
        place="home",
        family=None,
        transport=None,
        port=None,
        state="not-tried",
        works=None,
        proven=False,
        wished=False,
        holds=None,
    )


def _shares(inventory: Inventory) -> dict[str, bool | None]:
    return {
        fact.device_id: fact.shares_segment
        for fact in inventory.facts.get("separation", ())
        if isinstance(fact, SeparationFact)
    }


def _label(before: Inventory, after: Inventory) -> Callable[[str], str]:
    known = {device.device_id for device in after.devices}
    first, second = label_devices(before), label_devices(after)
    words = {"router": "the router", "home": "another address of the home", "broadcast": "everybody"}

    def label(identifier: str) -> str:
        if identifier in words:
            return words[identifier]
        if identifier.startswith("outside:"):
            return identifier.removeprefix("outside:")
        if identifier.startswith("group:"):
            return f"the group {identifier.removeprefix('group:')}"
        return second(identifier) if identifier in known else first(identifier)

    return label


def _notes(before: Inventory, after: Inventory, matched: Mapping[str, str]) -> Iterable[str]:
    ended, began = before.coverage.end_ns, after.coverage.start_ns
    if ended is not None and began is not None and began < ended:
        yield "The second recording began before the first ended: was the change made in between?"
    label = _label(before, after)
    were, are = _shares(before), _shares(after)
    back = {old: new for new, old in matched.items()}
    for device in before.devices:
        if not device.is_chosen:
            continue
        now = back.get(device.device_id)
        if now is None:
            yield f"{label(device.device_id)} is not in the second recording: of it nothing is proven."
            continue
        if were.get(device.device_id) is False and are.get(now):
            yield (
                f"{label(now)} was apart from computers and phones in the first recording and is not in the "
                "second: were the files given in the wrong order?"
            )
        elif are.get(now):
            yield f"Not separated: {label(now)} shares its segment with computers, servers or phones."
        elif _stayed(before, device, after.device(now)):
            yield (
                f"Not separated by what was recorded: {label(now)} kept its address range. "
                "A new network name alone separates nothing."
            )


def _stayed(before: Inventory, device: Device, now: Device) -> bool:
    """Whether it has an address of a network that it was in before."""
    networks = [one.network for one in before.prefixes]
    were, are = (
        {covering(networks, one) for one in each.addresses if is_ipv4(one) and kind_of(one) in HOME_KINDS}
        for each in (device, now)
    )
    return bool((were & are) - {None})


def _digests(inventory: Inventory) -> set[str]:
    return {summary.facts.sha256 for summary in inventory.captures}


def _ago(span_ns: int) -> str:
    """A span in its largest unit, so that a reader sees at once whether a clock was merely off."""
    seconds = span_ns // NS_PER_SECOND
    for unit, length in (("day", 86_400), ("hour", 3_600), ("minute", 60)):
        if seconds >= length:
            count = seconds // length
            return f"{count} {unit}" + ("s" if count > 1 else "")
    return f"{seconds} s" if seconds else "less than a second"


def _no_pair(before: Inventory, after: Inventory, matched: Mapping[str, str]) -> Refusal | None:
    """Why the two are no recordings from before and after a change of one home."""
    if _digests(before) & _digests(after):
        return Refusal(
            reason="one file is in both recordings, so that nothing can have changed between them",
            record_next="record the same actions again after the change",
        )
    first, second = before.coverage.start_ns, after.coverage.start_ns
    if first is not None and second is not None and second < first:
        return Refusal(
            reason="wrong order: the second recording began before the first, "
            f"{_ago(first - second)} earlier",
            record_next="give the recording from before the change first; where a clock was wrong, set it "
            "right and record again",
        )
    chosen = {device.device_id for device in before.devices if device.is_chosen}
    if chosen and not chosen & set(matched.values()):
        return Refusal(
            reason="no device judged in the first recording is in the second: it is another home, another "
            "place, or the light was off",
            record_next="record again in the same home, where the light's traffic passes, while it is used",
        )
    return None


def _nothing_shown(rows: Sequence[Conversation]) -> Refusal | None:
    """Why a second recording of the same home proves nothing."""
    untried = {"not-tried", "not-visible"}
    again = "do what you did in the first recording again, while you record"
    if all(row.state in untried for row in rows):
        return Refusal(
            reason="the second recording holds no attempt of the judged devices that was in reach of the "
            "recorder",
            record_next=again,
        )
    inside = [row for row in rows if row.place == "home"]
    if inside and all(row.state in untried for row in inside):
        return Refusal(
            reason="nobody tried anything between the judged devices and the home in the second recording",
            record_next=again,
        )
    return None
