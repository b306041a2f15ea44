"""
What the recording could show of each device, and what to record where it could not.

An ability says what could have been seen, not what was: a quiet device on the
path keeps ``unicast-with-device``.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from auditor.addresses import LinkAddress, parse_link
from auditor.capture.record import CaptureFacts, IssueKind
from auditor.inventory.model import ABILITIES, Ability, CouldNotSee
from auditor.inventory.network import Host
from auditor.inventory.timeline import CONTROL_ACTIONS, Timeline
from auditor.inventory.vantage import Judged, Sights
from auditor.value_class import value_class

SEEING = frozenset({"on-path", "own-access-point"})
WHOLE_FRAME_OCTETS = 1514  # Ethernet without frame check sequence: a longer snap length cuts nothing there
# A filter expression (draft-ietf-opsawg-pcapng section 4.2, if_filter): one device and all groups.
_ONE_DEVICE = re.compile(r"ether host ((?:[0-9a-f]{2}:){5}[0-9a-f]{2}) or ether multicast", re.ASCII)
CLIPPED_SHARE = 0.01  # of packets: fewer are the odd large frame

PLACE = (
    "record where the device's unicast passes: at a mirror port of the switch it hangs on, on the router, "
    "or let the recording computer be its access point"
)
QUESTIONS: Mapping[Ability, str] = {
    "unicast-with-device": "With whom does the device talk, and what does it answer?",
    "both-directions": "What was answered?",
    "joining-seen": "What does the device do when it joins the network?",
    "control-seen": "Who controls the device, how, and with which login?",
    "idle-seen": "What does the device do while nobody acts?",
    "names-visible": "Under which names does it know its contacts?",
    "multicast-visible": "What does it send to groups?",
    "payload-visible": "What is inside the packets?",
}
RECORD_NEXT: Mapping[Ability, str] = {
    "unicast-with-device": PLACE,
    "both-directions": "mirror both directions of the port, or record on the router's inner interface",
    "joining-seen": "start the recording, then take the device off its power for ten seconds",
    "control-seen": (
        "switch and dim the light with the app at home, through mobile data and by the hub, noting the times"
    ),
    "idle-seen": (
        "note the times of what you do in the home file and leave at least ten minutes in which nobody acts"
    ),
    "names-visible": (
        "record without a filter and with whole packets from the path, and restart the device while recording"
    ),
    "multicast-visible": (
        "record on the path, or join the groups: bridges withhold groups from those who did not ask"
    ),
    "payload-visible": "record whole packets (no snap length) on the wired side",
}


@value_class
class DeviceSights:
    """What was seen of one device, beyond flows."""

    controlled: bool
    joined: bool
    sends_groups: bool


def device_abilities(
    host: Host,
    seen: DeviceSights,
    sights: Sequence[Sights],
    judged: Sequence[Judged],
    captures: Sequence[CaptureFacts],
    timeline: Timeline,
) -> dict[Ability, str]:
    """For each ability that does not hold, the reason; what is not in it holds."""
    missing: dict[Ability, str] = {}
    good = [
        index
        for index, one in enumerate(judged)
        if one.vantage in SEEING and not _is_recorder(host, one) and _third_parties(host, sights[index])
    ]
    filtered = [text for index in good if (text := _filter_of(captures[index], host))]
    if not good:
        reasons = sorted({one.reason for one in judged}) or ["there is no traffic to judge by"]
        missing["unicast-with-device"] = "; ".join(reasons)
    elif len(filtered) == len(good):
        # What was let through was seen; that something else was not there it cannot show (scenario S10).
        missing["unicast-with-device"] = f"a capture filter left packets out: {filtered[0]}"
    if not good or not any(_both_ways(host, sights[index]) for index in good):
        missing["both-directions"] = (
            missing.get("unicast-with-device")
            or "only one direction of the device's conversations was recorded"
        )
    if not seen.joined:
        missing["joining-seen"] = "the device was there before the recording began, or joined unseen"
    if not seen.controlled and not (timeline.did(CONTROL_ACTIONS) and good):
        missing["control-seen"] = "nobody was seen to control the device during the recording"
    if not timeline.idle:
        missing["idle-seen"] = (
            "no pause of a minute lies between the noted actions"
            if timeline.actions
            else "nobody noted what was done when"
        )
    payload = _payload_problem([captures[index] for index in good] or list(captures), judged)
    if payload:
        missing["payload-visible"] = payload
    if "unicast-with-device" in missing or payload:
        missing["names-visible"] = missing.get("unicast-with-device") or payload or ""
    if not _groups_visible(sights, judged, captures):
        missing["multicast-visible"] = "groups that the recording host did not join may have been withheld"
    return missing


def _is_recorder(host: Host, judged: Judged) -> bool:
    return judged.recorder is not None and judged.recorder in host.links and judged.vantage == "own-host"


def _third_parties(host: Host, sight: Sights) -> bool:
    """Unicast of the device itself; or, for a quiet one, of at least two others, as the path shows it."""
    own = any(link in pair for pair in sight.pairs for link in host.links)
    return own or len(sight.pairs) > 1 or not host.own_link


def _both_ways(host: Host, sight: Sights) -> bool:
    if any(link in sight.both_ways for link in host.links):
        return True
    quiet = not any(link in sight.one_way for link in host.links)
    # Where every attempt of a device was left unanswered, others show that both ways were recorded.
    return bool(sight.both_ways) and (quiet or len(sight.both_ways) > 1)


def _payload_problem(captures: Sequence[CaptureFacts], judged: Sequence[Judged]) -> str | None:
    if judged and all(one.vantage == "wireless-encrypted" for one in judged):
        return "the frames were recorded from the air and are encrypted"
    for facts in captures:
        clipped = facts.clipped_packets
        short = [i.snap_length for i in facts.interfaces if 0 < i.snap_length < WHOLE_FRAME_OCTETS]
        if clipped and (short or clipped > facts.packets * CLIPPED_SHARE):
            limit = f" at {min(short)} octets" if short else ""
            return f"{clipped} packets of {facts.name} were cut off{limit} by the snap length"
    return None


def _filter_of(facts: CaptureFacts, host: Host | None = None) -> str | None:
    """
    The filter that may have left out what is asked about, None where none did.

    The recorder's own filter lets all of one device's frames pass, and all to
    groups: it leaves nothing out about that ``host``, and nothing about groups.
    """
    chosen = [_device_of(interface.capture_filter) for interface in facts.interfaces]
    if chosen and all(link is not None and (host is None or link in host.links) for link in chosen):
        return None
    for issue in facts.issues:
        if issue.kind is IssueKind.FILTERED:
            return issue.detail
    return next((i.capture_filter for i in facts.interfaces if i.capture_filter), None)


def _device_of(capture_filter: str | None) -> LinkAddress | None:
    match = _ONE_DEVICE.fullmatch(capture_filter or "")
    return None if match is None else parse_link(match[1])


def _groups_visible(
    sights: Sequence[Sights], judged: Sequence[Judged], captures: Sequence[CaptureFacts]
) -> bool:
    for sight, one, facts in zip(sights, judged, captures, strict=False):
        any_group = sight.wide_groups or sight.announcements or sight.other_group
        if _filter_of(facts) is None and (sight.wide_groups or (one.vantage in SEEING and any_group)):
            return True
    return False


def could_not_see(missing: Mapping[Ability, str]) -> dict[Ability, CouldNotSee]:
    """The missing abilities as questions, in the order of ``ABILITIES``."""
    return {
        ability: CouldNotSee(
            question=QUESTIONS[ability], reason=missing[ability], record_next=RECORD_NEXT[ability]
        )
        for ability in ABILITIES
        if ability in missing
    }


def recorder_link(judged: Sequence[Judged]) -> LinkAddress | None:
    """The recording host's link address, where every capture that tells agrees."""
    found = {one.recorder for one in judged if one.recorder is not None}
    return next(iter(found)) if len(found) == 1 else None
