"""Every protocol that is read has its standard, what it is compared with, and a live exchange or the reason why not."""

import ast
from importlib import import_module

import pytest

from auditor.dissect.registry import Dissector
from auditor.dissect.table import DISSECTORS
from tests.docs.protocols import LAB, LIVE, NOT_LIVE, ORACLES, modules, shown, standards, table


def test_every_protocol_has_its_row():
    assert sorted(ORACLES) == modules()
    assert sorted([*LIVE, *NOT_LIVE]) == modules()
    assert [module for module in modules() if not standards(module)] == []


def named_by(module: str) -> set[str]:
    """Names under which the rows of a module hand messages on."""
    rows = vars(import_module(f"auditor.dissect.protocols.{module}"))
    found = [rows.get("DISSECTOR"), *rows.get("DISSECTORS", ())]
    return {one.name for one in found if isinstance(one, Dissector) and one in DISSECTORS}


@pytest.mark.parametrize("module", sorted(LIVE))
def test_what_is_said_to_be_recorded_is_asked_for_by_a_test(module):
    tree = ast.parse((LAB / LIVE[module][0]).read_text("utf-8"))
    words = {
        node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }
    told = words & named_by(module)

    # The evening asks for facts and ports instead of messages.
    assert told or LIVE[module][0] == "test_evening.py"


def test_page_shows_the_table():
    """``python -m tests.docs.protocols`` renews what fails here."""
    assert shown() == table()
