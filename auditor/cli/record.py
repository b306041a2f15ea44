"""``auditor record``: what passes an interface of this computer, into files that ``audit`` reads."""

from __future__ import annotations

import contextlib
import signal
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Annotated

import typer

from auditor.cli import options
from auditor.cli.exit import ExitStatus
from auditor.cli.output import print_result, say
from auditor.errors import OutputError, UsageError

if TYPE_CHECKING:
    from auditor.addresses import Address, LinkAddress
    from auditor.live.model import RecordingOptions, RecordingResult

MEGABYTE = 1_000_000
CONFIRMATION = "this light is mine"

Interface = Annotated[str, typer.Argument(metavar="INTERFACE", help="Interface of this computer.")]
Folder = Annotated[
    Path, typer.Option("--folder", metavar="DIR", help="Where the files go; made if it is missing.")
]
Stem = Annotated[str, typer.Option("--stem", metavar="NAME", help="Beginning of the files' names.")]
Minutes = Annotated[
    float | None,
    typer.Option(
        "--minutes", metavar="N", help="End after this time. Default: go on until q, Ctrl-C, a limit."
    ),
]
TotalSize = Annotated[
    float | None, typer.Option("--total-size", metavar="MB", help="End once so much has been recorded.")
]
Size = Annotated[float, typer.Option("--size", metavar="MB", help="Begin a new file at this size.")]
FileMinutes = Annotated[
    float | None, typer.Option("--file-minutes", metavar="N", help="Begin a new file after this time, too.")
]
Keep = Annotated[
    int, typer.Option("--keep", metavar="N", help="Keep the newest N complete files; 0 keeps all.")
]
Device = Annotated[
    str | None,
    typer.Option(
        "--device",
        metavar="DEVICE",
        help="Record only what goes from and to this link address (or nickname in the home file), and to "
        "groups. Default: everything.",
    ),
]
Snap = Annotated[
    int | None, typer.Option("--snap", metavar="N", help="Octets kept of each packet. Default: all.")
]
Ask = Annotated[
    list[str] | None,
    typer.Option(
        "--ask",
        metavar="ADDRESS",
        help="Ask this light of yours for its descriptions while recording, after you confirmed it by "
        "typing; sends no control message. May be repeated.",
    ),
]
Announcements = Annotated[
    bool,
    typer.Option("--announcements", help="Only announcements (mDNS, SSDP), without special rights."),
]
Home = Annotated[
    Path | None, typer.Option("--home", metavar="FILE", help="Home file that your marks are written into.")
]


def record(
    interface: Interface,
    folder: Folder,
    stem: Stem = "recording",
    minutes: Minutes = None,
    size: Size = 100.0,
    file_minutes: FileMinutes = None,
    total_size: TotalSize = None,
    keep: Keep = 0,
    device: Device = None,
    snap: Snap = None,
    ask: Ask = None,
    announcements: Announcements = False,
    home: Home = None,
    quiet: options.Quiet = False,
) -> int:
    """Record your own network; while it runs, m and a word notes what you do, q ends."""
    from auditor.live.model import SNAP_OCTETS, RecordingOptions
    from auditor.live.privileges import make_folder

    link = _device(device, home)
    for name, value in (
        ("--minutes", minutes),
        ("--file-minutes", file_minutes),
        ("--total-size", total_size),
    ):
        if value is not None and not 0 < value < float("inf"):
            raise UsageError(name, f"expected more than 0, found {value}")
    asked = _confirmed(ask or [], announcements=announcements)
    make_folder(folder)
    if announcements:
        return _announcements(interface, folder, stem, _seconds(minutes))
    wanted = RecordingOptions(
        interface=interface,
        folder=folder,
        stem=stem,
        file_octets=_octets(size),
        file_seconds=_seconds(file_minutes),
        keep_files=keep,
        stop_seconds=_seconds(minutes),
        stop_octets=None if total_size is None else _octets(total_size),
        device=link,
        snap_octets=SNAP_OCTETS if snap is None else snap,
    )
    if home is not None:
        from auditor.home import actions  # noqa: F401 - read while this user can still read everything
    result = _record(wanted, asked, quiet=quiet)
    return _finish(result, home)


def _seconds(minutes: float | None) -> float | None:
    """Minutes of an option as seconds."""
    return None if minutes is None else minutes * 60


