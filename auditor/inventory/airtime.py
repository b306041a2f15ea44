"""
How much of a wireless channel show data to a group takes.

An access point repeats a group frame to its stations at one of the basic rates,
once, without acknowledgement (IEEE 802.11-2020 10.6.5.3 and 10.3.6, from memory;
RFC 9119 section 3.1).  Which rate that is stands in no recording made on a wire,
so the load is a range::

    share = frames per second x (preamble + MAC frame octets x 8 / rate)

Left out: the wait before each frame, beacons and other senders.  A share is
therefore a minimum; one above 1 does not fit on the air at all.
"""

from __future__ import annotations

from auditor.value_class import value_class

BASIC_RATES_BITS_PER_SECOND = (1_000_000, 2_000_000, 6_000_000, 12_000_000, 24_000_000)
"""The mandatory rates of DSSS (clause 15) and OFDM (clauses 17 and 18); from memory."""

# From memory: the long preamble and header of DSSS (15.2.2.2: 144 and 48 bits at 1 Mbit/s); those of OFDM
# (17.3.2: 16 and 4 us), its symbols of 4 us, and 16 service and 6 tail bits around the MAC frame (17.3.5).
DSSS_RATES_BITS_PER_SECOND = frozenset({1_000_000, 2_000_000, 5_500_000, 11_000_000})
DSSS_PREAMBLE_SECONDS = 192e-6
OFDM_PREAMBLE_SECONDS = 20e-6
OFDM_SYMBOL_SECONDS = 4e-6
OFDM_SYMBOLS_PER_SECOND = 250_000
OFDM_EXTRA_BITS = 16 + 6

# IEEE 802.11-2020 9.2.3, 9.2.4.8 and 12.5.3.2, from memory; RFC 1042 for LLC and SNAP.
MAC_HEADER_OCTETS = 24
CCMP_OCTETS = 16
FRAME_CHECK_OCTETS = 4
LLC_SNAP_OCTETS = 8
UDP_HEADER_OCTETS = 8  # RFC 768
IPV4_HEADER_OCTETS = 20  # RFC 791 section 3.1, no options
IPV6_HEADER_OCTETS = 40  # RFC 8200 section 3


@value_class
class AirtimeRange:
    """The load by basic rate, the slowest rate first."""

    shares: tuple[tuple[int, float], ...]
    """Rate in bits per second, and the share of the air at it; 1.0 is all of it."""

    @property
    def lowest(self) -> float:
        """The share at the fastest of the rates."""
        return min(share for _, share in self.shares)

    @property
    def highest(self) -> float:
        """The share at the slowest of the rates."""
        return max(share for _, share in self.shares)


def mac_frame_octets(datagram_octets: float, *, is_ipv6: bool = False, is_encrypted: bool = True) -> float:
    """
    Octets of the frame on the air that carries a UDP payload of ``datagram_octets``.

    ``is_encrypted``: with the header and check value of CCMP, as homes have it.
    """
    network = IPV6_HEADER_OCTETS if is_ipv6 else IPV4_HEADER_OCTETS
    protection = CCMP_OCTETS if is_encrypted else 0
    return (
        datagram_octets
        + UDP_HEADER_OCTETS
        + network
        + LLC_SNAP_OCTETS
        + MAC_HEADER_OCTETS
        + protection
        + FRAME_CHECK_OCTETS
    )


def airtime_share(frames_per_second: float, frame_octets: float, rate_bits_per_second: int) -> float:
    """
    Share of the air that group frames of ``frame_octets`` take: 0 is none, 1.0 is all.

    ``frame_octets``: of the MAC frame, header and check sequence included; a
    mean is good enough.

    Raises:
        ValueError: a rate that is not positive, or a number that is negative.
    """
    if rate_bits_per_second <= 0 or frames_per_second < 0 or frame_octets < 0:
        raise ValueError("a rate is more than 0; numbers of frames and octets are not negative")
    bits = 8 * frame_octets
    if rate_bits_per_second in DSSS_RATES_BITS_PER_SECOND:
        return frames_per_second * (DSSS_PREAMBLE_SECONDS + bits / rate_bits_per_second)
    symbol_bits = rate_bits_per_second / OFDM_SYMBOLS_PER_SECOND
    symbols = -((bits + OFDM_EXTRA_BITS) // -symbol_bits)  # rounded up
    return frames_per_second * (OFDM_PREAMBLE_SECONDS + symbols * OFDM_SYMBOL_SECONDS)


def airtime_range(
    frames_per_second: float,
    datagram_octets: float,
    *,
    is_ipv6: bool = False,
    rates_bits_per_second: tuple[int, ...] = BASIC_RATES_BITS_PER_SECOND,
) -> AirtimeRange:
    """
    The share of the air at each basic rate, for UDP payloads of ``datagram_octets`` to a group.

    Raises:
        ValueError: as ``airtime_share``; or no rate.
    """
    if not rates_bits_per_second:
        raise ValueError("no rate")
    octets = mac_frame_octets(datagram_octets, is_ipv6=is_ipv6)
    return AirtimeRange(
        shares=tuple(
            (rate, airtime_share(frames_per_second, octets, rate)) for rate in sorted(rates_bits_per_second)
        )
    )
