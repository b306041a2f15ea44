"""
Vendor prefixes as a hint.

Sources: RFC 9542 section 2.1.1 (00-00-5E is IANA's, with the documentation range); IEEE 802-2014 section 8.2.2
(bits of the first octet).  The list itself is the IEEE's, as the library ships it.
"""

import pytest

from auditor.addresses import parse_link
from auditor.inventory.vendors import vendor_of


def test_a_registered_prefix_has_a_registrant():
    assert "IANA" in vendor_of(parse_link("00:00:5e:00:53:21"))


@pytest.mark.parametrize(
    "text",
    [
        pytest.param("02:00:5e:00:53:21", id="locally-administered"),
        pytest.param("01:00:5e:00:00:fb", id="group"),
        pytest.param("ff:ff:ff:ff:ff:ff", id="broadcast"),
        pytest.param("00:00:00:00:00:00", id="none"),
        pytest.param("fc:ff:ff:00:00:01", id="not-registered"),
    ],
)
def test_what_nobody_registered_has_none(text):
    assert vendor_of(parse_link(text)) is None
