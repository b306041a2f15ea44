"""
Exit statuses, streams, encodings, files.

The table of exit statuses is that of house section 8; "quiet on a closed pipe",
NO_COLOR and TERM=dumb are common practice.
"""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from auditor.cli.main import main
from auditor.cli.output import columns_of, is_colourful, write_result
from auditor.errors import OutputError
from tests.unit.cli import stand_in

ROOT = Path(__file__).resolve().parents[3]


@pytest.fixture(autouse=True)
def _pipeline(monkeypatch: pytest.MonkeyPatch) -> None:
    import auditor

    fake = stand_in.pipeline()
    monkeypatch.setitem(sys.modules, "auditor.pipeline", fake)
    monkeypatch.setattr(auditor, "pipeline", fake, raising=False)


def run(*arguments: str, program: str = "stand_in", **environment: str) -> subprocess.CompletedProcess[bytes]:
    start = [str(ROOT / "tests/unit/cli/stand_in.py")] if program == "stand_in" else ["-m", "auditor"]
    given = {
        "PATH": os.environ["PATH"],
        "PYTHONPATH": str(ROOT),
        "PYTHONDONTWRITEBYTECODE": "1",
        **environment,
    }
    return subprocess.run(
        [sys.executable, *start, *arguments], capture_output=True, env=given, cwd=ROOT, timeout=60
    )


@pytest.mark.parametrize(
    ("arguments", "status"),
    [
        pytest.param(["audit", "quiet.pcap"], 0, id="judged"),
        pytest.param(["audit", "low.pcap"], 0, id="below-the-alarm"),
        pytest.param(["audit", "medium.pcap"], 1, id="at-the-alarm"),
        pytest.param(["audit", "critical.pcap"], 1, id="above-the-alarm"),
        pytest.param(["audit", "low.pcap", "--alarm-from", "low"], 1, id="alarm-lowered"),
        pytest.param(["audit", "critical.pcap", "--alarm-from", "never"], 0, id="alarm-off"),
        pytest.param(["audit", "elsewhere.pcap"], 3, id="could-not-judge"),
        pytest.param(["audit", "elsewhere-and-medium.pcap"], 1, id="findings-before-not-judged"),
        pytest.param(["check", "quiet.pcap"], 0, id="check"),
        pytest.param(["check", "elsewhere.pcap"], 3, id="check-could-not-judge"),
        pytest.param(["audit", "home-error.pcap"], 2, id="home-file"),
        pytest.param(["audit", "rule-errors.pcap"], 2, id="rule-files"),
        pytest.param(["audit", "disk-full.pcap"], 2, id="output"),
        pytest.param(["audit", "no-capture.pcap"], 3, id="unreadable"),
        pytest.param(["audit", "nothing-there.pcap"], 3, id="no-device"),
        pytest.param(["audit", "our-fault.pcap"], 4, id="our-fault"),
        pytest.param(["audit", "interrupted.pcap"], 130, id="interrupted"),
        pytest.param(["audit"], 2, id="no-capture-given"),
        pytest.param(["audit", "quiet.pcap", "--format", "pdf"], 2, id="unknown-format"),
        pytest.param(["audit", "quiet.pcap", "--no-such-option"], 2, id="unknown-option"),
        pytest.param(["no-such-command"], 2, id="unknown-command"),
        pytest.param(["--help"], 0, id="help"),
        pytest.param(["--version"], 0, id="version"),
        pytest.param(["rules", "list"], 0, id="rules-list"),
        pytest.param(["rules", "explain", "light-control-without-login"], 0, id="rules-explain"),
        pytest.param(["rules", "explain", "no-such-rule"], 2, id="rules-explain-unknown"),
        pytest.param(["rules", "list", "--rules", "/no/such/folder"], 2, id="rules-folder-missing"),
    ],
)
def test_exit_status(arguments: list[str], status: int, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(arguments) == status
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    if status in (2, 4, 130) or "no-" in str(arguments):
        assert out == ""
        assert err.startswith("auditor: ")


def test_the_report_is_printed_where_nothing_could_be_judged(capsys: pytest.CaptureFixture[str]) -> None:
    main(["audit", "elsewhere.pcap"])
    out, err = capsys.readouterr()
    assert "WE CANNOT TELL: It was recorded elsewhere" in out
    assert err == "auditor: could not judge: it was recorded elsewhere\n"
    main(["audit", "elsewhere.pcap", "--quiet"])
    assert capsys.readouterr().err == ""


def test_every_mistake_of_a_rule_folder_has_its_line(capsys: pytest.CaptureFixture[str]) -> None:
    main(["audit", "rule-errors.pcap"])
    assert capsys.readouterr().err.splitlines() == [
        "auditor: mine.yaml:2:3: expected a key, found none",
        "auditor: mine.yaml:9:1: expected a list, found text",
    ]


def test_a_fault_of_ours_tells_its_place_and_no_recorded_name(capsys: pytest.CaptureFixture[str]) -> None:
    main(["audit", "our-fault.pcap"])
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith("auditor: ZeroDivisionError in stand_in.py line ")
    assert "wilhelmina" not in line


def test_strict_shows_the_traceback(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["audit", "our-fault.pcap", "--strict"]) == 4
    assert "Traceback" in capsys.readouterr().err


def test_json_alone_on_standard_output() -> None:
    done = run("audit", "elsewhere.pcap", "--format", "json")
    assert done.returncode == 3
    assert json.loads(done.stdout)["schema_version"] == 1
    assert done.stderr.count(b"\n") == 1


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "utf-8"])
@pytest.mark.parametrize("output_format", ["text", "json", "markdown"])
def test_every_encoding_of_a_console(encoding: str, output_format: str) -> None:
    done = run("audit", "medium.pcap", "--format", output_format, PYTHONIOENCODING=encoding)
    assert (done.returncode, done.stderr) == (1, b"")
    text = done.stdout.decode(encoding.partition(":")[0])
    assert "\x1b" not in text
    assert b"\r" not in done.stdout
    if output_format == "text" and encoding != "utf-8":
        assert "\\u5bdd\\u5ba4 -> \\x1b[2J" in text


