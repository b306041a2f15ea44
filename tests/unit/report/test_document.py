"""
The document against its schema and the house contract.

Oracles: jsonschema (JSON Schema 2020-12); RFC 3339 and RFC 5952 for texts.
"""

from __future__ import annotations

import ipaddress
import json
import random
from dataclasses import replace
from datetime import datetime
from typing import Any

import jsonschema
import pytest

from auditor.addresses import parse_address, parse_link
from auditor.dissect.message import Envelope, Issue, Message
from auditor.flows.flow import Endpoint, FlowKey, PacketReference
from auditor.redaction.documents import open_raw
from auditor.redaction.pseudonym import derive_key
from auditor.redaction.redact import redact
from auditor.report.document import NOTHING_JUDGED, build_document
from auditor.report.evidence import HeaderKeeper, PacketFlows
from auditor.report.json import render_members
from auditor.report.schema import load_report_schema
from auditor.ruleset.finding import Judgement
from tests.unit.report import fabricated

SCHEMA = load_report_schema()
VALIDATOR = jsonschema.Draft202012Validator(SCHEMA)


def document(**changes: Any) -> dict[str, Any]:
    return open_raw(
        build_document(fabricated.inventory(**changes), fabricated.judgement(), tool_version="0.1.0")
    )


def test_the_schema_is_one() -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMA)


def walk(schema: Any) -> Any:
    if isinstance(schema, dict):
        yield schema
        for value in schema.values():
            yield from walk(value)
    elif isinstance(schema, list):
        for value in schema:
            yield from walk(value)


def test_every_object_is_closed_and_every_property_described() -> None:
    objects = [part for part in walk(SCHEMA) if part.get("type") == "object"]
    assert len(objects) > 15
    for part in objects:
        assert part["additionalProperties"] is False
        for name, described in part["properties"].items():
            assert described.get("description"), name


@pytest.mark.parametrize("reveal", [True, False])
def test_the_document_is_valid(reveal: bool) -> None:
    inventory = fabricated.inventory()
    built = build_document(inventory, fabricated.judgement(), tool_version="0.1.0")
    VALIDATOR.validate(redact(built, inventory, key=derive_key(None, []), reveal=reveal))


def test_an_empty_recording_is_valid() -> None:
    empty = fabricated.inventory(
        captures=(fabricated.capture(packets=0, first_ns=None, last_ns=None, interfaces=()),),
        coverage=fabricated.coverage(
            vantage="unknown", abilities=(), phases=(), missing={}, could_not_see=(), duration_seconds=0.0
        ),
        devices=(),
        facts=fabricated.facts(),
        issues=(),
        unread_messages=0,
        other_devices=0,
    )
    built = build_document(empty, Judgement(assessments=(), findings=(), accepted=()), tool_version="0")
    VALIDATOR.validate(redact(built, empty, key=derive_key(None, []), reveal=False))


@pytest.mark.parametrize(
    ("table", "index", "key", "value"),
    [
        pytest.param("findings", 0, "surplus", 1, id="a-key-more"),
        pytest.param("findings", 0, "severity", "grave", id="an-unknown-word"),
        pytest.param("assessments", 1, "scope", None, id="not-found-without-scope"),
        pytest.param("assessments", 2, "record_next", None, id="undetermined-without-advice"),
        pytest.param("remote_contacts", 0, "first_seen", "yesterday", id="no-time"),
    ],
)
def test_the_schema_refuses(table: str, index: int, key: str, value: object) -> None:
    built = document()
    built[table][index][key] = value
    assert not VALIDATOR.is_valid(built)


def test_times_are_rfc_3339_with_nanoseconds() -> None:
    contact = fabricated.remote_contact(first_seen_ns=1_772_388_000_123_456_789)
    row = document(facts=fabricated.facts(contact))["remote_contacts"][0]
    assert row["first_seen"] == "2026-03-01T18:00:00.123456789Z"
    assert datetime.fromisoformat(row["first_seen"][:26] + "+00:00").timestamp() == pytest.approx(
        1_772_388_000.123456
    )


def test_addresses_are_written_as_rfc_5952_says() -> None:
    for text in document()["devices"][0]["addresses"]:
        assert text == str(ipaddress.ip_address(text))


def test_evidence_names_capture_packet_and_time() -> None:
    evidence = document()["findings"][0]["evidence"]
    assert [(item["capture"], item["packet"]) for item in evidence] == [
        ("home.pcapng", 91),
        ("home.pcapng", 95),
    ]
    assert evidence[0]["time"] == "2026-03-01T18:00:03.000000000Z"
    assert evidence[1]["time"] is None  # the facts do not tell it


