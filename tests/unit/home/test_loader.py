"""Keys: the home file of the design; times: RFC 3339; link addresses: IEEE 802-2014 section 8 (local and group bits)."""

from datetime import date
from pathlib import Path

import pytest

from auditor.addresses import parse_link
from auditor.errors import HomeError
from auditor.home.loader import load_home, parse_home
from auditor.home.model import Acceptance, Action, Home, HomeDevice, Keep

WHOLE = """
devices:
  - {link_address: 02:00:5e:10:00:11, role: lighting, nickname: On}
  - {link_address: 02-00-5E-10-00-12, role: hub, nickname: hub}
  - {link_address: 02:00:00:12:34:56}
keep:
  - phone-control
  - {wish: light-follows-hub, from: "on", to: hub}
router: guest
actions:
  - {at: 2026-03-01T18:05:00+01:00, what: app}
  - {at: 2026-03-01 18:04:00+01:00, what: power-on}
accepted:
  - {rule: light-control-without-login, device: On, because: guests may, until: 2026-12-31}
  - {rule: version-disclosed, because: known, until: 2027-01-31}
pseudonym_key: 000102030405060708090a0b0c0d0e0f
"""


def refusals(text):
    with pytest.raises(HomeError) as caught:
        parse_home(text.encode(), "home.yaml")
    return str(caught.value).splitlines()


def test_whole_home_file():
    home = parse_home(WHOLE.encode(), "home.yaml")

    assert home.devices == (
        HomeDevice(link_address=parse_link("02:00:5e:10:00:11"), role="lighting", nickname="On"),
        HomeDevice(link_address=parse_link("02:00:5e:10:00:12"), role="hub", nickname="hub"),
        HomeDevice(link_address=parse_link("02:00:00:12:34:56"), role="unknown", nickname=None),
    )
    assert home.keep == (
        Keep(wish="phone-control", from_device=None, to_device=None),
        Keep(wish="light-follows-hub", from_device="On", to_device="hub"),
    )
    assert home.router == "guest"
    assert home.actions == (
        Action(at_ns=1_772_384_640_000_000_000, what="power-on"),  # date -u -d '2026-03-01 17:04' +%s
        Action(at_ns=1_772_384_700_000_000_000, what="app"),
    )
    assert home.accepted[0] == Acceptance(
        rule="light-control-without-login",
        device="On",
        because="guests may",
        until=date(2026, 12, 31),
        location="home.yaml:14:12",
    )
    assert home.accepted[1].device is None
    assert home.pseudonym_key == bytes(range(16))


@pytest.mark.parametrize("text", ["", "# later\n", "devices: []\n"])
def test_every_part_is_optional(text):
    assert parse_home(text.encode(), "home.yaml") == Home()


@pytest.mark.parametrize(
    ("text", "place", "says"),
    [
        pytest.param("device: []\n", "1:1", "nearest is 'devices'", id="unknown-key"),
        pytest.param("devices:\n  - {role: hub}\n", "2:5", "'link_address'", id="no-link-address"),
        pytest.param("devices:\n  - {link_address: lamp}\n", "2:20", "link address", id="not-a-link-address"),
        pytest.param("devices:\n  - {link_address: 01:00:5e:00:00:fb}\n", "2:20", "one device", id="group"),
        pytest.param("devices:\n  - {link_address: 00:00:00:00:00:00}\n", "2:20", "one device", id="zero"),
        pytest.param(
            "devices:\n  - {link_address: 02:00:00:00:00:01, role: hubs}\n",
            "2:45",
            "nearest is 'hub'",
            id="role",
        ),
        pytest.param("router: vlans\n", "1:9", "nearest is 'vlan'", id="router"),
        pytest.param("keep: [phone_control]\n", "1:8", "nearest is 'phone-control'", id="wish"),
        pytest.param(
            "keep:\n  - {wish: cloud, from: lamp}\n", "2:25", "nickname from 'devices'", id="keep-unknown"
        ),
        pytest.param("keep:\n  - {wish: cloud, form: lamp}\n", "2:19", "nearest is 'from'", id="keep-key"),
        pytest.param("keep: cloud\n", "1:7", "a list", id="keep-word"),
        pytest.param("actions:\n  - {at: 18:05, what: app}\n", "2:10", "clock time alone", id="clock-time"),
        pytest.param("actions:\n  - {at: 2026-03-01T18:05:00+01:00}\n", "2:5", "'what'", id="no-what"),
        pytest.param("accepted:\n  - {rule: a, because: b, until: soon}\n", "2:34", "a date", id="until"),
        pytest.param(
            "accepted:\n  - {rule: a, because: '', until: 2026-01-01}\n", "2:24", "a reason", id="no-reason"
        ),
        pytest.param(
            "accepted:\n  - {rule: A b, because: x, until: 2026-01-01}\n", "2:12", "a rule's id", id="rule-id"
        ),
        pytest.param(
            "accepted:\n  - {rule: a, device: x, because: x, until: 2026-01-01}\n",
            "2:23",
            "nickname",
            id="accepted-unknown",
        ),
        pytest.param("pseudonym_key: abc\n", "1:16", "hexadecimal", id="key"),
        pytest.param("- a\n", "1:1", "a mapping", id="list"),
    ],
)
def test_mistake_is_named_with_its_place(text, place, says):
    (line,) = refusals(text)

    assert line.startswith(f"home.yaml:{place}: expected ")
    assert says in line


TWO = "devices:\n  - {link_address: 02:00:00:00:00:01, nickname: a}\n  - {link_address: %s, nickname: %s}\n"


def test_contradictions_are_named():
    assert refusals(TWO % ("02-00-00-00-00-01", "b")) == [
        "home.yaml:3:20: expected each link address once, found 02:00:00:00:00:01 again"
    ]
    assert "each nickname once" in refusals(TWO % ("02:00:00:00:00:02", "A"))[0]
    assert "no link address" in refusals(TWO % ("02:00:00:00:00:02", "02:00:00:00:00:03"))[0]
    same = "accepted:\n" + "  - {rule: a-b, because: x, until: 2026-01-01}\n" * 2
    assert refusals(same) == ["home.yaml:3:12: expected each rule and device once, found a-b again"]


def test_all_mistakes_are_gathered_in_order():
    lines = refusals("router: x\nkeep: [y]\nactions: z\n")

    assert [line.split(" ")[0] for line in lines] == ["home.yaml:1:9:", "home.yaml:2:8:", "home.yaml:3:10:"]


def test_key_is_never_repeated_in_a_message():
    secret = "00112233445566778899aabbccddeeff0"  # one digit too many

    assert not any(secret in line for line in refusals(f"pseudonym_key: {secret}\n"))


def test_reads_a_file_and_names_a_missing_one(tmp_path):
    path = tmp_path / "home.yaml"
    path.write_text(WHOLE, encoding="utf-8")

    assert load_home(path).router == "guest"
    with pytest.raises(HomeError, match=r"none\.yaml: expected a file"):
        load_home(Path(tmp_path / "none.yaml"))
