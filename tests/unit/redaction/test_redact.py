"""
Nothing private passes the gate (scenario S39): fifty planted strings, none found in any form of the report.

The addresses' text forms come from the standard library's ipaddress module.
"""

from __future__ import annotations

import ipaddress
import json
from dataclasses import replace
from typing import Any

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from auditor.addresses import parse_address, parse_link
from auditor.inventory.model import CouldNotSee, Inventory, LightingRank
from auditor.redaction.documents import open_raw
from auditor.redaction.pseudonym import derive_key
from auditor.redaction.redact import HIDDEN_ADDRESS, HIDDEN_NAME, redact
from auditor.report.document import build_document
from auditor.report.json import render_json, render_members
from auditor.report.markdown import render_markdown
from auditor.report.schema import load_report_schema
from auditor.report.story import tell_audit, tell_check
from auditor.report.text import render_text
from tests.unit.report import fabricated

KEY = derive_key(b"a key of the household", [])


def gate(inventory: Inventory, judgement: Any = None, **options: Any) -> dict[str, Any]:
    built = build_document(inventory, judgement or fabricated.judgement(), tool_version="0")
    return redact(built, inventory, key=KEY, **options)


def all_forms(document: dict[str, Any]) -> str:
    """Every form of the report, with breaks undone, so that a word split over two lines is found too."""
    printed = [
        render_text(tell_audit(document)),
        render_text(tell_check(document)),
        render_markdown(tell_audit(document)),
    ]
    decoded = json.dumps(json.loads(render_json(document)), ensure_ascii=False)
    joined = "\n".join([*printed, decoded, render_json(document)])
    return (joined + "".join(joined.split()) + joined.replace("\\", "")).casefold()


def planted_household() -> tuple[Inventory, list[str]]:
    """An inventory with fifty private strings in every place where a recording can put one."""
    planted: list[str] = []
    devices = [fabricated.household()[0]]
    facts: list[Any] = [fabricated.remote_contact(), fabricated.service(), fabricated.control()]
    for number in range(1, 6):
        link = f"06:a1:b2:c3:d4:{number:02x}"
        interface = (
            f"04a1:b2ff:fec3:d4{number:02x}"  # RFC 4291 appendix A: the U/L bit inverted, ff:fe inside
        )
        ipv4, ipv6 = f"192.168.77.{100 + number}", f"fd00:77::{interface.lstrip('0')}"
        name, nickname = f"ottilies-tablet-{number}", f"Ottilie's room {number}"
        contacted = f"diary{number}.private.example"
        own = fabricated.device(
            f"dev-0a0a0a0{number}",
            link,
            nickname=nickname,
            addresses=(parse_address(ipv4), parse_address(ipv6)),
            hostnames=(f"{name}.local", name),
            vendor=f"Chip Works {number}",
            roles=("phone",),
            lighting=LightingRank(rank=number + 1, confidence="perhaps", reasons=(f"{name} is a lamp",)),
        )
        devices.append(own)
        facts += [
            fabricated.remote_contact(device_id=own.device_id, name=contacted, address=f"203.0.113.{number}"),
            fabricated.session(device_id=own.device_id, peer_name=f"sni{number}.private.example"),
            fabricated.service(device_id=own.device_id, port=4000 + number),
            fabricated.control(from_id=own.device_id),
            fabricated.local_contact(device_id=own.device_id, peer_id=fabricated.LIGHT),
        ]
        planted += [link, link.replace(":", "-"), ipv4, str(ipaddress.ip_address(ipv6)), name, nickname]
        planted += [contacted, f"sni{number}.private.example", own.device_id, f"Chip Works {number}"]
    inventory = fabricated.inventory(devices=tuple(devices), facts=fabricated.facts(*facts))
    return inventory, planted


def test_fifty_planted_strings_are_found_nowhere() -> None:
    inventory, planted = planted_household()
    assert len(set(planted)) == 50
    everything = " ".join(planted)
    coverage = fabricated.coverage(
        could_not_see=(CouldNotSee(question=everything, reason=everything, record_next=everything),)
    )
    judgement = fabricated.judgement(
        findings=(fabricated.finding(summary=everything, household=everything),),
        assessments=tuple(replace(one, reason=everything) for one in fabricated.assessments()),
    )
    document = gate(replace(inventory, coverage=coverage), judgement)
    text = all_forms(document)
    assert [word for word in planted if word.casefold() in text] == []
    jsonschema.Draft202012Validator(load_report_schema()).validate(document)


