"""
The names that the package offers are there, cheap to import, and do what they say.

Source: PEP 562 (attributes of modules loaded when used); the table of functions in README.md, section "Output".
"""

import subprocess
import sys

import auditor
from tests.household.__main__ import CAPTURES

HEAVY = ("numpy", "yaml", "typer", "pydantic", "auditor.pipeline")


def test_importing_the_package_imports_nothing_heavy():
    program = f"import auditor, sys; print([name for name in {HEAVY!r} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)

    assert done.stdout.strip() == "[]"


def test_every_offered_name_is_there():
    assert {"audit", "compare", "open_capture", "plan", "read_flows", "read_messages"} <= set(dir(auditor))
    for name in auditor.__all__:
        assert getattr(auditor, name).__doc__, name


def test_plan_and_compare_hand_back_what_the_commands_print():
    planned = auditor.plan(CAPTURES / "good-vantage.pcapng", router="vlan")
    compared = auditor.compare(CAPTURES / "good-vantage.pcapng", CAPTURES / "after-isolation.pcapng")

    assert isinstance(planned, auditor.PlanReport)
    assert planned.document["plan"]["router"] == "vlan"
    assert {"steps.md", "rules.nft", "mud.json"} <= set(planned.files)
    assert isinstance(compared, auditor.CompareReport)
    assert not compared.is_broken
    assert not compared.is_refused
    assert {row["state"] for row in compared.document["comparison"]["conversations"]} >= {
        "stopped",
        "works",
        "not-tried",
    }
