"""
An unredacted document cannot be printed by mistake, and only the gate makes one that can.

Oracles: the standard library's own ways to turn a value into text or octets (str, repr, format, json, pickle, copy).
"""

from __future__ import annotations

import copy
import json
import logging
import pickle
from collections.abc import Callable
from typing import Any

import pytest

from auditor.redaction.documents import HELD_BACK, RawDocument, ShownDocument, let_pass, open_raw
from auditor.report.comparison import tell_comparison
from auditor.report.json import render_json
from auditor.report.plan import tell_plan
from auditor.report.story import tell_audit, tell_check
from tests.unit.report import fabricated

PRIVATE = "tablet-of-robin"


@pytest.mark.parametrize("form", [str, repr, format, "{}".format, "%s".__mod__, "{!r:>40}".format])
def test_text_forms_of_a_raw_document_are_one_fixed_text(form: Callable[[Any], str]) -> None:
    assert form(RawDocument({"name": PRIVATE})).strip() == HELD_BACK


@pytest.mark.parametrize(
    "way",
    [
        json.dumps,
        pickle.dumps,
        copy.copy,
        copy.deepcopy,
        list,
        dict,
        len,
        lambda raw: raw["name"],
        lambda raw: "x" in raw,
    ],
)
def test_a_raw_document_refuses_to_be_read(way: Callable[[Any], Any]) -> None:
    with pytest.raises(TypeError) as refused:
        way(RawDocument({"name": PRIVATE}))
    assert PRIVATE not in str(refused.value)


def test_a_log_line_of_a_raw_document_holds_nothing(caplog: pytest.LogCaptureFixture) -> None:
    logging.getLogger("auditor").error("made %s", RawDocument({"name": PRIVATE}))
    assert HELD_BACK in caplog.text
    assert PRIVATE not in caplog.text


def test_nobody_but_the_gate_makes_a_shown_document() -> None:
    with pytest.raises(TypeError):
        ShownDocument({"name": PRIVATE})
    with pytest.raises(TypeError):
        ShownDocument({"name": PRIVATE}, made_by=object())
    assert let_pass({"a": 1}) == {"a": 1}


@pytest.mark.parametrize("render", [render_json, tell_audit, tell_check, tell_plan, tell_comparison])
@pytest.mark.parametrize("wrap", [dict, RawDocument])
def test_renderers_refuse_what_did_not_pass(render: Callable[[Any], Any], wrap: Callable[[Any], Any]) -> None:
    with pytest.raises(TypeError):
        render(wrap({"name": PRIVATE}))


def test_the_gate_opens_what_it_is_given() -> None:
    assert open_raw(RawDocument({"name": PRIVATE})) == {"name": PRIVATE}


def test_a_device_prints_nobody() -> None:
    for device in fabricated.household():
        text = repr(device)
        for private in (
            device.device_id,
            device.identity,
            *device.hostnames,
            device.nickname or device.identity,
        ):
            assert private not in text
