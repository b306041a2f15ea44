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

EXAMPLE_INTERFACES: Mapping[System, str] = {
    System.LINUX: "eth0",
    System.MACOS: "en0",
    System.WINDOWS: "Ethernet",
}
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
    interface = situation.interface or EXAMPLE_INTERFACES[system]
    remarks = []
    if situation.interface is None:
        remarks.append(
            f"'{interface}' is an example: '{LIST_INTERFACES[system]}' lists this computer's interfaces."
        )
    if place is PlaceId.OWN_HOST:
        return Commands(
            ours=f"auditor record --announcements --minutes {situation.minutes} --folder {FOLDER}",
            general=_general(situation, interface, "udp port 5353 or udp port 1900"),
            afterwards=f"auditor check {FOLDER}",
            remarks=tuple(remarks),
        )
    if place in {PlaceId.ROUTER, PlaceId.ACCESS_POINT}:
        remarks.append(
            "Our recorder runs where Python runs. A router or access point without it sends its packets "
            "here: the second command does that ('br-lan' is an example of its inner interface); so does "
            "a page for packet capture in its settings, if it has one."
        )
    if system is System.LINUX:
        remarks.append(
            "Recording needs rights: put 'sudo' in front; they are given up once the interface is open."
        )
    return Commands(
        ours=_ours(situation, interface),
        general=_remote(situation)
        if place in {PlaceId.ROUTER, PlaceId.ACCESS_POINT}
        else _general(situation, interface, _device_filter(situation)),
        afterwards=f"auditor check {FOLDER} && auditor audit {FOLDER} --home home.yaml",
        remarks=tuple(remarks),
    )


def _ours(situation: Situation, interface: str) -> str:
    parts = ["auditor record", _shell(interface), f"--folder {FOLDER}", f"--minutes {situation.minutes}"]
    if situation.light is not None:
        parts.append(f"--device {format_link(situation.light)}")
    parts.append("--home home.yaml")
    return " ".join(parts)


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
            'python -c "from scapy.sendrecv import sniff; from scapy.utils import PcapWriter; '
            f"file = PcapWriter('{FOLDER}/recording.pcap'); sniff({sniffed}{wanted})\""
        )
    timed = f"timeout {seconds} " if situation.system is System.LINUX else ""
    return (
        f"sudo {timed}tcpdump -i {_shell(interface)} -s 0 -C {RING_FILE_MEGABYTES} -W {RING_FILES} -w "
        f"{FOLDER}/recording.pcap{quoted}"
    )


def _remote(situation: Situation) -> str:
    capture_filter = _device_filter(situation) or "not tcp port 22"
    return f"ssh root@router \"tcpdump -i br-lan -s 0 -U -w - '{capture_filter}'\" > {FOLDER}/recording.pcap"


def _shell(word: str) -> str:
    """A word of the user for a shell: quoted where it is more than letters, digits and ``.-_:``."""
    if word and all(
        character.isascii() and (character.isalnum() or character in ".-_:") for character in word
    ):
        return word
    return (
        '"'
        + "".join(character for character in word if character.isprintable() and character not in '"`$\\')
        + '"'
    )