def test_a_closed_pipe_is_no_error() -> None:
    given = {"PATH": os.environ["PATH"], "PYTHONPATH": str(ROOT)}
    program = [sys.executable, str(ROOT / "tests/unit/cli/stand_in.py"), "audit", "medium.pcap"]
    reader, writer = os.pipe()
    os.close(reader)
    done = subprocess.run(program, stdout=writer, stderr=subprocess.PIPE, env=given, timeout=60)
    os.close(writer)
    assert (done.returncode, done.stderr) == (1, b"")


def test_a_full_disk_behind_standard_output_is_told() -> None:
    if not Path("/dev/full").exists():
        pytest.skip("this system has no /dev/full")
    given = {"PATH": os.environ["PATH"], "PYTHONPATH": str(ROOT)}
    program = [sys.executable, str(ROOT / "tests/unit/cli/stand_in.py"), "audit", "quiet.pcap"]
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(program, stdout=full, stderr=subprocess.PIPE, env=given, timeout=60)
    assert done.returncode == 2
    assert done.stderr.startswith(b"auditor: standard output: No space left on device")
    assert b"Traceback" not in done.stderr


def test_the_module_runs_as_a_program() -> None:
    done = run("--version", program="module")
    assert (done.returncode, done.stdout, done.stderr) == (0, b"auditor 0.1.0\n", b"")


def test_help_names_every_option_of_the_contract(capsys: pytest.CaptureFixture[str]) -> None:
    main(["audit", "--help"])
    text = capsys.readouterr().out
    for option in ("device", "home", "rules", "format", "output", "alarm-from", "reveal", "strict", "quiet"):
        assert f"--{option}" in text
    assert all(len(line) <= 80 for line in text.splitlines())


def test_help_loads_nothing_heavy() -> None:
    code = (
        "import sys; from auditor.cli.main import main; main(['--help']); "
        "print(sorted({'numpy', 'yaml', 'rich', 'scapy', 'auditor.pipeline'} & set(sys.modules)), file=sys.stderr)"
    )
    given = {"PATH": os.environ["PATH"], "PYTHONPATH": str(ROOT)}
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, env=given, timeout=60, cwd=ROOT)
    assert done.stderr == b"[]\n"


