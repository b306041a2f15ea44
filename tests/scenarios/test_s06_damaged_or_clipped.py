"""
S06: a file that is cut, clipped, has dropped packets, or is none.

Why: the reading libraries end quietly on a cut file (measured for one of them), and a snap length of 64 octets leaves ten
behind 54 octets of heads (RFC 791, RFC 9293, IEEE 802.3): no name, no request, no user.
"""

import pytest

from tests.household.files import Captured, pcap
from tests.household.home import LIGHT, START_NS
from tests.household.stories import good_vantage
from tests.scenarios.support import assert_honest, capture_issues, command, outcomes, run, text_of

USB = 189  # LINKTYPE_USB_LINUX


@pytest.mark.parametrize(
    ("options", "kind"),
    [({"snap_octets": 64}, "clipped"), ({"cut_octets": 10}, "cut-short"), ({"dropped": 17}, "dropped")],
)
def test_what_is_missing_is_said(tmp_path, options, kind):
    document = run(good_vantage(), tmp_path, **options)

    assert capture_issues(document) >= {kind}
    assert_honest(document)


def test_a_whole_file_has_none_of_these(tmp_path):
    document = run(good_vantage(), tmp_path, dropped=0)

    assert capture_issues(document) & {"clipped", "cut-short", "dropped", "damaged"} == set()


@pytest.mark.parametrize("rule", ["token-in-clear-text", "password-in-clear-text"])
def test_what_was_clipped_away_is_undetermined(tmp_path, rule):
    document = run(good_vantage(), tmp_path, snap_octets=64)

    assert "payload-visible" not in document["coverage"]["abilities"]
    assert outcomes(document, rule, LIGHT) == {"undetermined"}
    assert "no names used" not in text_of(document)


def test_a_cut_file_gives_what_it_holds(tmp_path):
    document = run(good_vantage(), tmp_path, cut_octets=10)

    assert document["captures"][0]["packets"] == len(good_vantage().frames) - 1


@pytest.mark.parametrize(
    "octets",
    [
        b"<html>not a capture</html>",
        b"",
        pcap([]),
        pcap([Captured(time_ns=START_NS, octets=bytes(64), original_octets=64)], link_type=USB),
    ],
    ids=["text", "empty", "no-packets", "no-network"],
)
def test_a_file_with_nothing_to_judge_ends_with_3_and_one_line(tmp_path, octets):
    path = tmp_path / "odd.pcap"
    path.write_bytes(octets)

    done = command("audit", path)

    assert done.returncode == 3
    assert "Traceback" not in done.stderr
    assert "odd.pcap" in done.stderr + done.stdout
