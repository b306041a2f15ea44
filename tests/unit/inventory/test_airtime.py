"""
Check figures: 26 % at 1 Mbit/s, 13.5 % at 2 and 4.3 % at 6 for one universe of E1.31 at 44 packets a second,
computed apart from this code.  OFDM symbols by rate (IEEE 802.11-2020 table 17-4, from memory): 24, 48 and 96 bits
at 6, 12 and 24 Mbit/s.  An acknowledgement of 14 octets takes 304 us at 1 Mbit/s and 44 us at 6 (common practice).
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from auditor.inventory.airtime import (
    BASIC_RATES_BITS_PER_SECOND,
    airtime_range,
    airtime_share,
    mac_frame_octets,
)

UNIVERSE_OCTETS = 638  # ANSI E1.31-2018 appendix B


@pytest.mark.parametrize(("rate", "percent"), [(1_000_000, 26.1), (2_000_000, 13.5), (6_000_000, 4.3)])
def test_one_universe(rate, percent):
    assert 100 * airtime_share(44, mac_frame_octets(UNIVERSE_OCTETS), rate) == pytest.approx(
        percent, abs=0.05
    )


@pytest.mark.parametrize(
    ("rate", "microseconds"),
    [(1_000_000, 304), (2_000_000, 248), (6_000_000, 44), (12_000_000, 32), (24_000_000, 28)],
)
def test_time_of_a_frame_of_14_octets(rate, microseconds):
    assert airtime_share(1, 14, rate) * 1e6 == pytest.approx(microseconds)


def test_range_of_four_universes_exceeds_the_air_at_the_slowest_rate():
    found = airtime_range(4 * 44, UNIVERSE_OCTETS)

    assert [rate for rate, _ in found.shares] == list(BASIC_RATES_BITS_PER_SECOND)
    assert found.highest == found.shares[0][1] == pytest.approx(4 * 0.261, abs=0.001)
    assert found.highest > 1
    assert found.lowest == found.shares[-1][1] < 0.06


def test_headers_of_the_frame():
    """20 octets of RFC 791 or 40 of RFC 8200, 8 of RFC 768, 8 of RFC 1042; 24, 16 and 4 of 802.11."""
    assert mac_frame_octets(0) == 20 + 8 + 8 + 24 + 16 + 4
    assert mac_frame_octets(0, is_ipv6=True) - mac_frame_octets(0) == 20
    assert mac_frame_octets(0) - mac_frame_octets(0, is_encrypted=False) == 16


@given(st.floats(0, 5000), st.floats(0, 1500), st.booleans())
def test_a_slower_rate_never_takes_less(frames, octets, is_ipv6):
    shares = [share for _, share in airtime_range(frames, octets, is_ipv6=is_ipv6).shares]

    assert shares == sorted(shares, reverse=True)
    assert all(share >= 0 for share in shares)


@pytest.mark.parametrize("numbers", [(44, 700, 0), (44, 700, -1), (-1, 700, 1_000_000), (44, -1, 1_000_000)])
def test_impossible_numbers_are_refused(numbers):
    with pytest.raises(ValueError, match="rate"):
        airtime_share(*numbers)


def test_a_range_needs_a_rate():
    with pytest.raises(ValueError, match="no rate"):
        airtime_range(44, UNIVERSE_OCTETS, rates_bits_per_second=())
