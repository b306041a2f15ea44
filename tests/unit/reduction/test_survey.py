"""Which conversations keep their payload: those that a finding names, and those that say who somebody is."""

from pathlib import Path

from auditor import pipeline
from auditor.addresses import parse_link
from auditor.reduction.survey import IDENTITY_PROTOCOLS, Survey
from tests.household.home import LIGHT

GOOD = Path(__file__).parents[3] / "captures" / "good-vantage.pcapng"


def surveyed(*named):
    survey = Survey(links={parse_link(LIGHT.link)}, finding_packets=set(named))
    survey.read_messages(pipeline.read_messages(GOOD, strict=True))
    survey.leave_out_the_rest(())
    return survey


def protocols(survey):
    return {protocol for told in survey.conversations.values() for protocol in told}


def test_without_a_finding_only_names_and_leases_stay():
    assert protocols(surveyed()) <= IDENTITY_PROTOCOLS
    assert "domain" in protocols(surveyed())


def test_a_finding_keeps_its_own_conversation_and_no_other():
    said = [one for one in pipeline.read_messages(GOOD) if getattr(one, "protocol", None) == "http"]
    named = surveyed(said[0].packet)
    kept = [ends for ends, told in named.conversations.items() if "http" in told]
    assert len(kept) == 1
    first = said[0]
    assert kept[0] == {(bytes(end.address), end.port) for end in (first.source, first.destination)}


def test_the_first_packet_of_a_flow_keeps_its_conversation():
    """It holds no message where a connection is opened, and is what a contact is proven by."""
    flow = next(one for one in pipeline.read_flows(GOOD) if one.responder.port == 1883)
    survey = Survey(links={parse_link(LIGHT.link)}, finding_packets={flow.first_packet})
    survey.read_messages(pipeline.read_messages(GOOD, strict=True))
    survey.leave_out_the_rest([flow])
    assert "mqtt" in protocols(survey)
