"""
Vectors: a search request built by the library xknx; no packet is printed in a standard that we could read.

Oracles: xknx, which builds services and bus messages, and scapy's layers of the same protocol.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.contrib.knx import KNX
from xknx.cemi import CEMIFlags, CEMIFrame, CEMILData, CEMIMessageCode, CEMIMPropInfo, CEMIMPropWriteRequest
from xknx.cemi.cemi_frame import CEMIMPropReadRequest
from xknx.dpt import DPTArray, DPTBinary
from xknx.knxip import (
    HPAI,
    ConnectionStateRequest,
    ConnectRequest,
    ConnectRequestType,
    ConnectResponse,
    DescriptionRequest,
    DescriptionResponse,
    DeviceConfigurationRequest,
    DIBDeviceInformation,
    DIBServiceFamily,
    DIBSuppSVCFamilies,
    DisconnectRequest,
    ErrorCode,
    KNXIPFrame,
    RoutingBusy,
    RoutingIndication,
    RoutingLostMessage,
    SearchRequest,
    SearchRequestExtended,
    SearchResponse,
    SecureWrapper,
    SessionAuthenticate,
    SessionRequest,
    SessionResponse,
    SessionStatus,
    TimerNotify,
    TunnellingAck,
    TunnellingFeatureGet,
    TunnellingFeatureSet,
    TunnellingRequest,
)
from xknx.knxip.connect_request import ConnectRequestInformation
from xknx.knxip.connect_response import ConnectResponseData
from xknx.knxip.knxip_enum import KNXIPServiceType, SecureSessionStatusCode
from xknx.profile.const import ResourceObjectType
from xknx.telegram import GroupAddress, IndividualAddress, apci, tpci

from auditor.dissect.dispatch import Dispatcher
from auditor.dissect.message import Envelope
from auditor.dissect.protocols.knxnet import (
    DISSECTORS,
    MAX_FAMILIES,
    SERVICES,
    client_speaks,
    looks_like,
    parse_datagram,
    parse_stream,
)
from auditor.dissect.registry import Conversation
from auditor.dissect.syntax.cemi import format_group_address, format_individual_address
from auditor.errors import LimitError, MalformedError, TruncatedError
from auditor.wire import Cursor
from tests.dissector_checks import (
    assert_every_truncation_is_reported,
    assert_message_or_decode_error,
    damaged,
    vector,
)
from tests.unit.dissect.packets import LAMP, PHONE, Connection, datagram, dispatch

SEARCH = vector("knxnet/knx-search-request")
GRANTED = ConnectResponse(
    communication_channel=7, crd=ConnectResponseData(individual_address=IndividualAddress("1.1.9"))
)


def octets_of(body):
    return bytes(KNXIPFrame.init_from_body(body).to_knx())


def bus(payload, code=CEMIMessageCode.L_DATA_REQ, destination="1/2/3", transport=None):
    to = GroupAddress(destination) if "/" in destination else IndividualAddress(destination)
    default = tpci.TDataGroup() if "/" in destination else tpci.TDataIndividual()
    data = CEMILData(
        flags=CEMIFlags(),
        src_addr=IndividualAddress("1.1.5"),
        dst_addr=to,
        tpci=transport or default,
        payload=payload,
    )
    return bytes(CEMIFrame(code=code, data=data).to_knx())


def tunnelled(*what, **how):
    return octets_of(
        TunnellingRequest(communication_channel_id=7, sequence_counter=9, raw_cemi=bus(*what, **how))
    )


def routed(*what, **how):
    return octets_of(RoutingIndication(raw_cemi=bus(*what, **how)))


ON = DPTBinary(1)


def wrote(value=ON):
    return apci.GroupValueWrite(value)


def service(number, body=b""):
    return b"\x06\x10" + number.to_bytes(2, "big") + (6 + len(body)).to_bytes(2, "big") + body


def read(octets):
    assert looks_like(octets[:64])
    return parse_datagram(Cursor(octets))


def answer_to_a_search():
    information = DIBDeviceInformation()
    information.programming_mode = True
    information.individual_address = IndividualAddress("1.1.0")
    information.name = "router by the door"
    information.serial_number = "02:00:00:00:00:11"
    information.mac_address = "02:00:00:00:00:20"
    information.multicast_address = "224.0.23.12"
    families = DIBSuppSVCFamilies()
    families.families += [
        DIBSuppSVCFamilies.Family(DIBServiceFamily.TUNNELING, 2),
        DIBSuppSVCFamilies.Family(DIBServiceFamily.SECURITY, 1),
    ]
    return [information, families]


def with_blocks(body):
    body.dibs += answer_to_a_search()
    return octets_of(body)


def test_vector():
    found = read(SEARCH)

    assert (found.service, found.kind, found.effect, found.length) == (0x0201, "search", "read", 14)
    assert (found.is_secured, found.from_client) == (False, True)


@pytest.mark.parametrize("body", [SearchResponse(control_endpoint=HPAI("192.0.2.20")), DescriptionResponse()])
def test_device_tells_about_itself(body):
    found = read(with_blocks(body))

    assert (found.effect, found.from_client) == ("announce", False)
    assert found.device.name == "router by the door"
    assert format_individual_address(found.device.individual_address) == "1.1.0"
    assert found.device.serial_number == bytes.fromhex("020000000011")
    assert found.device.link_address == bytes.fromhex("020000000020")
    assert found.device.in_programming_mode
    assert found.device.families == ((4, 2), (9, 1))


def test_families_are_bounded():
    families = b"\xfe\x02" + b"\x02\x01" * 126
    information = b"\x36\x01" + bytes(52)

    assert len(read(service(0x0204, information + families)).device.families) == MAX_FAMILIES


def test_name_that_a_terminal_would_obey_is_escaped():
    octets = with_blocks(DescriptionResponse()).replace(b"router by", b"\x1b]0;xy\x07\xe9 ")

    assert read(octets).device.name == "\\027]0;xy\\007é  the door"


@pytest.mark.parametrize(
    ("payload", "effect", "name"),
    [
        (wrote(), "light", "GroupValueWrite"),
        (wrote(DPTArray((1, 2, 3))), "light", "GroupValueWrite"),
        (wrote(DPTArray(tuple(range(20)))), "light", "GroupValueWrite"),
        (apci.GroupValueRead(), "read", "GroupValueRead"),
        (apci.GroupValueResponse(DPTBinary(63)), "announce", "GroupValueResponse"),
    ],
)
def test_group_values(payload, effect, name):
    for octets in (tunnelled(payload), routed(payload, code=CEMIMessageCode.L_DATA_IND)):
        found = read(octets)
        assert (found.effect, found.bus_message.service_name) == (effect, name)
        assert found.bus_message.is_group
        assert format_group_address(found.bus_message.destination) == "1/2/3"
        assert format_individual_address(found.bus_message.source) == "1.1.5"


@pytest.mark.parametrize(
    ("payload", "effect"),
    [
        (apci.IndividualAddressWrite(IndividualAddress("1.1.9")), "configuration"),
        (apci.IndividualAddressRead(), "read"),
        (apci.MemoryWrite(address=0x1234, data=b"\1\2"), "configuration"),
        (apci.MemoryRead(address=0x1234, count=11), "read"),
        (apci.MemoryResponse(address=0x1234, data=b"\1"), "announce"),
        (apci.DeviceDescriptorRead(descriptor=0), "read"),
        (apci.Restart(), "configuration"),
        (apci.PropertyValueRead(), "read"),
        (apci.PropertyValueWrite(data=b"\0"), "configuration"),
        (apci.PropertyValueResponse(data=b"\0"), "announce"),
    ],
    ids=lambda value: type(value).__name__,
)
def test_services_to_one_device(payload, effect):
    found = read(tunnelled(payload, destination="1.1.4"))

    assert found.effect == effect
    assert not found.bus_message.is_group
    assert format_individual_address(found.bus_message.destination) == "1.1.4"
    assert found.bus_message.service_name == type(payload).__name__


def test_services_are_named_as_the_library_names_them():
    """Each number that both know does the same, as far as the last word of its name tells."""
    from auditor.dissect.syntax.cemi import SERVICES as OURS

    theirs = {
        member.value: member.name
        for kind in (apci.APCIService, apci.APCIUserService, apci.APCIExtendedService)
        for member in kind
    }
    shared = {number: name for number, name in theirs.items() if number in OURS}
    assert len(shared) == len(OURS)
    for number, name in shared.items():
        if name.endswith("_READ"):
            assert OURS[number][1] == "read", name
        if name.endswith(("_RESPONSE", "_RES", "_REPORT")):
            assert OURS[number][1] == "announce", name
        if "WRITE" in name and not name.endswith(("_RESPONSE", "_RES")):
            assert OURS[number][1] in {"configuration", "light"}, name


@pytest.mark.parametrize(
    ("code", "effect", "direction"),
    [
        (CEMIMessageCode.L_DATA_REQ, "light", "request"),
        (CEMIMessageCode.L_DATA_IND, "announce", "indication"),
        (CEMIMessageCode.L_DATA_CON, "announce", "confirmation"),
    ],
)
def test_only_requests_act_in_a_tunnel(code, effect, direction):
    found = read(tunnelled(wrote(), code=code))

    assert (found.effect, found.bus_message.direction, found.channel) == (effect, direction, 7)


@pytest.mark.parametrize(
    ("key", "sighted"), [(0x01020304, ["password"]), (0xFFFFFFFF, [])], ids=["key", "no-key"]
)
def test_key_is_sighted_and_not_kept(key, sighted):
    for payload in (apci.AuthorizeRequest(key=key), apci.KeyWrite(level=3, key=key)):
        found = read(tunnelled(payload, destination="1.1.4"))
        assert [secret.kind for secret in found.bus_message.secrets] == sighted
        assert "\\x01\\x02\\x03\\x04" not in repr(found)


def test_connection_to_one_device_is_no_service():
    found = read(tunnelled(None, destination="1.1.4", transport=tpci.TConnect()))

    assert (found.effect, found.bus_message.service) == ("other", None)


def test_enciphered_service_is_told():
    raw = bus(wrote(DPTArray(tuple(range(12)))))
    secured = raw[:9] + bytes([raw[9] & 0xFC | 3, 0xF1]) + raw[11:]

    found = read(octets_of(RoutingIndication(raw_cemi=secured)))

    assert (found.effect, found.is_secured, found.bus_message.is_data_secured) == ("other", False, True)


def management(code, data):
    cemi = CEMIFrame(code=code, data=data)
    return octets_of(DeviceConfigurationRequest(raw_cemi=bytes(cemi.to_knx())))


@pytest.mark.parametrize(
    ("octets", "effect"),
    [
        (
            management(
                CEMIMessageCode.M_PROP_WRITE_REQ,
                CEMIMPropWriteRequest(
                    property_info=CEMIMPropInfo(
                        object_type=ResourceObjectType.OBJECT_KNXNETIP_PARAMETER,
                        property_id=52,
                    ),
                    data=b"\x11\x09",
                ),
            ),
            "configuration",
        ),
        (
            management(
                CEMIMessageCode.M_PROP_READ_REQ,
                CEMIMPropReadRequest(
                    property_info=CEMIMPropInfo(
                        object_type=ResourceObjectType.OBJECT_KNXNETIP_PARAMETER,
                        property_id=52,
                    )
                ),
            ),
            "read",
        ),
    ],
    ids=["write", "read"],
)
def test_device_management(octets, effect):
    found = read(octets)

    assert (found.kind, found.effect) == ("device-configuration", effect)
    assert (found.bus_message.object_type, found.bus_message.property_identifier) == (11, 52)


def test_reset_is_configuration():
    assert read(octets_of(DeviceConfigurationRequest(raw_cemi=b"\xf1"))).effect == "configuration"


@pytest.mark.parametrize(
    ("body", "kind", "effect", "fields"),
    [
        (SearchRequest(), "search", "read", {}),
        (SearchRequestExtended(), "search-extended", "read", {}),
        (DescriptionRequest(), "description", "read", {}),
        (ConnectRequest(), "connect", "other", {"connection_type": 4}),
        (
            ConnectRequest(cri=ConnectRequestInformation(ConnectRequestType.DEVICE_MGMT_CONNECTION)),
            "connect",
            "other",
            {"connection_type": 3},
        ),
        (GRANTED, "connect-response", "other", {"channel": 7, "status": 0}),
        (
            ConnectResponse(
                status_code=ErrorCode.E_NO_MORE_CONNECTIONS,
                crd=ConnectResponseData(individual_address=IndividualAddress("0.0.0")),
            ),
            "connect-response",
            "other",
            {"channel": 0, "status": 0x24},
        ),
        (ConnectionStateRequest(communication_channel_id=7), "connection-state", "other", {"channel": 7}),
        (DisconnectRequest(communication_channel_id=7), "disconnect", "other", {"channel": 7}),
        (TunnellingAck(communication_channel_id=7), "tunnelling-acknowledgement", "other", {"status": 0}),
        (TunnellingFeatureGet(communication_channel_id=7), "tunnelling-feature-get", "read", {"channel": 7}),
        (TunnellingFeatureSet(data=b"\1"), "tunnelling-feature-set", "other", {"channel": 1}),
        (RoutingLostMessage(), "routing-lost", "announce", {}),
        (RoutingBusy(), "routing-busy", "announce", {}),
    ],
    ids=lambda value: type(value).__name__ if hasattr(value, "to_knx") else None,
)
def test_services(body, kind, effect, fields):
    found = read(octets_of(body))

    assert (found.kind, found.effect, found.is_secured) == (kind, effect, False)
    assert {name: getattr(found, name) for name in fields} == fields


@pytest.mark.parametrize(
    ("body", "kind"),
    [
        (SecureWrapper(encrypted_data=bytes(22)), "secure-wrapper"),
        (SessionRequest(), "secure-session"),
        (SessionResponse(secure_session_id=1), "secure-session-response"),
        (SessionAuthenticate(), "secure-session-authenticate"),
        (SessionStatus(SecureSessionStatusCode.STATUS_AUTHENTICATION_FAILED), "secure-session-status"),
        (TimerNotify(), "secure-timer"),
    ],
    ids=lambda value: type(value).__name__ if hasattr(value, "to_knx") else None,
)
def test_security_family(body, kind):
    octets = octets_of(body)
    found = read(octets)

    assert (found.kind, found.effect, found.is_secured) == (kind, "other", True)
    assert found.status == (1 if kind == "secure-session-status" else None)
    assert_every_truncation_is_reported(parse_datagram, octets)


def test_every_service_the_library_knows_has_a_name():
    assert {member.value for member in KNXIPServiceType} == set(SERVICES)


SAMPLES = [
    SEARCH,
    with_blocks(SearchResponse()),
    tunnelled(wrote()),
    routed(apci.GroupValueRead(), code=CEMIMessageCode.L_DATA_IND),
    octets_of(ConnectRequest()),
    octets_of(GRANTED),
    octets_of(RoutingBusy()),
    octets_of(DeviceConfigurationRequest(raw_cemi=b"\xf6\0\x0b\x01\x34\x10\x01\x11\x09")),
]


@pytest.mark.parametrize("octets", SAMPLES, ids=lambda octets: octets[2:4].hex())
def test_every_truncation_is_reported(octets):
    assert_every_truncation_is_reported(parse_datagram, octets)
    assert_every_truncation_is_reported(lambda c: parse_stream(c, True, Conversation()), octets)


@pytest.mark.parametrize("octets", SAMPLES, ids=lambda octets: octets[2:4].hex())
def test_truncation_that_the_length_admits_never_reads_on(octets):
    for length in range(6, len(octets)):
        short = octets[:4] + length.to_bytes(2, "big") + octets[6:length]
        assert_message_or_decode_error(parse_datagram, short)


@pytest.mark.parametrize(
    ("octets", "error", "field", "offset"),
    [
        pytest.param(b"\x06\x20" + SEARCH[2:], MalformedError, "header", 0, id="version-2"),
        pytest.param(service(0x0299), MalformedError, "service", 2, id="unknown-service"),
        pytest.param(b"\x06\x10\x02\x01\0\x05", MalformedError, "total_length", 4, id="length-of-5"),
        pytest.param(SEARCH + b"\0", MalformedError, "total_length", 14, id="one-octet-more"),
        pytest.param(service(0x0201, b"\0" * 8), MalformedError, "structure_length", 6, id="endpoint-of-0"),
        pytest.param(service(0x0204, b"\0\0"), MalformedError, "structure_length", 6, id="block-of-0"),
        pytest.param(service(0x0204, b"\xff\x01"), TruncatedError, "description_block", 7, id="block-of-255"),
        pytest.param(service(0x0532, b"\0" * 6), MalformedError, "structure_length", 6, id="state-of-0"),
        pytest.param(
            service(0x0420, b"\x05\1\0\0\x11"),
            MalformedError,
            "connection_header_length",
            6,
            id="header-of-5",
        ),
        pytest.param(
            service(0x0530, b"\x29\xff\0"),
            TruncatedError,
            "additional_information",
            8,
            id="information-of-255",
        ),
        pytest.param(
            service(0x0530, bytes.fromhex("2900bce011050a03ff0081")),
            TruncatedError,
            "transport_unit",
            15,
            id="unit-of-256",
        ),
        pytest.param(
            service(0x0530, bytes.fromhex("2900bce011050a0301008100")),
            MalformedError,
            "transport_unit",
            17,
            id="left-over",
        ),
        pytest.param(
            service(0x0204, b"\x02\xfe" * 65),
            LimitError,
            "description_block",
            134,
            id="65-description-blocks",
        ),
        pytest.param(service(0x0530), TruncatedError, "message_code", 6, id="no-bus-message"),
    ],
)
def test_error_names_field_and_offset(octets, error, field, offset):
    with pytest.raises(error) as info:
        parse_datagram(Cursor(octets))

    assert (info.value.field, info.value.offset) == (field, offset)


@given(
    st.integers(0, 0xFFFF),
    st.integers(0, 63).map(DPTBinary) | st.binary(min_size=1, max_size=40).map(lambda o: DPTArray(tuple(o))),
    st.sampled_from([apci.GroupValueWrite, apci.GroupValueResponse]),
    st.sampled_from([CEMIMessageCode.L_DATA_REQ, CEMIMessageCode.L_DATA_IND, CEMIMessageCode.L_DATA_CON]),
)
def test_reads_group_values_another_library_wrote(group, value, kind, code):
    data = CEMILData(
        src_addr=IndividualAddress("15.15.255"),
        dst_addr=GroupAddress(group),
        tpci=tpci.TDataGroup() if group else tpci.TDataBroadcast(),
        payload=kind(value),
    )
    octets = octets_of(TunnellingRequest(raw_cemi=bytes(CEMIFrame(code=code, data=data).to_knx())))

    found = read(octets)

    assert found.bus_message.service_name == kind.__name__
    assert (found.bus_message.destination, found.bus_message.is_group) == (group, True)
    assert found.bus_message.message_code == code.value


def test_group_address_is_written_as_the_library_writes_it():
    for address in range(1, 1 << 16, 97):
        assert format_group_address(address) == str(GroupAddress(address))
        assert format_individual_address(address) == str(IndividualAddress(address))


@pytest.mark.parametrize("octets", SAMPLES[:6], ids=lambda octets: octets[2:4].hex())
def test_second_library_names_the_same_service(octets):
    names = {
        "search": "SEARCH_REQUEST",
        "search-response": "SEARCH_RESPONSE",
        "tunnelling": "TUNNELING_REQUEST",
        "connect": "CONNECT_REQUEST",
        "connect-response": "CONNECT_RESPONSE",
    }
    found = read(octets)
    if found.kind in names:  # it knows no routing
        layer = KNX(octets)
        field = layer.get_field("service_identifier")
        assert field.i2repr(layer, layer.service_identifier) == names[found.kind]
    else:
        assert found.kind == "routing"


@given(damaged(*SAMPLES))
def test_any_octets_give_a_message_or_a_decode_error(octets):
    assert_message_or_decode_error(parse_datagram, octets)


@given(st.sampled_from(sorted(SERVICES)), st.binary(max_size=80))
def test_any_body_gives_a_message_or_a_decode_error(number, body):
    assert_message_or_decode_error(parse_datagram, service(number, body))


@pytest.mark.parametrize(
    "octets",
    [
        pytest.param(b"\x06\x10\x02", id="half-a-header"),
        pytest.param(service(0x0299), id="unknown-service"),
        pytest.param(b"\x06\x10\x02\x01\0\0", id="length-of-0"),
        pytest.param(b"\x10\x06\x02\x01\0\x0e", id="other-order"),
        pytest.param(b"", id="nothing"),
    ],
)
def test_beginnings_of_others(octets):
    assert not looks_like(octets)


def test_who_speaks():
    assert client_speaks(SEARCH) is True
    assert client_speaks(octets_of(GRANTED)) is False
    assert client_speaks(tunnelled(wrote())) is None


@pytest.mark.parametrize("port", [3671, 50_321])
@pytest.mark.parametrize("pieces", [1, 9, 1460])
def test_tunnel_over_a_stream(port, pieces):
    connection = Connection(server_port=port).open()
    connection.client(octets_of(ConnectRequest()), pieces).server(octets_of(GRANTED), pieces)
    connection.client(tunnelled(wrote()) + tunnelled(apci.GroupValueRead()), pieces)

    items = dispatch(connection.close().packets, Dispatcher(DISSECTORS, strict=True))

    assert all(isinstance(item, Envelope) for item in items)
    assert sorted((item.message.kind, item.message.effect) for item in items) == [
        ("connect", "other"),
        ("connect-response", "other"),
        ("tunnelling", "light"),
        ("tunnelling", "read"),
    ]


def test_client_is_found_where_the_opening_was_not_recorded():
    connection = Connection(client_port=3000, server_port=50_321)  # the lower port is the client's
    connection.server(octets_of(GRANTED)).client(octets_of(ConnectionStateRequest()))

    items = dispatch(connection.packets, Dispatcher(DISSECTORS, strict=True))

    assert [item.from_initiator for item in items] == [False, True]


def test_datagrams_on_any_port():
    packets = [datagram(PHONE, LAMP, 50_000, 50_001, SEARCH)]

    (found,) = dispatch(packets, Dispatcher(DISSECTORS, strict=True))

    assert (found.protocol, found.message.kind) == ("efcp", "search")
