"""Any flows that a damaged or forged recording may hold: every plan is made, every flow has one verdict, nothing else is raised."""

from __future__ import annotations

import subprocess

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from auditor.addresses import Address, LinkAddress
from auditor.flows.flow import Endpoint, Flow, FlowKey, FlowOutcome, InitiatorKnown, PacketReference
from auditor.home.model import Home
from auditor.isolation.files import render_files
from auditor.isolation.flow_classes import MAX_CLASSES
from auditor.isolation.plan import propose
from auditor.report.document import EMPTY_JUDGEMENT
from auditor.report.plan import build_plan
from tests.household.stories import good_vantage
from tests.isolation_households import propose_for
from tests.unit.isolation.test_nftables import check

PORTS = st.sampled_from([0, 22, 53, 67, 80, 123, 443, 547, 5353, 5568, 8080, 65535])


@pytest.fixture(scope="module")
def proposal(tmp_path_factory):
    return propose_for(good_vantage(), tmp_path_factory.mktemp("any"))


def flows_for(proposal):
    devices = proposal.inventory.devices
    links = st.one_of(
        st.sampled_from([link for device in devices for link in device.link_addresses]),
        st.binary(min_size=6, max_size=6).map(LinkAddress),
    )
    addresses = st.one_of(
        st.sampled_from([address for device in devices for address in device.addresses]),
        st.binary(min_size=16, max_size=16).map(Address),
        st.binary(min_size=4, max_size=4).map(lambda octets: Address(bytes(10) + b"\xff\xff" + octets)),
        st.just(Address(bytes(16))),
    )
    ends = st.builds(Endpoint, links, addresses, PORTS)
    keys = st.builds(
        FlowKey,
        ends,
        ends,
        st.sampled_from([0x0800, 0x86DD, 0x0806, 0x88CC]),
        st.sampled_from([0, 1, 2, 6, 17, 58, 99, 132, 255]),
        st.just(0),
    )
    return st.builds(
        Flow, key=keys, initiator_known=st.sampled_from(InitiatorKnown), outcome=st.sampled_from(FlowOutcome), start_ns=st.integers(),
        end_ns=st.integers(), packets_sent=st.just(1), packets_received=st.integers(0, 1), octets_sent=st.just(60), octets_received=st.just(0),
        payload_sent=st.just(0), payload_received=st.just(0), tcp_flags_sent=st.just(0), tcp_flags_received=st.just(0),
        first_packet=st.builds(PacketReference, st.just(0), st.integers(1, 10**9)), hop_limit=st.just(64), duplicates=st.just(0),
        connections=st.just(1), folded=st.booleans(), period=st.none(), refused_by=st.none(),
    )  # fmt: skip


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_any_flows_are_planned(data, proposal, tmp_path):
    flows = data.draw(st.lists(flows_for(proposal), max_size=12))
    made = propose(proposal.inventory, EMPTY_JUDGEMENT, Home(), flows)
    for plan in (made.recommended, *made.alternatives):
        assert plan.replay.kept + plan.replay.cut + plan.replay.unknown == len(flows)
    build_plan(made)
    files = render_files(made)
    assert "mud.json" in files
    if data.draw(st.integers(0, 9)) == 0:  # a process each time would cost seconds
        done = check(files["rules.nft"], tmp_path)
        assert isinstance(done, subprocess.CompletedProcess)
        assert done.returncode == 0, done.stderr


def test_a_scan_hides_no_wish(proposal):
    """More classes than are kept: those that were answered come first, and nothing is lost from the count."""
    home_flows = [key for key in proposal.classes.tallies if key.port == 80]
    assert home_flows
    device = proposal.inventory.devices[0]
    start = Endpoint(device.link_addresses[0], device.addresses[0], 40000)
    router = LinkAddress(bytes.fromhex("02005e100001"))

    def scan(number):
        target = Address(bytes(10) + b"\xff\xff\xcb\x00" + number.to_bytes(2, "big"))
        return Flow(
            key=FlowKey(start, Endpoint(router, target, 23), 0x0800, 6, 0), initiator_known=InitiatorKnown.PROVEN,
            outcome=FlowOutcome.UNANSWERED, start_ns=0, end_ns=0, packets_sent=1, packets_received=0, octets_sent=60,
            octets_received=0, payload_sent=0, payload_received=0, tcp_flags_sent=2, tcp_flags_received=0,
            first_packet=PacketReference(0, number + 1), hop_limit=64, duplicates=0, connections=1, folded=False,
            period=None, refused_by=None,
        )  # fmt: skip

    scanned = [scan(number) for number in range(MAX_CLASSES + 50)]
    answered = scan(MAX_CLASSES + 60)
    phone = next(d for d in proposal.inventory.devices if "phone" in d.roles)
    begun = Endpoint(phone.link_addresses[0], phone.addresses[0], 40001)
    wanted = Flow(
        **{name: getattr(answered, name) for name in Flow.__slots__ if name not in {"key", "outcome"}},
        key=FlowKey(begun, start._replace(port=80), 0x0800, 6, 0),
        outcome=FlowOutcome.ESTABLISHED,
    )
    made = propose(proposal.inventory, EMPTY_JUDGEMENT, Home(), [*scanned, wanted])
    assert made.classes.overflow > 0
    assert made.recommended.replay.unknown >= made.classes.overflow
    replay = made.recommended.replay
    assert replay.kept + replay.cut + replay.unknown == len(scanned) + 1
    assert [wish.keep.wish for wish in made.recommended.wishes] == ["phone-control"]
    assert any("too many" in line for line in made.recommended.unknown)
