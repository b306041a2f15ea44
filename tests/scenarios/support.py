"""How a scenario asks for a judgement and reads the document (schema 1)."""

from __future__ import annotations

import contextlib
import io
import json
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import auditor
from auditor.cli.main import main
from tests.builders import Recording
from tests.household.home import CLOUD, HUB, LAPTOP, LIGHT, MAIN, PHONE, ROUTER, START_NS, WEB, Host, Segment
from tests.household.messages import http_request, http_response
from tests.household.sessions import stored

Document = dict[str, Any]
SEVERITIES = ("info", "low", "medium", "high", "critical")
FRIGHT = (
    "malware",
    "beacon",
    "hacked",
    "infected",
    "botnet",
    "attacker",
    "spying",
    "hijacked",
    "intruder",
    "ddos",
)
"""Words that no conclusion of a household's report may hold."""


def run(
    source: Recording | Path | Sequence[Path],
    folder: Path,
    *,
    devices: Sequence[str] = (LIGHT.link,),
    home: str | None = None,
    reveal: bool = True,
    **options: Any,
) -> Document:
    """Write the recording (``options`` as ``Recording.write``), audit it, hand back the JSON document."""
    paths = capture_paths(source, folder, **options)
    home_path = None
    if home is not None:
        home_path = folder / "home.yaml"
        home_path.write_text(home, "utf-8")
    report = auditor.audit(paths, devices=devices, home=home_path, reveal=reveal)
    made = report.to_json()
    return json.loads(made) if isinstance(made, str | bytes) else made


def capture_paths(source: Recording | Path | Sequence[Path], folder: Path, **options: Any) -> list[Path]:
    """Files of a recording, one or those that are there already."""
    if isinstance(source, Recording):
        return [source.write(folder / "recording.pcapng", **options)]
    return [source] if isinstance(source, Path) else list(source)


@dataclass(frozen=True, slots=True)
class Done:
    """What a command left behind."""

    returncode: int
    stdout: str
    stderr: str


def command(*arguments: str | Path) -> Done:
    """Run the command line as a user would, in this process: a new one would cost seconds each."""
    streams = [io.TextIOWrapper(io.BytesIO(), "utf-8", write_through=True) for _ in range(2)]
    with contextlib.redirect_stdout(streams[0]), contextlib.redirect_stderr(streams[1]):
        status = main([str(argument) for argument in arguments])
    return Done(int(status), *(stream.buffer.getvalue().decode("utf-8") for stream in streams))


def device_id(document: Document, host: Host) -> str:
    """Of a revealed document."""
    found = [d["device_id"] for d in document["devices"] if host.link in d["link_addresses"]]
    assert len(found) == 1, f"{host.name}: {found}"
    return found[0]


def device(document: Document, host: Host) -> Document:
    """The entry of ``devices[]``."""
    wanted = device_id(document, host)
    return next(d for d in document["devices"] if d["device_id"] == wanted)


def outcomes(document: Document, rule_id: str, host: Host | None = None) -> set[str]:
    """Outcomes of a rule, for one host or for all subjects."""
    wanted = None if host is None else device_id(document, host)
    found = {
        a["outcome"]
        for a in document["assessments"]
        if a["rule_id"] == rule_id and wanted in {None, a["device_id"]}
    }
    assert found, f"no assessment of {rule_id}"
    return found


def findings(document: Document, *rule_ids: str, host: Host | None = None) -> list[Document]:
    """Findings of these rules (all where none is named)."""
    wanted = None if host is None else device_id(document, host)
    return [
        f
        for f in document["findings"]
        if (not rule_ids or f["rule_id"] in rule_ids) and wanted in {None, f["device_id"]}
    ]


def at_least(document: Document, severity: str) -> list[str]:
    """Rules with findings of this severity or more."""
    least = SEVERITIES.index(severity)
    return sorted(f["rule_id"] for f in document["findings"] if SEVERITIES.index(f["severity"]) >= least)


def contacts(document: Document, host: Host, *, remote: bool = True) -> list[Document]:
    """Remote (or local) contacts of a host, as rows."""
    wanted = device_id(document, host)
    return [
        c for c in document["remote_contacts" if remote else "local_contacts"] if c["device_id"] == wanted
    ]


def controls(document: Document, host: Host, **fields: Any) -> list[Document]:
    """Rows of ``controls[]`` whose fields are these."""
    wanted = device_id(document, host)
    return [
        c
        for c in document["controls"]
        if c["device_id"] == wanted and all(c[name] == value for name, value in fields.items())
    ]


def capture_issues(document: Document) -> set[str]:
    """Kinds of what is wrong with the files."""
    return {issue["kind"] for capture in document["captures"] for issue in capture["issues"]}


def text_of(document: Document) -> str:
    """All that is concluded, in lower case: findings, reasons, scopes and what could not be seen."""
    parts: list[str] = []
    for finding in document["findings"]:
        parts += [finding["summary"], finding["household"], finding["rationale"]]
    for assessment in document["assessments"]:
        parts += [assessment[name] or "" for name in ("reason", "scope", "record_next")]
    for unseen in document["coverage"]["could_not_see"]:
        parts += unseen.values()
    for there in document["devices"]:
        parts += there["lighting"]["reasons"]
    return "\n".join(parts).lower()


def assert_calm(document: Document, *, allowed: Iterable[str] = ()) -> None:
    """No frightening word, and no claim that a recording cannot make."""
    text = text_of(document)
    for word in (*FRIGHT, "is secure", "is safe"):
        assert word in allowed or word not in text, word


def assert_honest(document: Document) -> None:
    """What every document owes: negatives with a scope, gaps with advice (house contract, section 2)."""
    for assessment in document["assessments"]:
        if assessment["outcome"] == "not-found":
            assert assessment["scope"], assessment
        if assessment["outcome"] == "undetermined":
            assert assessment["record_next"], assessment
        if assessment["outcome"] == "found":
            assert assessment["finding_ids"], assessment
    for finding in document["findings"]:
        assert finding["evidence"], finding["rule_id"]


def on_the_path(
    story: Callable[[Recording], None],
    *,
    seconds: float = 300,
    light: Host = LIGHT,
    seed: int = 77,
    segment: Segment = MAIN,
    start_ns: int = START_NS,
) -> Recording:
    """
    A recording from a mirror port in which a household lives beside the story.

    The laptop browses, the phone and the hub talk to each other, the light joins: the place of the recorder can so be
    told, and the light's own part is what the story says.
    """
    recording = Recording(seed=seed, segment=segment, start_ns=start_ns)
    recording.dhcp_lease(light)
    for moment in (4, seconds / 2, seconds - 4):
        recording.at(moment)
        recording.dns_lookup(LAPTOP, WEB.name, [WEB.ipv4])
        recording.tls_session(LAPTOP, WEB, stored(WEB.name, "1.3"))
        recording.http_exchange(
            PHONE, HUB, http_request("GET", "/scenes", HUB.ipv4), http_response(200, {}), port=8080
        )
        recording.arp(light, ROUTER)
    recording.at(10)
    story(recording)
    return recording


def cloud_session(recording: Recording, host: Host = LIGHT) -> None:
    """Look the cloud up and open a session with it."""
    recording.dns_lookup(host, CLOUD.name, [CLOUD.ipv4])
    recording.tls_session(host, CLOUD, stored(CLOUD.name))