def test_kept_headers_say_who_sent_what_to_whom() -> None:
    light = Endpoint(parse_link(fabricated.LIGHT_LINK), parse_address("192.168.77.20"), 80)
    phone = Endpoint(parse_link(fabricated.PHONE_LINK), parse_address("192.168.77.33"), 51_324)
    key = FlowKey(phone, light, 0x0800, 6, 0)
    keeper = HeaderKeeper()
    keeper.keep(
        [
            Envelope(
                "http", key, True, PacketReference(0, 91), fabricated.START_NS + 5, Message(length=10), 1
            ),
            Envelope(
                "http", key, False, PacketReference(0, 95), fabricated.START_NS + 6, Message(length=10), 1
            ),
            Issue(where="http", problem="broken", packet=PacketReference(0, 95), timestamp_ns=7),
        ]
    )
    inventory = fabricated.inventory()
    built = build_document(inventory, fabricated.judgement(), tool_version="0", headers=keeper.headers())
    evidence = open_raw(built)["findings"][0]["evidence"]
    assert evidence[1]["time"] == "2026-03-01T18:00:00.000000006Z"
    assert evidence[1]["excerpt"] == f"http, {fabricated.LIGHT} port 80 to {fabricated.PHONE} port 51324"
    shown = redact(built, inventory, key=derive_key(None, []))["findings"][0]["evidence"][0]["excerpt"]
    assert shown.startswith("http, phone-")
    assert fabricated.PHONE not in shown


def test_headers_are_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("auditor.report.evidence.MAX_HEADERS", 3)
    end = Endpoint(parse_link(fabricated.LIGHT_LINK), parse_address("192.168.77.20"), 80)
    key = FlowKey(end, end, 0x0800, 6, 0)
    keeper = HeaderKeeper()
    for number in range(1, 10):
        keeper.keep([Envelope("http", key, True, PacketReference(0, number), 0, Message(length=1), 1)])
    assert len(keeper.headers()) == 3


def test_kept_headers_read_like_the_messages_they_came_from() -> None:
    end = Endpoint(parse_link(fabricated.PHONE_LINK), parse_address("192.168.77.33"), 51_324)
    light = Endpoint(parse_link(fabricated.PHONE_LINK), parse_address("192.168.77.21"), 80)
    keys = [FlowKey(end, light, 0x0800, 6, 0), FlowKey(light, end, 0x0800, 17, 3)]
    said = [
        Envelope("http", keys[0], True, PacketReference(1, 7), 70, Message(length=1), 1),
        Envelope("tls", keys[1], False, PacketReference(0, 9), 90, Message(length=1), 1),
        Envelope("tls", keys[0], True, PacketReference(1, 7), 71, Message(length=1), 1),
    ]
    keeper = HeaderKeeper()
    for envelope in said:
        keeper.keep([envelope])

    headers = keeper.headers()

    assert dict(headers) == {
        PacketReference(0, 9): (90, "tls", keys[1], False),
        PacketReference(1, 7): (70, "http", keys[0], True),
    }
    assert headers.get(PacketReference(0, 8)) is None
    assert headers.get(PacketReference(9, 9)) is None
    assert dict(PacketFlows(headers)) == {PacketReference(0, 9): keys[1], PacketReference(1, 7): keys[0]}


def test_captures_of_one_name_are_told_apart_and_lose_their_folders() -> None:
    captures = tuple(
        fabricated.capture(name=name) for name in ("/home/anna/a.pcap", "C:\\anna\\a.pcap", "a.pcap")
    )
    names = [row["name"] for row in document(captures=captures)["captures"]]
    assert names == ["a.pcap", "a.pcap (2)", "a.pcap (3)"]


def test_an_acceptance_that_ran_out_counts_again() -> None:
    judgement = fabricated.judgement(findings=(), accepted=(fabricated.accepted(expired=True),))
    built = build_document(fabricated.inventory(), judgement, tool_version="0")
    assert [one["finding_id"] for one in open_raw(built)["findings"]] == ["fedcba9876543210"]
    running = fabricated.judgement(findings=(), accepted=(fabricated.accepted(),))
    again = build_document(fabricated.inventory(), running, tool_version="0")
    assert open_raw(again)["findings"] == []


def test_the_order_of_facts_changes_nothing() -> None:
    inventory = fabricated.inventory()
    first = render_members(open_raw(build_document(inventory, fabricated.judgement(), tool_version="0")))
    shuffled = {}
    for word, facts in inventory.facts.items():
        mixed = list(facts)
        random.Random(7).shuffle(mixed)
        shuffled[word] = tuple(mixed)
    again = build_document(replace(inventory, facts=shuffled), fabricated.judgement(), tool_version="0")
    assert render_members(open_raw(again)) == first


def test_json_is_ascii_and_keeps_every_name() -> None:
    hostile = "\x1b[2J\u202elamp\u200b\ud800"
    devices = (replace(fabricated.household()[0], hostnames=(hostile,)),)
    text = render_members(document(devices=devices, facts=fabricated.facts()))
    assert text.isascii()
    assert not any(character < " " and character != "\n" for character in text)
    assert json.loads(text)["devices"][0]["hostnames"] == [hostile]


def test_what_the_run_could_not_see_stands_first() -> None:
    entry = replace(fabricated.coverage().could_not_see[0], question=NOTHING_JUDGED)
    built = build_document(
        fabricated.inventory(), fabricated.judgement(), tool_version="0", could_not_see=[entry]
    )
    questions = [row["question"] for row in open_raw(built)["coverage"]["could_not_see"]]
    assert questions[0] == NOTHING_JUDGED
    assert "What does it do while nobody acts?" in questions  # of the abilities that are missing
