"""The rendered rules, judged by nft itself (``nft -c -f``: checked, never loaded)."""

from __future__ import annotations

import os
import shutil
import subprocess
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from auditor.addresses import parse_address
from auditor.isolation.model import INTERNET, LIGHTS, Entry, Selector
from auditor.isolation.nftables import MAX_COMMENT_CHARACTERS, comment_text, render_nftables, rule_text
from tests.household.stories import good_vantage
from tests.isolation_households import both_families, propose_for

HOSTILE = (
    'a" drop comment "b',
    "line\nflush ruleset",
    "semicolon; flush ruleset",
    "} table inet x {",
    "$(reboot) `reboot` \\",
    "\x1b[31m\u202eright to left",
    "#" * 500,
    "",
)


def check(text, tmp_path):
    """What nft says of a file, or a skip where it cannot be asked; a build machine has to have it."""
    reason = None
    if shutil.which("nft") is None:
        reason = "nft is not installed"
    elif os.geteuid():
        reason = "nft -c needs root"
    if reason is not None:
        if os.environ.get("CI"):
            pytest.fail(reason)
        pytest.skip(reason)
    path = tmp_path / "rules.nft"
    path.write_text(text, "utf-8")
    return subprocess.run(
        ["nft", "-c", "-f", str(path)], capture_output=True, text=True, check=False, timeout=60
    )


@pytest.mark.parametrize("story", [good_vantage, both_families], ids=lambda story: story.__name__)
def test_rules_of_every_layout_load(story, tmp_path):
    proposal = propose_for(story(), tmp_path)
    for plan in (proposal.recommended, *proposal.alternatives):
        text = render_nftables(plan.layout, title=plan.layout.title)
        done = check(text, tmp_path)
        assert done.returncode == 0, (plan.layout.layout_id, done.stderr)
        assert "# Undo: nft delete table inet lighting_isolation\n" in text
        assert text.index("delete table") < text.index("table inet lighting_isolation {")


def test_nft_refuses_what_is_broken(tmp_path):
    """The check can fail."""
    assert check("table inet x { chain y { nonsense } }\n", tmp_path).returncode != 0


def test_hostile_names_stay_in_their_comment(tmp_path):
    proposal = propose_for(good_vantage(), tmp_path)
    layout = proposal.recommended.layout
    walls = len([e for e in layout.entries if e.forwarding == "drop"])
    entries = tuple(
        Entry(
            source=Selector(segment=LIGHTS),
            destination=Selector(segment=INTERNET, addresses=(parse_address("192.0.2.1"),), name=name),
            family="ipv4",
            transport="tcp",
            port=443,
            reason=name,
        )
        for name in HOSTILE
    )
    text = render_nftables(replace(layout, entries=(*entries, *layout.entries)), title=HOSTILE[1])
    assert check(text, tmp_path).returncode == 0
    lines = text.splitlines()
    assert not any(line.lstrip().startswith("flush") for line in lines)
    # Each line ends its own comment: two quotes a rule, no more.
    assert all(line.count('"') in {0, 2} for line in lines)
    assert sum(line.partition('"')[0].endswith(" drop comment ") for line in lines) == walls


@given(st.text())
def test_a_comment_is_plain_and_bounded(text):
    made = comment_text(text)
    assert len(made) <= MAX_COMMENT_CHARACTERS
    assert made.isascii()
    assert not set(made) & set('"\n\r\\$`{}#\x1b')


@pytest.mark.parametrize(
    ("entry", "rule"),
    [
        (
            Entry(source=Selector(segment=LIGHTS), destination=Selector(segment="anywhere"), family=None, transport=None, forwarding="reject"),
            "iifname $lights_interface reject",
        ),
        (
            Entry(source=Selector(segment=LIGHTS), destination=Selector(segment="main"), family="ipv6", transport="sctp"),
            "iifname $lights_interface oifname $main_interface meta nfproto ipv6 meta l4proto 132 accept",
        ),
        (
            Entry(source=Selector(segment=LIGHTS), destination=Selector(segment="main"), family=None, transport="protocol-99"),
            "iifname $lights_interface oifname $main_interface meta l4proto 99 accept",
        ),
    ],
)  # fmt: skip
def test_entries_as_rules(entry, rule):
    assert rule_text(entry, is_commented=False) == rule
