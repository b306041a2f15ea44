"""
A stranger with a laptop and a router that has a guest network: from ``auditor recipe`` to a judged recording.

Every command is typed at a terminal of eighty columns as the program printed it.  Oracles: what the light's actors did
(``tests.lab.hotspot``), dpkt for the packets, tcpdump beside our recorder; the transcript beside this file was read by a person.
"""

from __future__ import annotations

import difflib
import json
import os
import re
import signal
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import dpkt
import pytest

from auditor.home.loader import load_home
from tests.household.home import CLOUD, HUB, LIGHT, PHONE
from tests.lab import hotspot
from tests.lab.house import House, require
from tests.lab.recorders import difference, files, frames
from tests.lab.terminal import Command, Terminal, install
from tests.scenarios.support import Document, contacts, controls, device, device_id, findings, outcomes

pytestmark = [pytest.mark.lab, pytest.mark.xdist_group("lab-stranger")]

ANSWERS = ("hotspot", "wifi", "phone-control light-follows-hub", "guest")
POLLS_SECONDS = 12  # a dozen questions to the hub after the last action
OTHER_SECONDS = (
    1.5  # tcpdump fetches packets from the kernel once a second and leaves the rest when it is interrupted
)
TRANSCRIPT = Path(__file__).with_name("stranger.txt")
RENEW = "RENEW_TRANSCRIPT"
"""Set in the environment, the transcript is written anew: read it before it is committed."""


@dataclass(slots=True)
class Story:
    """What happened, by the stranger's and the actors' own account."""

    folder: Path
    beside: Path
    terminal: Terminal
    other: Terminal
    """Another window of the same laptop, in the folder ``beside``."""
    statuses: dict[str, int] = field(default_factory=dict)
    shown: dict[str, str] = field(default_factory=dict)
    deeds_ns: dict[str, tuple[int, int]] = field(default_factory=dict)
    phone_got: list[int] = field(default_factory=list)

    def ran(self, name: str, line: str) -> str:
        """Type a command, keep how it ended; what it showed."""
        self.statuses[name], self.shown[name] = self.terminal.run(line)
        return self.shown[name]

    def finished(self, name: str, command: Command) -> str:
        """Let a command that was typed before come to its end."""
        self.statuses[name] = self.terminal.finish(command)
        self.shown[name] = command.shown
        return command.shown

    def document(self, name: str) -> Document:
        """A report that the stranger kept."""
        return json.loads((self.folder / name).read_text("utf-8"))


@pytest.fixture(scope="module")
def story(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Story]:
    require("dnsmasq", "udhcpc", "nft", "timeout")
    folder = tmp_path_factory.mktemp("lab-stranger")
    house = House(folder)
    try:
        hotspot.build(house)
        yield _live(house, folder)
    finally:
        house.demolish()


def _live(house: House, folder: Path) -> Story:
    desk, beside = folder / "desk", folder / "beside"
    desk.mkdir()
    beside.mkdir()
    programs = install(folder / "bin")
    one, other = (Terminal(house, "laptop", place, programs) for place in (desk, beside))
    story = Story(desk, beside, one, other)
    _earlier_evening(house, story)
    hotspot.open_hotspot(house)
    command = story.terminal.begin("auditor recipe --save home.yaml")
    for answer in ANSWERS:
        command.wait_for("] ")
        command.type(answer)
    card = story.finished("recipe", command)
    ours, general, afterwards = (
        line.strip()
        for line in card.splitlines()
        if line.startswith("  ")
        and "recording" in line
        and line.lstrip().startswith(("sudo", "mkdir", "auditor"))
    )
    _good_evening(house, story, ours, general)
    story.ran("check and audit", afterwards)
    story.ran("audit in full", "auditor audit recording --home home.yaml --all")
    story.ran(
        "audit as JSON", "auditor audit recording --home home.yaml --reveal --format json --output audit.json"
    )
    story.ran(
        "recipe for the earlier report",
        "auditor recipe --place hotspot --light wifi --home home.yaml --report earlier.json",
    )
    story.statuses["check of the other recording"], _ = story.other.run("auditor check recording")
    story.terminal.parts += ["In another terminal, meanwhile and afterwards\n\n", *story.other.parts]
    return story


