"""
Who is who in two recordings.

Sources: scenario S12 (equal devices), S37 (a device behind a router bears the router's link address); RFC 6762 section 3 (names
under .local); names compare without regard to case (RFC 4343).
"""

from auditor.addresses import parse_address
from auditor.comparison.match import carry_names, match_devices
from tests.unit.comparison.pairs import device, household


def renamed(name, identity, **changes):
    return device(name, device_id=f"new-{name}", identity=identity, **changes)


def test_the_own_link_address_tells_who_it_is_wherever_it_moved():
    moved = device("light", device_id="new", addresses=(parse_address("192.168.78.21"),))
    assert match_devices(household(), household(moved)) == {"new": "light"}


def test_a_name_matches_what_is_seen_across_a_router():
    before = household(device("light", hostnames=("Shelf-Light",)), device("hub"))
    after = household(
        renamed("light", "name:shelf-light.local", hostnames=("shelf-light.local.",), addresses=())
    )
    assert match_devices(before, after) == {"new-light": "light"}


def test_a_name_of_two_devices_matches_neither():
    twins = (device("light", hostnames=("lamp",)), device("hub", hostnames=("lamp.local",)))
    after = household(renamed("light", "name:lamp", hostnames=("lamp",), addresses=()))
    assert match_devices(household(*twins), after) == {}


def test_an_address_matches_only_who_has_no_link_address_of_its_own():
    """A lease is given to another (RFC 2131 2.2): with an own link address the address proves nothing."""
    other = renamed("phone", "link:02:00:00:00:00:99")
    assert match_devices(household(device("phone")), household(other)) == {}
    across = renamed("phone", "address:192.168.77.51")
    assert match_devices(household(device("phone")), household(across)) == {"new-phone": "phone"}


def test_each_device_is_matched_once():
    """Identity outweighs a name that another took over."""
    before = household(device("light", hostnames=("lamp",)), device("hub"))
    after = household(
        renamed("hub", "name:lamp", hostnames=("lamp",), addresses=()), device("light", device_id="same")
    )
    assert match_devices(before, after) == {"same": "light"}


def test_nicknames_are_carried_over():
    before = household(device("light", nickname="shelf light"), device("hub", nickname="hub"))
    after = household(device("light"), device("hub", nickname="bridge"))
    carried = carry_names(before, after, match_devices(before, after))
    assert [one.nickname for one in carried.devices] == ["shelf light", "bridge"]
