"""
Telnet, SSH, FTP, TFTP and SMB: presence, and the logins that go in the clear.

Sources: RFC 854 and 857 (commands), RFC 4253 section 4.2 with its example, RFC 959 appendix of reply codes and 5.4
(sequences), RFC 4217 section 12 (AUTH TLS), RFC 1350 section 5 with RFC 2347; prompts are common practice.
Oracles: scapy's layers of TFTP and SMB write the messages that are read here.
"""

import pytest
from hypothesis import given
from scapy.layers.netbios import NBTSession
from scapy.layers.smb import SMB_Dialect, SMB_Header, SMBNegotiate_Request
from scapy.layers.smb2 import SMB2_Header, SMB2_Negotiate_Protocol_Request, SMB2_Negotiate_Protocol_Response
from scapy.layers.tftp import TFTP, TFTP_RRQ, TFTP_WRQ, TFTP_Option, TFTP_Options

from auditor.dissect.dispatch import Dispatcher
from auditor.dissect.message import Issue
from auditor.dissect.protocols import ftp, smb, ssh, telnet, tftp
from auditor.dissect.registry import Conversation
from auditor.dissect.table import DISSECTORS
from auditor.errors import DecodeError, LimitError, MalformedError, TruncatedError
from auditor.secret import Secret
from auditor.wire import Cursor
from tests.dissector_checks import assert_message_or_decode_error, damaged
from tests.unit.dissect.packets import LAMP, PHONE, datagram, dispatch
from tests.unit.dissect.protocols.streams import assert_messages_or_error, read, talk
from tests.unit.dissect.tls_peers import handshake

C, S = True, False


def same(one, value):
    return one.secret.fingerprint(b"k") == Secret(value).fingerprint(b"k")


# -- Telnet: IAC DO TERMINAL-TYPE (24), IAC WILL ECHO (1), IAC SB … IAC SE (RFC 855, RFC 1091)

NEGOTIATION = b"\xff\xfd\x18\xff\xfb\x01"
TYPE = b"\xff\xfa\x18\x00vt100\xff\xf0"
LOGIN = (
    (S, NEGOTIATION + b"\r\nlamp login: "),
    (C, b"\xff\xfb\x18\xff\xfd\x01" + TYPE + b"ro"),
    (C, b"xx\x7f\x08ot\r\n"),
    (S, b"root\r\nPassword: "),
    (C, b"open \xff\xffsesame\r\0"),
    (S, b"\r\nWelcome\r\n# "),
    (C, b"cat /etc/secret\r\n"),
)


@pytest.mark.parametrize("port", [23, 2323, 40_000])
@pytest.mark.parametrize("parts", [1460, 1])
def test_telnet_login_is_sighted(port, parts):
    items = talk(*LOGIN, port=port, parts=parts)

    assert {item.protocol for item in items} == {"telnet"}
    messages = [item.message for item in items]
    assert [one.prompt for one in messages if one.prompt] == ["login", "password", "shell"]
    options = [option for one in messages if not one.from_client for option in one.options]
    assert options == [(253, 24), (251, 1)]
    secrets = [secret for one in messages for secret in one.secrets]
    assert [(one.kind, one.place) for one in secrets] == [("user-name", "telnet"), ("password", "telnet")]
    assert same(secrets[0], b"root")
    assert same(secrets[1], b"open \xffsesame")
    assert "sesame" not in repr(items)


def test_telnet_prompts_on_the_registered_port():
    assert [item.message.prompt for item in talk((S, b"Username: "), (C, b"\r\n"), port=23)][:1] == ["login"]
    assert talk((S, b"Username: "), port=24) == []


@pytest.mark.parametrize(
    ("octets", "error", "field"),
    [
        (b"\xff\xfa" + b"x" * 600, LimitError, "subnegotiation"),
        (b"\xff\x10", MalformedError, "command"),
        (b"\xff", TruncatedError, "command"),
        (b"\xff\xfd", TruncatedError, "command"),
    ],
)
def test_telnet_errors(octets, error, field):
    with pytest.raises(error) as info:
        read(telnet.parse_stream, octets)
    assert info.value.field == field


def test_a_typed_line_has_a_bound():
    conversation = Conversation()
    read(telnet.parse_stream, b"Password: ", S, conversation)

    with pytest.raises(LimitError):
        read(telnet.parse_stream, b"x" * 300, C, conversation)