def test_the_planted_strings_are_there_when_revealed() -> None:
    # Proof that the test above could fail.
    inventory, planted = planted_household()
    document = gate(inventory, reveal=True)
    text = json.dumps(document, ensure_ascii=False)
    missing = [word for word in planted if word not in text and "-" not in word and "sni" not in word]
    assert missing == []
    assert document["redaction"] == {"applied": False, "revealed": True}


def test_the_chosen_device_keeps_what_is_its_own() -> None:
    document = gate(fabricated.inventory())
    light = document["devices"][0]
    assert light["nickname"] == "shelf light"
    assert light["addresses"] == ["192.168.77.20", "fd00:77::20"]
    assert document["remote_contacts"][0]["name"] == "cloud.example"
    assert document["remote_contacts"][0]["address"] == "198.51.100.7"


def test_what_only_others_did_is_counted() -> None:
    document = gate(fabricated.inventory())
    withheld = {row["problem"]: row["count"] for row in document["issues"] if row["where"] == "redaction"}
    assert withheld == {
        "other devices": 3,
        "services of other devices": 1,
        "remote contacts of other devices": 1,
        "local contacts of other devices": 1,
        "controls of other devices": 1,
    }


def test_one_device_has_one_pseudonym_everywhere() -> None:
    document = gate(fabricated.inventory())
    phone = next(row["device_id"] for row in document["devices"] if "phone" in row["roles"])
    assert phone.startswith("phone-")
    assert document["controls"][0]["from_id"] == phone
    assert phone in document["findings"][0]["summary"]
    assert phone in {row["device_id"] for row in document["local_contacts"]}


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        pytest.param("asked aa:bb:cc:dd:ee:0f", f"asked {HIDDEN_ADDRESS}", id="link-address"),
        pytest.param("AA-BB-CC-DD-EE-0F", HIDDEN_ADDRESS, id="link-address-with-hyphens"),
        pytest.param("id aabbccddee0f.", f"id {HIDDEN_ADDRESS}.", id="link-address-without-separators"),
        pytest.param("the word abcdefabcdef", "the word abcdefabcdef", id="twelve-letters-stay"),
        pytest.param("tv.\u0131nternal", HIDDEN_NAME, id="a-dotless-letter-is-no-way-out"),
        pytest.param("TV.LOCAL", HIDDEN_NAME, id="local-name-in-capitals"),
        pytest.param("192.168.77.99, port 80", f"{HIDDEN_ADDRESS}, port 80", id="ipv4"),
        pytest.param("(2001:db8::1)", f"({HIDDEN_ADDRESS})", id="ipv6"),
        pytest.param("::ffff:192.168.77.99", HIDDEN_ADDRESS, id="ipv4-mapped"),
        pytest.param("asks annas-tv.local.", f"asks {HIDDEN_NAME}", id="local-name"),
        pytest.param("at 224.0.0.251 and ff02::fb", "at 224.0.0.251 and ff02::fb", id="groups-stay"),
        pytest.param("192.168.77.20 is its own", "192.168.77.20 is its own", id="own-address-stays"),
        pytest.param("at 12:34:56 version 1.2.3", "at 12:34:56 version 1.2.3", id="times-and-versions-stay"),
        pytest.param("shelf.local answered", "shelf.local answered", id="own-name-stays"),
    ],
)
def test_unforeseen_addresses_and_names_are_hidden(text: str, shown: str) -> None:
    judgement = fabricated.judgement(findings=(fabricated.finding(summary=text),))
    assert gate(fabricated.inventory(), judgement)["findings"][0]["summary"] == shown


@given(st.binary(min_size=6, max_size=6), st.sampled_from([":", "-", ""]), st.sampled_from(["", " at 1:2:3"]))
def test_every_form_of_a_link_address_is_hidden(octets: bytes, separator: str, behind: str) -> None:
    text = octets.hex(separator) if separator else octets.hex()
    if text.isalpha():
        return  # twelve letters and no digit: most likely a word
    judgement = fabricated.judgement(findings=(fabricated.finding(summary=f"of {text}{behind}"),))
    shown = gate(fabricated.inventory(), judgement)["findings"][0]["summary"]
    assert shown == f"of {HIDDEN_ADDRESS}{behind}"


@given(st.binary(min_size=16, max_size=16))
def test_every_ipv6_text_form_is_hidden(octets: bytes) -> None:
    address = ipaddress.IPv6Address(octets)
    if address.is_multicast or address.is_loopback or address.is_unspecified:
        return
    for text in (str(address), address.exploded, address.compressed.upper()):
        judgement = fabricated.judgement(findings=(fabricated.finding(summary=f"to {text}."),))
        assert text not in gate(fabricated.inventory(), judgement)["findings"][0]["summary"]


