"""
Orders told by timing, against a plain loop over all calls.

Oracle: ``expected`` below, which looks at every call and every order, as the module's own first lines say.
"""

from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from auditor.flows.flow import Endpoint
from auditor.inventory import calls as calls_module
from auditor.inventory.network import OUTSIDE, Party
from auditor.inventory.order_timing import MAX_CHANCE, MAX_DELAY_NS, MIN_REPEATS, OrderTimings
from auditor.inventory.payload_times import TimedFlow
from auditor.units import NS_PER_SECOND

LIGHT, PHONE, HUB, CLOUD = bytes([2, 1]), bytes([2, 2]), bytes([2, 3]), bytes([2, 4])
DEVICES = {LIGHT: "light", PHONE: "phone", HUB: "hub"}
SPAN = 600 * NS_PER_SECOND
OUTER = bytes(10) + b"\xff\xff" + bytes([198, 51, 100, 80])


class FakeNetwork:
    def party(self, end):
        device_id = DEVICES.get(end.link_address)
        return Party("device", device_id, "same-segment") if device_id else Party(OUTSIDE, "", "internet")


def flow(source, destination, moments, port=443):
    times = np.array(sorted(moments), np.int64)
    ends = [Endpoint(link, OUTER if link == CLOUD else bytes(16), port) for link in (source, destination)]
    return TimedFlow(*ends, 6, times, np.zeros(len(times), np.int64), np.arange(len(times)))


def timings(orders, calls):
    """``calls``: moments by link address of the caller, all to one address."""
    flows = [flow(CLOUD, LIGHT, orders), *(flow(who, CLOUD, moments) for who, moments in calls.items())]
    times = SimpleNamespace(flows=lambda: flows, complete_until_ns=None)
    timeline = SimpleNamespace(start_ns=0, end_ns=SPAN, actions=())
    return OrderTimings(times, FakeNetwork(), {"phone": ["phone"], "hub": ["hub"]}, timeline, {"light"})


def told(orders, calls):
    return timings(orders, calls).orders("light", "198.51.100.80", 443)


def expected(orders, calls):
    """By every call and every order."""
    if len(orders) < MIN_REPEATS:
        return "none seen"
    callers = {DEVICES[who]: moments for who, moments in calls.items() if moments}
    for who, moments in sorted(callers.items()):
        bursts = []
        for moment in sorted(moments):
            if bursts and moment - bursts[-1][-1] < MAX_DELAY_NS:
                bursts[-1].append(moment)
            else:
                bursts.append([moment])
        preceded = sum(any(0 <= order - m <= MAX_DELAY_NS for m in moments) for order in orders)
        followed = sum(any(b[0] <= order <= b[-1] + MAX_DELAY_NS for order in orders) for b in bursts)
        longest = max(b[-1] - b[0] for b in bursts)
        spoken = min(1, len(orders) * (MAX_DELAY_NS + longest) / SPAN)
        heard = min(1, sum(b[-1] - b[0] + MAX_DELAY_NS for b in bursts) / SPAN)
        if preceded < MIN_REPEATS:
            continue
        if followed == len(bursts) >= MIN_REPEATS and len(callers) * spoken**followed <= MAX_CHANCE:
            return f"{followed} of {followed} calls of a {who} to the internet were followed by it within 1 s"
        if preceded == len(orders) and len(callers) * heard**preceded <= MAX_CHANCE:
            return (
                f"{preceded} of {preceded} times it followed within 1 s on a call of a {who} to the internet"
            )
    return "none seen"


# Quarters of seconds, so that calls and orders often lie exactly one second apart.
quarters = st.integers(0, 2399).map(lambda quarter: quarter * NS_PER_SECOND // 4)


@st.composite
def days(draw):
    """Irregular orders a second apart or more, and callers that mostly speak a little before them."""
    orders = sorted(draw(st.sets(quarters, min_size=3, max_size=7)))
    orders = [o for o, before in zip(orders, [-SPAN, *orders], strict=False) if o - before >= MAX_DELAY_NS]
    near = st.sampled_from(orders).flatmap(
        lambda order: st.integers(-1, 5).map(lambda quarter: max(0, order - quarter * NS_PER_SECOND // 4))
    )
    moments = st.sets(near | near | near | quarters, max_size=12).map(sorted)
    return orders, {PHONE: draw(moments), HUB: draw(moments)}


@settings(max_examples=400, deadline=None)
@given(days())
def test_as_a_loop_over_all_calls(day):
    orders, calls = day
    calls = {who: moments for who, moments in calls.items() if moments}
    result = told(orders, calls)

    regular = np.ptp(np.diff(orders)) == 0 if len(orders) > 1 else False
    if not regular:
        assert result.words == expected(orders, calls)
        assert result.are_seen == (result.words != "none seen")


def test_every_caller_before_every_order():
    """The oracle's words are reached, so that the property above is no comparison of silences."""
    seconds = [60, 97, 155, 300]
    orders = [s * NS_PER_SECOND for s in seconds]
    calls = {PHONE: [o - NS_PER_SECOND for o in orders], HUB: [o - 2 * NS_PER_SECOND for o in orders]}

    result = told(orders, calls)

    assert result.words == expected(orders, calls)
    assert result.words == "4 of 4 calls of a phone to the internet were followed by it within 1 s"
    assert [packet.packet_number for packet in result.packets] == [0, 1, 2, 3]


def test_one_order_between_two_calls_follows_both():
    """A call that begins as the second after another ends: two calls, and an order at that moment is in both."""
    orders = [s * NS_PER_SECOND for s in (60, 97, 155)]
    calls = {PHONE: [moment for o in orders for moment in (o - NS_PER_SECOND, o)]}

    assert told(orders, calls).words == expected(orders, calls)
    assert told(orders, calls).words.startswith("6 of 6 calls")


def test_a_full_measure_is_told(monkeypatch):
    """What was not weighed is neither called silent nor lost from the count."""
    monkeypatch.setattr(calls_module, "MAX_CALLS_WEIGHED", 3)
    orders = [s * NS_PER_SECOND for s in (60, 97, 155, 300)]
    full = timings(orders, {PHONE: orders})

    result = full.orders("light", "198.51.100.80", 443)

    assert result.words.startswith("not looked for")
    assert not result.are_seen
    assert full.overflow == 1


@pytest.mark.parametrize("callers", [0, 1])
def test_too_few_orders_tell_nothing(callers):
    orders = [60 * NS_PER_SECOND, 97 * NS_PER_SECOND]

    assert told(orders, {PHONE: orders} if callers else {}).words == "none seen"