# -- SSH


def test_ssh_identification():  # RFC 4253 4.2
    items = talk(
        (S, b"SSH-2.0-billsSSH_3.6.3q3 a comment\r\n" + bytes(40)), (C, b"SSH-1.99-other_1\n" + bytes(40))
    )

    assert [
        (one.message.from_client, one.message.protocol_version, one.message.software) for one in items
    ] == [
        (False, "2.0", "billsSSH_3.6.3q3"),
        (True, "1.99", "other_1"),
    ]
    assert {item.protocol for item in items} == {"ssh"}


def test_ssh_server_may_say_more_before():
    (message,) = read(ssh.parse_stream, b"Keep out\r\nSSH-2.0-x\r\n", S)

    assert message.software == "x"
    with pytest.raises(MalformedError):
        read(ssh.parse_stream, b"Keep out\r\nSSH-2.0-x\r\n", C)
    with pytest.raises(LimitError):
        read(ssh.parse_stream, b"SSH-2.0-" + b"x" * 300, C)
    with pytest.raises(MalformedError):
        read(ssh.parse_stream, b"SSH-two-x\r\n", C)


# -- FTP

SESSION = (
    (S, b"220-Lamp\r\n220 FTP server ready.\r\n"),
    (C, b"USER anna\r\n"),
    (S, b"331 Password required.\r\n"),
    (C, b"PASS open sesame\r\n"),
    (S, b"230 Logged in.\r\n"),
    (C, b"stor fw-0200.bin\r\n"),
    (S, b"150 Ok\r\n226-Status\r\n 226 is not the end\r\n226 Done.\r\n"),
    (C, b"QUIT\r\n"),
    (S, b"221 Goodbye.\r\n"),
)


def test_ftp_login_is_sighted():
    items = talk(*SESSION, port=21)
    commands = [item.message for item in items if isinstance(item.message, ftp.FtpCommand)]
    replies = [item.message for item in items if isinstance(item.message, ftp.FtpReply)]

    assert {item.protocol for item in items} == {"ftp"}
    assert [(one.verb, one.access) for one in commands] == [
        ("USER", None),
        ("PASS", None),
        ("STOR", "write"),
        ("QUIT", None),
    ]
    assert [one.code for one in replies] == [220, 220, 331, 230, 150, 226, 221]
    assert [one.text for one in replies[:3]] == ["Lamp", "FTP server ready.", None]
    user, password = [secret for one in commands for secret in one.secrets]
    assert (user.kind, password.kind, password.place) == ("user-name", "password", "ftp")
    assert same(password, b"open sesame")
    assert "sesame" not in repr(items)
    assert "fw-0200" not in repr(items)


def test_ftp_on_another_port_is_told_by_its_greeting():
    greeting = (S, b"220 Tiny FTP\r\n")

    assert [item.protocol for item in talk(greeting, (C, b"USER ftp\r\n"), port=2121)] == ["ftp", "ftp"]
    assert talk(greeting, (C, b"USER ftp\r\n"), port=2121)[1].message.is_anonymous
    assert talk((S, b"220 mail.example ESMTP\r\n"), (C, b"EHLO x\r\n"), port=25) == []
    assert talk((S, b"220 mail.example ESMTP\r\n"), (C, b"EHLO x\r\n"), port=21) == []


def test_ftp_hands_over_to_tls():  # RFC 4217 section 12
    opening = ((S, b"220 FTP\r\n"), (C, b"AUTH TLS\r\n"), (S, b"234 Ok\r\n"))
    items = talk(*opening, *handshake()[0], port=21)

    assert [item for item in items if isinstance(item, Issue)] == []
    assert [item.protocol for item in items][:6] == ["ftp", "ftp", "ftp", "tls", "tls", "tls"]


def test_ftp_errors():
    with pytest.raises(MalformedError):
        read(ftp.parse_stream, b"\x16\x03\x01\x02\n", C)
    with pytest.raises(MalformedError):
        read(ftp.parse_stream, b"hello\r\n", S)
    with pytest.raises(LimitError):
        read(ftp.parse_stream, b"x" * 5000, C)
    with pytest.raises(TruncatedError):
        read(ftp.parse_stream, b"USER a", C)


# -- TFTP

