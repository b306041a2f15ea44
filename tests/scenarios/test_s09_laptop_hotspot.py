"""
S09: the light joined the laptop's own access point.

Why: phone and hub were on another network, so that half of the question was never put; the internet side passes the
recorder whole (common practice).
"""

import pytest

from tests.builders import Recording
from tests.household.home import CLOUD, TIME_SERVER, Host, Segment
from tests.household.sessions import stored
from tests.scenarios.support import contacts, outcomes, run, text_of

LAPTOP = Host("laptop", "02:00:5e:30:00:01", "10.42.0.1")
HERE = Segment(LAPTOP, ("10.42.0.0/24",))
GUEST_LIGHT = Host("shelf-light", "00:00:5e:00:53:21", "10.42.0.21")
HOME = """\
devices:
  - {link_address: "02:00:5e:30:00:01", role: recorder}
  - {link_address: "00:00:5e:00:53:21", role: lighting}
"""


@pytest.fixture(scope="module", params=[HOME, None], ids=["home-file", "alone"])
def document(tmp_path_factory, request):
    tmp_path = tmp_path_factory.mktemp("scenario")
    recording = Recording(segment=HERE)
    recording.dhcp_lease(GUEST_LIGHT)
    recording.mdns_announce(GUEST_LIGHT)
    recording.dns_lookup(GUEST_LIGHT, TIME_SERVER.name, [TIME_SERVER.ipv4])
    recording.ntp(GUEST_LIGHT, TIME_SERVER)
    for moment in range(20, 600, 60):
        recording.at(moment)
        recording.dns_lookup(GUEST_LIGHT, CLOUD.name, [CLOUD.ipv4])
        recording.tls_session(GUEST_LIGHT, CLOUD, stored(CLOUD.name))
    return run(recording, tmp_path, home=request.param)


def test_the_internet_side_is_whole(document):
    assert {c["name"] for c in contacts(document, GUEST_LIGHT)} >= {CLOUD.name, TIME_SERVER.name}
    assert outcomes(document, "remote-contact", GUEST_LIGHT) == {"found"}


def test_the_place_is_recognised(document):
    assert document["coverage"]["vantage"] == "own-access-point"


def test_the_home_side_is_untested_and_not_absent(document):
    assert outcomes(document, "light-control-without-login", GUEST_LIGHT) == {"undetermined"}
    assert outcomes(document, "controlled-through-cloud", GUEST_LIGHT) == {"undetermined"}
    text = text_of(document)
    assert "phone" in text
    assert "no local control" not in text
    assert "needs the cloud" not in text