def _earlier_evening(house: House, story: Story) -> None:
    """The laptop records on the home network as one of many; then it is told what that was good for."""
    house.start_role("light", "hotspot.following_light", LIGHT.ipv4, HUB.ipv4, str(hotspot.POLL_SECONDS))
    command = story.terminal.begin("sudo auditor record eth0 --folder earlier")
    command.wait_for("q and Enter ends")
    hotspot.use_app(house, LIGHT.ipv4)
    house.role("laptop", "evening.call", CLOUD.name, "192.168.77.1")
    command.type("q")
    story.finished("earlier recording", command)
    house.stop_last()
    story.ran("earlier audit", "auditor audit earlier --format json --output earlier.json")


def _good_evening(house: House, story: Story, ours: str, general: str) -> None:
    """Both recorders, and the actions of the list with their marks; ended by hand before the ten minutes are over."""
    other = story.other.begin(general)
    other.wait_for("listening on")
    command = story.terminal.begin(ours)
    command.wait_for("q and Enter ends")
    for word in ("power-on", "app", "hub"):
        started_ns = time.time_ns()
        command.type(f"m {word}")
        command.wait_for(f"marked: {word}")
        _act(house, story, word)
        story.deeds_ns[word] = started_ns, time.time_ns()
    time.sleep(POLLS_SECONDS)
    command.type("q")
    story.finished("recording", command)
    time.sleep(OTHER_SECONDS)
    other.interrupt()
    story.statuses["other recording"] = story.other.finish(other)


def _act(house: House, story: Story, word: str) -> None:
    match word:
        case "power-on":
            hotspot.change_network(house, "light", LIGHT.link)
            hotspot.change_network(house, "phone", PHONE.link)
            house.settle("phone", hotspot.PHONE_HERE.ipv4)
            hotspot.power_on(house)
        case "app":
            story.phone_got = hotspot.use_app(house, hotspot.LIGHT_HERE.ipv4)
        case "hub":
            assert hotspot.use_hub(house) == 200


@pytest.fixture(scope="module")
def document(story: Story) -> Document:
    return story.document("audit.json")


def _questions_by_light(story: Story) -> int:
    """Connections that the light opened to its hub, by dpkt."""
    count = 0
    for octets in frames(files(story.folder / "recording")):
        packet = dpkt.ethernet.Ethernet(octets).data
        if isinstance(packet, dpkt.ip.IP) and isinstance(packet.data, dpkt.tcp.TCP):
            count += (
                packet.data.dport == 8080
                and packet.data.flags & (dpkt.tcp.TH_SYN | dpkt.tcp.TH_ACK) == dpkt.tcp.TH_SYN
            )
    return count


def test_every_command_ended_as_a_stranger_hopes(story):
    assert story.phone_got == [200, 200, 200]
    assert story.statuses == {
        "earlier recording": 0, "earlier audit": 3, "recipe": 0, "recording": 0, "other recording": -signal.SIGINT,
        "check and audit": 1, "audit in full": 1, "audit as JSON": 1, "recipe for the earlier report": 0,
        "check of the other recording": 0,
    }  # fmt: skip


def test_the_marks_stand_in_the_home_file_at_their_time_and_are_actions_of_the_report(story):
    noted = {action.what: action.at_ns for action in load_home(story.folder / "home.yaml").actions}

    assert noted.keys() == story.deeds_ns.keys()
    for word, (started_ns, ended_ns) in story.deeds_ns.items():
        assert started_ns <= noted[word] <= ended_ns
    assert "while the user noted: app, hub, power-on" in " ".join(story.shown["audit in full"].split())


def test_what_was_done_is_found(story, document):
    [order] = controls(document, LIGHT, effect="light")
    [contact] = contacts(document, LIGHT)
    [polling] = findings(document, "polls-another-device", host=LIGHT)
    [poll] = [row for row in contacts(document, LIGHT, remote=False) if row["port"] == 8080]

    assert findings(document, "light-control-without-login", host=LIGHT)
    assert (order["from_id"], order["count"], order["authentication"]) == (
        device_id(document, PHONE),
        3,
        "none",
    )
    assert (contact["name"], contact["address"], contact["confidentiality"]) == (
        CLOUD.name,
        CLOUD.ipv4,
        "tls",
    )
    assert poll["flows"] == _questions_by_light(story) >= POLLS_SECONDS
    assert poll["period"]["median_seconds"] == pytest.approx(hotspot.POLL_SECONDS, abs=0.1)
    assert poll["initiator_known"] == "proven"
    assert HUB.ipv4 in next(d["addresses"] for d in document["devices"] if d["device_id"] == poll["peer_id"])
    assert polling["confidence"] == "seen"


