"""
S08: recorded outside the home's address translator.

Why: a translator puts one address in front of all devices (RFC 3022 2.2) and lowers the hop limit like every router
(RFC 1812 5.3.1): whose conversation it was is no longer in the packets.
"""

import pytest

from tests.builders import Recording
from tests.household.home import CLOUD, LIGHT, TIME_SERVER, WEB, Host, Segment
from tests.household.sessions import stored
from tests.scenarios.support import command, run

PROVIDER = Host("provider", "02:00:5e:20:00:01", "100.64.0.1")
HOUSEHOLD = Host("household", "02:00:5e:20:00:02", "100.64.0.77", hop_limit=63)
LINE = Segment(PROVIDER, ("100.64.0.0/10",))  # RFC 6598


def outside() -> Recording:
    recording = Recording(segment=LINE)
    for moment in range(0, 240, 20):
        recording.at(moment)
        recording.dns_lookup(
            HOUSEHOLD, WEB.name, [WEB.ipv4], resolver=Host("r", ipv4="198.51.100.53", hops_away=3)
        )
        recording.tls_session(HOUSEHOLD, WEB, stored(WEB.name, "1.3"))
        recording.tls_session(HOUSEHOLD, CLOUD, stored(CLOUD.name))
        recording.ntp(HOUSEHOLD, TIME_SERVER)
    return recording


@pytest.fixture(scope="module")
def document(tmp_path_factory):
    tmp_path = tmp_path_factory.mktemp("scenario")
    return run(outside(), tmp_path, devices=())


def test_it_is_the_household_as_a_whole(document):
    assert document["coverage"]["vantage"] == "outside-nat"
    assert document["coverage"]["could_not_see"]


def test_nothing_is_pinned_on_one_device(document):
    assert document["findings"] == []
    assert all(d["lighting"]["rank"] == 0 for d in document["devices"])


def test_members_names_are_not_told(tmp_path):
    document = run(outside(), tmp_path, devices=(), reveal=False)

    assert WEB.name not in str(document)
    assert WEB.ipv4 not in str(document)


@pytest.mark.parametrize("arguments", [(), ("--device", LIGHT.link)])
def test_the_command_cannot_judge(tmp_path, arguments):
    path = outside().write(tmp_path / "line.pcapng")

    assert command("audit", path, *arguments).returncode == 3