class Terminal:
    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(
    ("variables", "painted"),
    [({}, True), ({"NO_COLOR": "1"}, False), ({"NO_COLOR": ""}, True), ({"TERM": "dumb"}, False)],
)
def test_colour_only_where_wanted(
    variables: dict[str, str], painted: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm")
    for name, value in variables.items():
        monkeypatch.setenv(name, value)
    stream: Any = Terminal()
    assert is_colourful(stream) is painted


def test_output_goes_into_the_file_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    target = tmp_path / "report.txt"
    target.write_text("old")
    assert main(["audit", "medium.pcap", "--output", str(target)]) == 1
    assert capsys.readouterr().out == ""
    assert "寝室 →" in target.read_text(encoding="utf-8")
    assert list(tmp_path.iterdir()) == [target]


def test_a_failed_run_leaves_the_old_file(tmp_path: Path) -> None:
    target = tmp_path / "report.txt"
    target.write_text("old")
    assert main(["audit", "our-fault.pcap", "--output", str(target)]) == 4
    assert target.read_text() == "old"


def test_a_failed_write_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    target = tmp_path / "report.txt"
    target.write_text("old")

    def fail(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(OutputError, match="what stood there before still stands"):
        write_result("new", target)
    assert target.read_text() == "old"
    assert list(tmp_path.iterdir()) == [target]


def test_a_link_keeps_pointing_where_it_did(tmp_path: Path) -> None:
    target, link = tmp_path / "real.txt", tmp_path / "link.txt"
    target.write_text("old")
    link.symlink_to(target)
    write_result("new", link)
    assert link.is_symlink()
    assert target.read_text() == "new"


def test_an_output_that_cannot_be_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["audit", "quiet.pcap", "--output", str(tmp_path / "no" / "x.txt")]) == 2
    assert "No such file or directory" in capsys.readouterr().err


@pytest.mark.parametrize("way", ["same", "hard-link", "link", "home", "in-folder"])
def test_an_input_is_never_overwritten(way: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    recording = tmp_path / "quiet.pcap"
    octets = bytes.fromhex("d4c3b2a1020004000000000000000000ffff000001000000")
    recording.write_bytes(octets)
    output, given = recording, [str(recording)]
    if way == "hard-link":
        output = tmp_path / "other.txt"
        output.hardlink_to(recording)
    elif way == "link":
        output = tmp_path / "other.txt"
        output.symlink_to(recording)
    elif way == "home":
        given = ["quiet", "--home", str(recording)]
    elif way == "in-folder":
        given = [str(tmp_path)]
    assert main(["audit", *given, "--output", str(output)]) == 2
    assert recording.read_bytes() == octets
    assert "is left as it is" in capsys.readouterr().err


def test_revealing_is_marked_in_every_format(capsys: pytest.CaptureFixture[str]) -> None:
    main(["audit", "quiet.pcap", "--reveal", "--format", "json"])
    assert json.loads(capsys.readouterr().out)["redaction"]["revealed"] is True
    for output_format in ("text", "markdown"):
        main(["audit", "quiet.pcap", "--reveal", "--format", output_format])
        assert "contains private data" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("given", "expected"), [("40", 40), ("80", 80), ("12", 40), ("500", 100), ("nonsense", 80), ("", 80)]
)
def test_a_terminal_gives_its_width(given: str, expected: int, monkeypatch: pytest.MonkeyPatch) -> None:
    # COLUMNS: POSIX.1-2017 section 8.3
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.setenv("COLUMNS", given)
    monkeypatch.setattr(os, "get_terminal_size", lambda *_: os.terminal_size((80, 24)))
    assert columns_of(Terminal()) == expected
    assert columns_of(io.StringIO()) == 80
    assert columns_of(None) == 80


def test_the_rest_is_printed_on_request() -> None:
    first, everything = run("audit", "medium.pcap"), run("audit", "medium.pcap", "--all")
    assert first.returncode == everything.returncode == 1
    assert b"--all" in first.stdout
    assert b"\nCautions\n" not in first.stdout
    assert b"\nCautions\n" in everything.stdout
