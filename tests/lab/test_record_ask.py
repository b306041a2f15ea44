"""
Questions to one's own light: how many, at which pace, and how the audit tells them from habits.

Oracle: the light's own web server (http.server of Python) counts what it was asked, and when.
"""

import itertools
import json

import pytest

import auditor
from auditor.capture.own_questions import OWN_PACKET
from auditor.capture.reader import open_capture
from tests.household.home import LIGHT, PHONE
from tests.lab.house import ROOT
from tests.lab.recorded import at_home
from tests.lab.recorders import RECORD, files
from tests.scenarios.support import device_id

pytestmark = [pytest.mark.lab, pytest.mark.xdist_group("lab-record-ask")]
CONFIRMED = "this light is mine"


@pytest.fixture(scope="module")
def asked(tmp_path_factory):
    folder = tmp_path_factory.mktemp("ask")
    home = folder / "home.yaml"
    home.write_text(
        '# ours\ndevices:\n  - {link_address: "00:00:5e:00:53:21", nickname: shelf light}  # keep\n'
    )
    with at_home(folder) as house:
        house.start_role("light", "recording.answering_light", LIGHT.ipv4)
        log = house._logs[-1]
        done = house.role(
            "phone", "recording.typed_at", *RECORD[1:], "eth0", "--folder", folder / "ours", "--ask", LIGHT.ipv4,
            "--home", home,
            "TYPE", f"to go on=>{CONFIRMED}", "Enter ends=>m app the phone's", "marked=>nonsense",
            "everything was asked=>q",
        ).said  # fmt: skip
        refused = [
            house.role("phone", "recording.typed_at", *RECORD[1:], "eth0", "--folder", folder / "none", "--ask", address,
                       "TYPE", "to go on=>yes").said
            for address in (LIGHT.ipv4, "198.51.100.7")
        ]  # fmt: skip
        unattended = house.inside(
            "phone",
            "env",
            f"PYTHONPATH={ROOT}",
            *RECORD,
            "eth0",
            "--folder",
            folder / "none",
            "--ask",
            LIGHT.ipv4,
        )
        requests = [json.loads(line) for line in log.read_text().splitlines() if line.startswith("{")]
    return folder, done, refused, unattended, requests, home


def test_the_light_was_asked_slowly_and_only_to_read(asked):
    folder, done, _, _, requests, _ = asked
    assert done["status"] == 0, done["said"]
    assert [(one.get("method"), one.get("path")) for one in requests if "path" in one] == [
        ("GET", "/"), ("GET", "/description.xml"),
    ]  # fmt: skip
    assert len([one for one in requests if "search" in one]) == 1
    beginnings = []
    seen = set()
    [path] = files(folder / "ours")
    for envelope in connection_attempts(path):
        if envelope[1] not in seen:
            seen.add(envelope[1])
            beginnings.append(envelope[0])
    assert len(beginnings) >= 10  # nine ports and the description
    gaps = [(later - earlier) / 1e9 for earlier, later in itertools.pairwise(beginnings)]
    assert min(gaps) > 0.95


def connection_attempts(path):
    """Time and port of each first segment of the phone (RFC 9293: SYN alone)."""
    for batch in auditor.open_capture(path):
        for row in range(len(batch.timestamp_ns)):
            if batch.protocol[row] == 6 and batch.tcp_flags[row] & 0x12 == 0x02:
                yield int(batch.timestamp_ns[row]), int(batch.source_port[row])


def test_the_file_says_whose_questions_they_are(asked):
    [path] = files(asked[0] / "ours")
    with open_capture(path) as reader:
        for _ in reader:
            pass
        comments = reader.facts.comments
        interface = reader.facts.interfaces[0]
    marked = {one.packet_number for one in comments if one.text == OWN_PACKET}
    assert interface.link_address == bytes.fromhex(PHONE.link.replace(":", ""))
    assert (
        comments[0].text
        == f"the recorder (link address {PHONE.link}) asked {LIGHT.ipv4} for its descriptions"
    )
    tcp = set()
    number = 0
    for batch in auditor.open_capture(path):
        for row in range(len(batch.timestamp_ns)):
            number += 1
            if batch.protocol[row] == 6:
                tcp.add(number)
    assert tcp
    assert tcp <= marked


def test_the_audit_takes_them_for_nobodys_habit(asked):
    [path] = files(asked[0] / "ours")
    document = json.loads(auditor.audit(path, devices=[LIGHT.link], reveal=True).to_json())
    phone = device_id(document, PHONE)

    roles = {one["device_id"]: one["roles"] for one in document["devices"]}
    assert "recorder" in roles.get(phone, ["recorder"])
    found = {one["rule_id"] for one in document["findings"]}
    assert not found & {"light-control-without-login", "state-readable-without-login"}
    services = {one["port"]: one["state"] for one in document["services"] if one["transport"] == "tcp"}
    assert services[80] == "answered"
    assert services[22] == "refused"


def test_the_mark_is_in_the_recording_and_in_the_home_file(asked):
    folder, done, _, _, _, home = asked
    text = home.read_text()
    assert text.startswith("# ours\n")
    assert "# keep" in text
    from auditor.home.loader import load_home

    [action] = load_home(home).actions
    assert action.what == "app the phone's"
    assert "type m and the word" in done["said"].split("nonsense")[-1]
    [path] = files(folder / "ours")
    with open_capture(path) as reader:
        for _ in reader:
            pass
        [comment] = [one for one in reader.facts.comments if one.text.startswith("action:")]
    assert comment.text == "action: app the phone's"
    assert 0 <= comment.timestamp_ns - action.at_ns < 5e9


def test_without_the_words_or_a_person_or_at_home_nothing_is_asked(asked):
    folder, _, refused, unattended, _, _ = asked
    assert [one["status"] for one in refused] == [2, 2]
    assert "was not confirmed" in refused[0]["said"]
    assert "is not an address inside a home" in refused[1]["said"]
    assert unattended.returncode == 2
    assert "needs a person at the terminal" in unattended.stderr
    assert not (folder / "none").exists()
