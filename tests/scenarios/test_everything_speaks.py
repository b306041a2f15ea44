"""
Two lights that do all that could be done better: what ``captures/README.md`` promises of ``everything-speaks``.

Source: the story in ``tests/household/gadgets.py``, which says who did what.  Severities: the project's anchors (house
contract, section 9).
"""

import json

import pytest

from auditor.ruleset.loader import load_rules
from tests.household.__main__ import CAPTURES
from tests.household.gadgets import (
    CORNER,
    EVERYTHING_HOME,
    GATEWAY,
    REPORT_TOKEN,
    SHARED,
    SHOW_COMPUTER,
    STRIP,
    WIRELESS_PASSPHRASE,
)
from tests.household.home import LIGHT, TWIN
from tests.scenarios.support import assert_calm, assert_honest, command, findings, outcomes, run

SHOWN = [
    ("address-reveals-hardware", STRIP, "info"),
    ("broker-accepts-anonymous", GATEWAY, "medium"),
    ("certificate-not-trustworthy", STRIP, "medium"),
    ("commissioning-window-open", CORNER, "low"),
    ("configuration-readable-without-login", STRIP, "low"),
    ("configuration-without-login", STRIP, "high"),
    ("connectivity-probe", STRIP, "info"),
    ("contacts-other-devices", CORNER, "low"),
    ("control-open-to-web-pages", STRIP, "medium"),
    ("control-protocol-without-login", STRIP, "low"),
    ("controlled-through-cloud", STRIP, "info"),
    ("encrypted-resolver", STRIP, "info"),
    ("file-transfer-open", STRIP, "medium"),
    ("firmware-upload-without-login", STRIP, "high"),
    ("globally-addressed", STRIP, "info"),
    ("hardware-address-disclosed", STRIP, "info"),
    ("light-control-without-login", STRIP, "critical"),
    ("multicast-lighting-load", SHOW_COMPUTER, "info"),
    ("not-separated", CORNER, "medium"),
    ("open-set-up-network", STRIP, "medium"),
    ("outside-time-server", STRIP, "info"),
    ("password-announced", STRIP, "medium"),
    ("password-follows-identity", STRIP, "medium"),
    ("password-in-clear-text", CORNER, "medium"),
    ("port-mapping-granted", STRIP, "high"),
    ("port-mapping-refused", STRIP, "low"),
    ("remote-contact", STRIP, "info"),
    ("remote-contact-in-clear-text", STRIP, "medium"),
    ("remote-contact-while-idle", STRIP, "low"),
    ("remote-contact-without-name", STRIP, "info"),
    ("remote-shell-open", STRIP, "medium"),
    ("resolver-not-offered", STRIP, "low"),
    ("router-searched-for-mapping", CORNER, "info"),
    ("same-secret-on-two-devices", CORNER, "medium"),
    ("searches-the-network", STRIP, "medium"),
    ("service-reached-from-internet", STRIP, "critical"),
    ("service-unused", CORNER, "low"),
    ("show-data-from-several-senders", SHOW_COMPUTER, "low"),
    ("state-readable-without-login", STRIP, "info"),
    ("tls-suite-weak", STRIP, "low"),
    ("tls-version-deprecated", STRIP, "medium"),
    ("token-in-clear-text", STRIP, "high"),
    ("update-in-clear-text", STRIP, "medium"),
    ("version-disclosed", STRIP, "info"),
    ("wifi-passphrase-in-clear-text", STRIP, "medium"),
]
ELSEWHERE = {
    "announcement-relayed",
    "isolation-broken",
    "isolation-holds",
    "polls-another-device",
    "remote-standing-connection",
    "service-answers-other-segment",
}
"""What other recordings show."""


@pytest.fixture(scope="module")
def evening(tmp_path_factory):
    folder = tmp_path_factory.mktemp("evening")
    return run(CAPTURES / "everything-speaks.pcapng", folder, devices=(), home=EVERYTHING_HOME)


@pytest.mark.parametrize(("rule", "host", "severity"), SHOWN, ids=[case[0] for case in SHOWN])
def test_it_shows(evening, rule, host, severity):
    assert severity in {finding["severity"] for finding in findings(evening, rule, host=host)}


def test_with_the_other_recordings_that_is_the_whole_catalogue():
    assert {case[0] for case in SHOWN} | ELSEWHERE == set(load_rules().ids)


def test_doors_are_told_apart(evening):
    granted = findings(evening, "port-mapping-granted", host=STRIP)
    told = sorted(finding["summary"] for finding in granted)

    assert len(told) == 2
    assert "by igd for tcp port 40080 towards port 80" in told[0]
    assert "by nat-pmp for tcp port 40081 towards port 8080" in told[1]
    [refused] = findings(evening, "port-mapping-refused", host=STRIP)
    assert "by pcp for tcp port 40022 towards port 2222" in refused["summary"]
    # the corner lamp looked for a router and asked for nothing
    assert outcomes(evening, "port-mapping-granted", CORNER) == {"not-found"}
    assert outcomes(evening, "router-searched-for-mapping", STRIP) == {"not-found"}


def test_each_way_of_control_is_named(evening):
    told = " ".join(f["summary"] for f in findings(evening, "light-control-without-login", host=STRIP))
    for words in ("PUT /light (coap)", "call setState (json)", "(websocket)", "POST /json/state (http)"):
        assert words in told
    shows = " ".join(f["summary"] for f in findings(evening, "control-protocol-without-login", host=STRIP))
    for protocol in ("e131", "ddp", "osc"):
        assert f"by {protocol}," in shows


def test_the_protected_network_is_no_finding(evening):
    assert outcomes(evening, "open-set-up-network", CORNER) == {"not-found"}
    # of the twin the air was silent, which proves nothing
    assert outcomes(evening, "open-set-up-network", TWIN) == {"undetermined"}


def test_words_stay_calm_and_honest(evening):
    assert_calm(evening)
    assert_honest(evening)


@pytest.mark.parametrize("format_", ["json", "text", "text --all", "markdown"])
def test_no_output_holds_a_secret_or_the_network_name(format_):
    done = command(
        "audit",
        CAPTURES / "everything-speaks.pcapng",
        "--home",
        CAPTURES / "everything-speaks.home.yaml",
        "--format",
        *format_.split(),
    )

    assert done.returncode == 1
    for private in (REPORT_TOKEN, SHARED, WIRELESS_PASSPHRASE, "strip-light-5323"):
        assert private not in done.stdout + done.stderr


def test_a_relayed_announcement_says_nothing_about_walls(tmp_path):
    """S37: the reflector's word is not the light's."""
    done = command("audit", CAPTURES / "heard-of.pcapng", "--format", "json")
    document = json.loads(done.stdout)

    assert done.returncode == 3
    assert {f["rule_id"] for f in document["findings"]} == {"announcement-relayed"}
    assert outcomes(document, "not-separated") >= {"undetermined"}
    text = done.stdout.lower()
    assert '"isolated' not in text
    assert " leak" not in text


def test_the_same_segment_is_not_separated(tmp_path):
    """S37: a new network name is no wall; the light still shares segment and router with computers."""
    document = run(CAPTURES / "good-vantage.pcapng", tmp_path, devices=(LIGHT.link,))

    [finding] = findings(document, "not-separated", host=LIGHT)
    assert finding["severity"] == "info"
    assert "same router: yes" in finding["summary"]
    after = run(CAPTURES / "after-isolation.pcapng", tmp_path, devices=(LIGHT.link,))
    assert outcomes(after, "not-separated", LIGHT) == {"not-found"}