def _confirmed(texts: list[str], *, announcements: bool) -> tuple[Address, ...]:
    """The addresses to ask, once a person has typed that they are theirs."""
    if not texts:
        return ()
    from auditor.live.probe import check_address

    asked = tuple(dict.fromkeys(check_address(text) for text in texts))
    if announcements:
        raise UsageError("--ask", "is for recordings of packets, not for --announcements")
    from auditor.live.terminal_marks import is_typed_at

    if not is_typed_at():
        raise UsageError("--ask", "needs a person at the terminal who confirms that the light is theirs")
    say(
        f"asks {', '.join(texts)} for descriptions: one connection or question a second, nothing is switched."
    )
    say(f"Only for a device that is yours. Type '{CONFIRMATION}' and Enter to go on:")
    if sys.stdin.readline(200).strip().casefold() != CONFIRMATION:
        raise UsageError("--ask", "was not confirmed; nothing was asked and nothing recorded")
    return asked


def _announcements(interface: str, folder: Path, stem: str, seconds: float | None) -> int:
    from auditor.live.announcements import record_announcements
    from auditor.live.privileges import drop_privileges

    def opened() -> None:
        drop_privileges(folder, say)
        say(f"recording announcements on {interface} into {folder}; Ctrl-C ends")

    stop = threading.Event()
    with _signals(stop):
        result = record_announcements(
            interface, folder, stem, seconds=seconds, stop=stop, tell=say, opened=opened
        )
    print_result(f"{result.file}\n")
    say(f"{result.datagrams} announcements of {result.senders} senders")
    return ExitStatus.JUDGED if result.datagrams else ExitStatus.COULD_NOT_JUDGE


def _octets(megabytes: float) -> int:
    if not 0 < megabytes < 1e9:
        raise UsageError("--size", f"expected more than 0 MB, found {megabytes}")
    return round(megabytes * MEGABYTE)


def _device(text: str | None, home: Path | None) -> LinkAddress | None:
    if text is None:
        return None
    from auditor.addresses import parse_link
    from auditor.home.loader import load_home

    with contextlib.suppress(ValueError):
        return parse_link(text)
    for named in load_home(home).devices if home is not None and home.exists() else ():
        if named.nickname is not None and named.nickname.casefold() == text.casefold():
            return named.link_address
    raise UsageError("--device", f"expected a link address, or a nickname in the home file, found {text!r}")


def _record(wanted: RecordingOptions, asked: tuple[Address, ...], *, quiet: bool) -> RecordingResult:
    from auditor.live.own_flows import OwnFlows
    from auditor.live.privileges import drop_privileges
    from auditor.live.probe import ask_devices
    from auditor.live.recorder import record as record_interface
    from auditor.live.terminal_marks import HOW, TerminalMarks, is_typed_at

    stop = threading.Event()
    own = OwnFlows(asked) if asked else None
    marks = TerminalMarks(sys.stdin.fileno(), stop, say) if is_typed_at() else None

    def opened() -> None:
        drop_privileges(wanted.folder, say)
        if not quiet:
            say(f"recording {wanted.interface} into {wanted.folder}")
            say(HOW if marks is not None else "Ctrl-C ends")
        if own is not None:
            arguments = (wanted.interface, own, stop, say)
            threading.Thread(target=ask_devices, args=arguments, daemon=True, name="questions").start()

    with _signals(stop):
        return record_interface(wanted, marks=marks, stop=stop, tell=say, opened=opened, own=own)


@contextlib.contextmanager
def _signals(stop: threading.Event) -> Iterator[None]:
    """Let an interruption end the recording in order, and a second one at once."""

    def end(number: int, frame: FrameType | None) -> None:  # noqa: ARG001 - the system's signature
        if stop.is_set():
            raise KeyboardInterrupt
        stop.set()

    before = {number: signal.signal(number, end) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _finish(result: RecordingResult, home: Path | None) -> int:
    for path in result.files:
        print_result(f"{path}\n")
    lost = "losses are not told by this system" if result.dropped is None else f"{result.dropped} lost"
    files = "1 file" if len(result.files) == 1 else f"{len(result.files)} files"
    say(f"{result.packets} packets recorded, {lost}; {files}, {result.octets} octets")
    if home is not None and result.marks:
        from auditor.home.actions import write_actions

        write_actions(home, result.marks)
        say(f"{len(result.marks)} mark{'' if len(result.marks) == 1 else 's'} written into {home}")
    if result.stopped_by == "disk":
        raise OutputError("the recording ended early, because it could not be written on")
    if not result.packets:
        say("nothing came: is this the interface that the light's traffic passes?")
        return ExitStatus.COULD_NOT_JUDGE
    return ExitStatus.JUDGED