@pytest.mark.parametrize(
    "name", ["tcp", "established", "proven", "light", "network", "broadcast", "group:", "ipv4", "on"]
)
def test_a_name_like_a_word_of_the_schema_breaks_nothing(name: str) -> None:
    light, *_ = fabricated.household()
    other = fabricated.device("dev-00000002", fabricated.HUB_LINK, nickname=name, hostnames=(name,))
    document = gate(fabricated.inventory(devices=(light, other)))
    jsonschema.Draft202012Validator(load_report_schema()).validate(document)


@given(st.text(min_size=1, max_size=12))
def test_any_host_name_of_another_device_passes_without_a_fault(name: str) -> None:
    light, *_ = fabricated.household()
    other = fabricated.device("dev-00000002", fabricated.HUB_LINK, hostnames=(name,))
    judgement = fabricated.judgement(
        findings=(fabricated.finding(summary=f"{name} {name.upper()} {name.lower()}"),)
    )
    gate(fabricated.inventory(devices=(light, other)), judgement)


def test_letter_case_hides_no_name() -> None:
    # RFC 4343: names are the same whatever their case
    judgement = fabricated.judgement(findings=(fabricated.finding(summary="WILHELMINAS-PHONE asked"),))
    assert "wilhelmina" not in gate(fabricated.inventory(), judgement)["findings"][0]["summary"].lower()


def test_without_a_chosen_device_nobody_is_named() -> None:
    devices = tuple(replace(one, is_chosen=False) for one in fabricated.household())
    document = gate(fabricated.inventory(devices=devices))
    assert document["remote_contacts"] == []
    text = all_forms(document)
    for word in (
        "cloud.example",
        "198.51.100.7",
        "wilhelmina",
        fabricated.LIGHT_LINK,
        "192.168.77.20",
        "shelf light",
    ):
        assert word not in text


def test_the_same_input_gives_the_same_octets() -> None:
    assert render_json(gate(fabricated.inventory())) == render_json(gate(fabricated.inventory()))


def test_the_document_given_is_left_as_it_was() -> None:
    inventory = fabricated.inventory()
    built = build_document(inventory, fabricated.judgement(), tool_version="0")
    before = render_members(open_raw(built))
    redact(built, inventory, key=KEY)
    assert render_members(open_raw(built)) == before


def test_the_link_address_inside_an_ipv6_address_is_a_private_word() -> None:
    # RFC 4291 appendix A
    light, *_ = fabricated.household()
    other = fabricated.device(
        "dev-00000002", fabricated.HUB_LINK, addresses=(parse_address("2001:db8::a8bb:ccff:fedd:ee0f"),)
    )
    judgement = fabricated.judgement(findings=(fabricated.finding(summary="id aabbccddee0f"),))
    shown = gate(fabricated.inventory(devices=(light, other)), judgement)["findings"][0]["summary"]
    assert parse_link("aa:bb:cc:dd:ee:0f").hex() not in shown


def test_a_host_called_by_its_role_tears_no_sentence_apart() -> None:
    light, *_ = fabricated.household()
    other = fabricated.device(
        "dev-00000002", fabricated.HUB_LINK, nickname="hub", hostnames=("hub", "hub.local")
    )
    text = "Switch it by the hub (dev-00000002, hub.local)."
    judgement = fabricated.judgement(findings=(fabricated.finding(summary=text),))
    shown = gate(fabricated.inventory(devices=(light, other)), judgement)["findings"][0]["summary"]
    assert shown.startswith("Switch it by the hub (device-")
    assert "dev-00000002" not in shown
    assert "hub.local" not in shown


@pytest.mark.parametrize(
    "asked", ["aa:bb:cc:dd:ee:0f", "AA-BB-CC-DD-EE-0F", "192.168.77.99", "fd00:77::99", "desk light"]
)
def test_what_the_user_asked_for_is_told_back(asked: str) -> None:
    entry = CouldNotSee(question="q", reason=f"{asked}: not in this recording", record_next="r")
    inventory = fabricated.inventory(coverage=fabricated.coverage(could_not_see=(entry,)))
    built = build_document(inventory, fabricated.judgement(), tool_version="0")
    shown = redact(built, inventory, key=KEY, asked_for=[asked])
    assert shown["coverage"]["could_not_see"][0]["reason"] == entry.reason