def test_the_light_is_found_by_its_power_cycle(document):
    """S13: the mark was typed, the lease asked for after it."""
    lighting = device(document, LIGHT)["lighting"]

    assert lighting["rank"] == 1
    assert re.search(
        r"asked for an address by DHCP \d+ s after the noted power-on \(packet \d+ ",
        " ".join(lighting["reasons"]),
    )


def test_what_the_hotspot_shows_is_no_longer_open_and_what_nobody_did_is(story, document):
    earlier = {entry["question"] for entry in story.document("earlier.json")["coverage"]["could_not_see"]}
    now = {entry["question"] for entry in document["coverage"]["could_not_see"]}

    assert now < earlier
    assert now == {
        "What does the device do while nobody acts?",
        "Is the light controlled through the internet?",
    }
    assert outcomes(document, "controlled-through-cloud", LIGHT) == {"undetermined"}
    assert outcomes(document, "remote-contact-while-idle", LIGHT) == {"undetermined"}


def test_the_earlier_report_is_answered_by_the_better_place(story):
    card = " ".join(story.shown["recipe for the earlier report"].split())

    assert story.document("earlier.json")["coverage"]["vantage"] == "own-host"
    assert (
        "With whom does the device talk, and what does it answer? Shown by: recording at a hotspot of this computer."
        in card
    )


def test_the_other_recorder_has_the_same_orders(story):
    """tcpdump, by the command that the recipe printed."""
    [other] = (story.beside / "recording").iterdir()
    with other.open("rb") as file:
        theirs = [octets for _, octets in dpkt.pcap.Reader(file)]
    ours = frames(files(story.folder / "recording"))

    assert len(_with_the_light(ours)) > 100
    assert difference(_with_the_light(ours), _with_the_light(theirs))[0] == 0


def _with_the_light(found: list[bytes]) -> list[bytes]:
    return [octets for octets in found if bytes.fromhex(LIGHT.link.replace(":", "")) in octets[:12]]


_MASKS = (
    (r"\b[0-9]{4}-[0-9]{2}-[0-9]{2}(\s+)[0-9:.]+(\s+)UTC", r"DATE\1TIME\2UTC"),
    (r"\b[0-9]{4}-[0-9]{2}-[0-9]{2}\b", "DATE"),
    (r"recording-[0-9]{8}T[0-9]{6}Z-", "recording-DATE-"),
    (r"\b(resolver|device|phone|hub|server|computer|router|recorder)-[0-9a-f]{4}\b", r"\1-HEX"),
    (r"\b[0-9a-f]{16}\b", "HEX"),
    (r"\bpacket(\s+)[0-9]+", r"packet\1N"),
    (r"\bport(\s+)[0-9]+(?=\s+(?:of|to)\b|\))", r"port\1N"),
    (
        r"(?<![0-9.,])[0-9.]+(\s+)(packets|kB|octets|seconds|requests|recorded\s+flows|starts|flows?|others?\s+devices)\b",
        r"N\1\2",
    ),
    (r"\b[0-9]+(\s+(?:more\s+in|go\s+on|of\s+them\s+still|not\s+known|stop)\b)", r"N\1"),
    (r"\(((?:not\s+)?answered)(\s+)[0-9]+\)", r"(\1\2N)"),
    (r"\b[0-9]+(\s+)s(\s+)after(\s+)the(\s+)noted", r"N\1s\2after\3the\4noted"),
    (r"every(\s+)[0-9.]+(\s+)s\b", r"every\1N\2s"),
    (r"(\+/-|deviation)(\s+)[0-9.]+(\s+)s\b", r"\1\2N\3s"),
    (r"-{3,}", "---"),
)


def _masked(parts: list[str]) -> str:
    """Without what varies from run to run (times, counts, sizes, pseudonyms); a recipe has nothing of it."""
    made, varies = [], True
    for part in parts:
        if part.startswith("$ "):
            varies = not part.startswith("$ auditor recipe ")
        for pattern, instead in _MASKS if varies else ():
            part = re.sub(pattern, instead, part)
        made.append(part)
    return "".join(made)


def test_the_whole_evening_reads_like_the_transcript(story):
    """Compared word by word: where lines break hangs on the length of what is masked."""
    made = _masked(story.terminal.parts)
    if os.environ.get(RENEW):
        TRANSCRIPT.write_text(made, "utf-8")
    kept = TRANSCRIPT.read_text("utf-8")

    changes = list(difflib.unified_diff(kept.split(), made.split(), "kept", "made", lineterm="", n=8))
    assert not changes, "\n".join(changes[:200])