REQUEST = bytes(TFTP(op=2) / TFTP_WRQ(filename=b"firmware.bin", mode=b"octet"))
WITH_OPTIONS = bytes(
    TFTP(op=1)
    / TFTP_RRQ(filename=b"cfg/f3a9c07be1d24568f3a9c07be1d24568.cfg", mode=b"OCTET")
    / TFTP_Options(options=[TFTP_Option(oname=b"blksize", value=b"1428")])
)


def test_tftp_requests_of_another_library():
    write, asked = (tftp.parse_datagram(Cursor(octets)) for octets in (REQUEST, WITH_OPTIONS))

    assert (write.is_write, write.file_name, write.mode, write.options) == (True, "firmware.bin", "octet", ())
    assert (asked.is_write, asked.file_name, asked.options) == (False, "cfg/*.cfg", ("blksize",))
    for octets in (REQUEST, WITH_OPTIONS):
        items = dispatch([datagram(PHONE, LAMP, 50_000, 6_969, octets)], Dispatcher(DISSECTORS, strict=True))
        assert [item.protocol for item in items] == ["tftp"]


@pytest.mark.parametrize(
    ("octets", "field"),
    [(b"\x00\x03\x00\x01data", "opcode"), (b"\x00\x01a\0", "file_name"), (b"\x00\x01\0octet\0", "file_name"),
     (b"\x00\x01a\0binary\0", "mode"), (b"\x00\x01" + b"a" * 600, "request"), (b"\x00", "opcode")],
)  # fmt: skip
def test_tftp_errors(octets, field):
    with pytest.raises(DecodeError) as info:
        tftp.parse_datagram(Cursor(octets))
    assert info.value.field == field


# -- SMB

OFFER = bytes(
    NBTSession()
    / SMB2_Header()
    / SMB2_Negotiate_Protocol_Request(Dialects=[0x0202, 0x0210, 0x0300], SecurityMode=3)
)
CHOICE = bytes(
    NBTSession()
    / SMB2_Header(Flags=1)
    / SMB2_Negotiate_Protocol_Response(DialectRevision=0x0210, SecurityMode=1)
)
OLD_OFFER = bytes(
    NBTSession()
    / SMB_Header()
    / SMBNegotiate_Request(
        Dialects=[SMB_Dialect(DialectString=b"NT LM 0.12"), SMB_Dialect(DialectString=b"SMB 2.002")]
    )
)


def test_smb_negotiation_of_another_library():
    items = talk((C, OFFER), (S, CHOICE), (C, bytes(4)), port=445)
    offer, choice = (item.message for item in items)

    assert (offer.version, offer.dialects, offer.requires_signing) == (
        2,
        ("0x0202", "0x0210", "0x0300"),
        True,
    )
    assert (choice.is_response, choice.dialects, choice.requires_signing) == (True, ("0x0210",), False)
    (old,) = (item.message for item in talk((C, OLD_OFFER), port=50_445))
    assert (old.version, old.dialects) == (1, ("NT LM 0.12", "SMB 2.002"))


@pytest.mark.parametrize(
    ("octets", "field"),
    [(b"\x07\0\0\4\xfeSMB", "session_packet_type"), (b"\0\0\0\4HTTP", "protocol_identifier"),
     (b"\0\xff\0\4\xfeSMB", "session_packet_length"), (b"\0\0\0\2\xfeSMB", "session_packet_length"),
     (b"\0\0\0\x08\xfeSMBabcd", "header")],
)  # fmt: skip
def test_smb_errors(octets, field):
    with pytest.raises(DecodeError) as info:
        read(smb.parse_stream, octets)
    assert info.value.field == field


@pytest.mark.parametrize(
    ("parse", "octets"),
    [
        (telnet.parse_stream, tuple(octets for _, octets in LOGIN)),
        (ssh.parse_stream, (b"SSH-2.0-billsSSH_3.6.3q3\r\n",)),
        (ftp.parse_stream, tuple(octets for _, octets in SESSION)),
        (smb.parse_stream, (OFFER, CHOICE, OLD_OFFER)),
    ],
    ids=["telnet", "ssh", "ftp", "smb"],
)
def test_any_octets_give_messages_or_an_error(parse, octets):
    @given(damaged(*octets))
    def check(found):
        assert_messages_or_error(parse, found)

    check()


@given(damaged(REQUEST, WITH_OPTIONS))
def test_any_datagram_gives_a_message_or_an_error(octets):
    assert_message_or_decode_error(tftp.parse_datagram, octets)
