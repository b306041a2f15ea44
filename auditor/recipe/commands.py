"""
Commands to type, for our recorder and for a general-purpose one.

The general one is libpcap's command-line recorder, which routers, access points
and most systems have; on Windows a line of Python with scapy, which our own recorder uses there too.
Whole packets, no filter but the device's, a ring that cannot fill the disk.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from auditor.addresses import format_link
from auditor.recipe.situation import PlaceId, Situation, System

RING_FILES = 12
RING_FILE_MEGABYTES = 50
"""Twelve files of 50 MB: a home's evening fits, and no disk fills up."""

FOLDER = "recording"

HOME_FILE = "home.yaml"

EXAMPLE_INTERFACES: Mapping[System, str] = {
    System.LINUX: "eth0",
    System.MACOS: "en0",
    System.WINDOWS: "Ethernet",
}
HOTSPOT_INTERFACES: Mapping[System, str] = {
    System.LINUX: "wlan0",
    System.MACOS: "bridge100",
    System.WINDOWS: "Local Area Connection* 2",
}
"""Names that the systems give to the inner side of a hotspot (common practice)."""
LIST_INTERFACES: Mapping[System, str] = {
    System.LINUX: "ip link",
    System.MACOS: "ifconfig -l",
    System.WINDOWS: "Get-NetAdapter",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Commands:
    """What to type, in order."""

    ours: str
    general: str
    afterwards: str
    remarks: tuple[str, ...]


def commands_for(place: PlaceId, situation: Situation) -> Commands:
    """For one place; an interface that nobody named stands as an example, which the remarks say."""
    system = situation.system
    examples = HOTSPOT_INTERFACES if place is PlaceId.HOTSPOT else EXAMPLE_INTERFACES
    interface = situation.interface or examples[system]
    remarks = []
    if situation.interface is None:
        which = "; take the hotspot's, not the cable to the router" if place is PlaceId.HOTSPOT else ""
        remarks.append(
            f"'{interface}' is an example: '{LIST_INTERFACES[system]}' lists this computer's "
            f"interfaces{which}."
        )
    if place is PlaceId.OWN_HOST:
        return Commands(
            ours=(
                f"auditor record {_shell(interface)} --announcements --folder {FOLDER} --minutes "
                f"{situation.minutes}"
            ),
            general=_general(situation, interface, "udp port 5353 or udp port 1900"),
            afterwards=f"auditor check {FOLDER}",
            remarks=tuple(remarks),
        )
    if place in {PlaceId.ROUTER, PlaceId.ACCESS_POINT}:
        remarks.append(
            "Our recorder runs where Python runs. A router or access point without it sends its packets "
            "here: the second command does that ('br-lan' is an example of its inner interface), until "
            f"you end it with Ctrl-C after {situation.minutes} minutes; so does a page for packet capture "
            "in its settings, if it has one."
        )
    if system is not System.WINDOWS:
        remarks.append(
            "Recording needs rights, so 'sudo' stands in front; our recorder gives them up once the "
            "interface is open. Where sudo does not find auditor, write the whole path, which "
            "'command -v auditor' tells."
        )
    if situation.home_file is None:
        remarks.append(
            f"'{HOME_FILE}' is begun by '--save {HOME_FILE}' of this command, or by the recorder with the "
            "first mark."
        )
    home = f"--home {_shell(situation.home_file or HOME_FILE)}"
    then = ";" if system is System.WINDOWS else " &&"  # the shell that Windows brings knows no &&
    return Commands(
        ours=_ours(situation, interface, home),
        general=_remote(situation)
        if place in {PlaceId.ROUTER, PlaceId.ACCESS_POINT}
        else _general(situation, interface, _device_filter(situation)),
        afterwards=f"auditor check {FOLDER} {home}{then} auditor audit {FOLDER} {home}",
        remarks=tuple(remarks),
    )


def _ours(situation: Situation, interface: str, home: str) -> str:
    rights = "" if situation.system is System.WINDOWS else "sudo "
    parts = [f"{rights}auditor record", _shell(interface), f"--folder {FOLDER}"]
    parts.append(f"--minutes {situation.minutes} --size {RING_FILE_MEGABYTES} --keep {RING_FILES}")
    if situation.light is not None:
        parts.append(f"--device {format_link(situation.light)}")
    return " ".join([*parts, home])


def _device_filter(situation: Situation) -> str:
    if situation.light is None:
        return ""
    return f"ether host {format_link(situation.light)} or ether broadcast or ether multicast"


def _general(situation: Situation, interface: str, capture_filter: str) -> str:
    seconds = situation.minutes * 60
    quoted = f' "{capture_filter}"' if capture_filter else ""
    if situation.system is System.WINDOWS:
        name = "".join(sign for sign in interface if sign.isprintable() and sign not in "'\"\\`$")
        sniffed = f"iface='{name}', timeout={seconds}, store=False, prn=file.write"
        wanted = f", filter='{capture_filter}'" if capture_filter else ""
        return (
            f'mkdir {FOLDER}; python -c "from scapy.sendrecv import sniff; '
            "from scapy.utils import PcapWriter; "
            f"file = PcapWriter('{FOLDER}/recording.pcap'); sniff({sniffed}{wanted})\""
        )
    timed, owner = "", ""
    if situation.system is System.LINUX:
        # In the foreground Ctrl-C reaches it behind sudo. It writes as a user of its own, who may not write
        # here, unless it is told whose the files are.
        timed, owner = f"timeout --foreground {seconds} ", ' -Z "$(id -un)"'
    return (
        f"mkdir -p {FOLDER} && sudo {timed}tcpdump -i {_shell(interface)}{owner} -s 0 -C "
        f"{RING_FILE_MEGABYTES} -W {RING_FILES} -w {FOLDER}/recording.pcap{quoted}"
    )


def _remote(situation: Situation) -> str:
    """Without a quotation mark: the words pass two shells, and one more on Windows."""
    capture_filter = _device_filter(situation) or "not tcp port 22"
    there = f"ssh root@router tcpdump -i br-lan -s 0 -U -w - {capture_filter}"
    if situation.system is System.WINDOWS:  # its usual shell would rewrite the octets as text
        return f'mkdir {FOLDER}; cmd /c "{there} > {FOLDER}/recording.pcap"'
    return f"mkdir -p {FOLDER} && {there} > {FOLDER}/recording.pcap"


def _shell(word: str) -> str:
    """A word of the user for a shell: quoted where it is more than letters, digits and ``.-_:/``."""
    if word and all(
        character.isascii() and (character.isalnum() or character in ".-_:/") for character in word
    ):
        return word
    return (
        '"'
        + "".join(character for character in word if character.isprintable() and character not in '"`$\\')
        + '"'
    )
