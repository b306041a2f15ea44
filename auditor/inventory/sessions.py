"""
TLS sessions: version, suite and certificate as far as they are in the clear.

Standards: RFC 8446 (1.3 hides certificates), RFC 5246, RFC 8996 (1.0 and 1.1 deprecated), RFC 9325 section 4
           (suites not to be used), RFC 5280 section 4.1.2.5 (validity), RFC 9525 section 6 (names).
"""

from __future__ import annotations

from collections import defaultdict
from sys import intern

from auditor.dissect.message import Envelope
from auditor.dissect.protocols.dtls import DtlsClientHello, DtlsServerHello
from auditor.dissect.protocols.quic import QuicInitial
from auditor.dissect.protocols.tls import Certificate, ClientHello, ServerHello
from auditor.flows.flow import FlowKey
from auditor.inventory.facts import EncryptedSessionFact, Fact
from auditor.inventory.network import OUTSIDE, Network
from auditor.inventory.sighting import Sighting, Table

MAX_SESSIONS = 65_536  # sessions waiting for their answer; forgotten ones count as unanswered
TLS_1_3 = 0x0304
VERSION_WORDS = {0x0300: "ssl 3.0", 0x0301: "1.0", 0x0302: "1.1", 0x0303: "1.2", 0x0304: "1.3",
                 0xFEFF: "1.0", 0xFEFD: "1.2", 0xFEFC: "1.3"}  # fmt: skip
"""Of TLS, and of DTLS (RFC 4347 4.1, RFC 6347 4.1, RFC 9147 5.3); there is no DTLS 1.1."""

# Suites of RFC 5246 A.5, RFC 4492, RFC 4346 and RFC 4279 without encryption, without authentication, with
# RC4, IDEA, single or triple DES (RFC 5469), or of export strength (RFC 9325 4.1).  From memory; a test
# compares them with the names of another library's registry.
WEAK_SUITES = frozenset(
    {
        *range(0x001C), *range(0x001E, 0x002F),
        0x0034, 0x003A, 0x003B, 0x0046, 0x006C, 0x006D, 0x0089, 0x008A, 0x008B, 0x008E, 0x008F, 0x0092,
        0x0093, 0x009B, 0x00A6, 0x00A7, 0x00B0, 0x00B1, 0x00B4, 0x00B5, 0x00B8, 0x00B9, 0x00BF, 0x00C5,
        0xC001, 0xC002, 0xC003, 0xC006, 0xC007, 0xC008, 0xC00B, 0xC00C, 0xC00D, 0xC010, 0xC011, 0xC012,
        *range(0xC015, 0xC01D), 0xC033, 0xC034, 0xC039, 0xC03A, 0xC03B, 0xC046, 0xC047, 0xC05A, 0xC05B,
        0xC084, 0xC085,
    }
)  # fmt: skip


class Session:
    """
    The handshake of one flow, or of the latest connection of one.

    Only what facts ask for: the messages themselves would take three times the room.
    """

    __slots__ = ("certificate", "has_hello", "is_outer", "name", "protocol", "seen", "suite", "version")

    def __init__(self) -> None:
        self.has_hello = False
        self.name: str | None = None
        """What the client asked for in the clear."""
        self.is_outer = False
        """That name is the outer one of an encrypted hello."""
        self.version: int | None = None
        """What the server chose; None: it was not seen to answer."""
        self.suite: int | None = None
        """None also where the server only asked for another hello."""
        self.protocol = "tls"
        self.certificate: tuple[Certificate, int] | None = None
        self.seen = Sighting()

    def offer(self, message: ClientHello | DtlsClientHello | QuicInitial) -> None:
        """Keep what the client asks for."""
        self.has_hello = True
        # One name stands in the hellos of many flows.
        self.name = None if message.server_name is None else intern(message.server_name)
        self.is_outer = message.has_encrypted_client_hello


class SessionCollector:
    """One row a flow."""

    def __init__(self) -> None:
        self.rows: Table[FlowKey, Session] = Table(Session, MAX_SESSIONS)

    def on_client_hello(self, envelope: Envelope, message: ClientHello | DtlsClientHello) -> None:
        """Keep the offer; a second one with a cookie belongs to the same session (RFC 6347 4.2.1)."""
        row = self.rows.at(envelope.flow)
        row.protocol = envelope.protocol
        is_second = isinstance(message, DtlsClientHello) and message.has_cookie and row.has_hello
        row.offer(message)
        if not is_second:
            row.seen.add(envelope.timestamp_ns, envelope.packet)

    def on_server_hello(self, envelope: Envelope, message: ServerHello | DtlsServerHello) -> None:
        """Keep the choice; a retry request chooses nothing yet but the version."""
        row = self.rows.at(envelope.flow)
        row.version = message.version
        row.suite = None if message.is_retry_request else message.cipher_suite
        row.protocol = envelope.protocol
        if not row.has_hello:
            row.seen.add(envelope.timestamp_ns, envelope.packet)

    def on_quic(self, envelope: Envelope, message: QuicInitial) -> None:
        """Keep what both sides' Initial packets say; the handshake is TLS 1.3's (RFC 9001 section 4)."""
        if not message.is_complete:
            return
        row = self.rows.at(envelope.flow)
        row.protocol = envelope.protocol
        if message.from_client or not row.has_hello:
            row.seen.add(envelope.timestamp_ns, envelope.packet)
        if message.from_client:
            row.offer(message)
        else:
            row.version, row.suite = TLS_1_3, message.cipher_suite

    def on_certificate(self, envelope: Envelope, message: Certificate) -> None:
        """Keep the server's certificate and when it was shown."""
        if not message.from_client:
            self.rows.at(envelope.flow).certificate = (message, envelope.timestamp_ns)

    def facts(self, network: Network) -> list[Fact]:
        """One fact for each device, role, peer and outcome of the negotiation."""
        joined: defaultdict[
            tuple[str, str, str, str, int, str | None, int | None, str | None, bool, bool], Sighting
        ] = defaultdict(Sighting)
        for flow, row in self.rows.items():
            client, server = network.party(flow.initiator), network.party(flow.responder)
            name, suite = row.name, row.suite
            version = None if row.version is None else VERSION_WORDS.get(row.version, f"0x{row.version:04x}")
            problem = (
                certificate_problem(*row.certificate, None if row.is_outer else name)
                if row.certificate
                else None
            )
            for party, role, peer in ((client, "client", server), (server, "server", client)):
                if party.is_device and row.seen.count:
                    key = (
                        party.device_id, row.protocol, role, name or "", flow.responder.port, version, suite,
                        problem, row.certificate is not None, peer.kind == OUTSIDE,
                    )  # fmt: skip
                    joined[key].absorb(row.seen)
        return [
            EncryptedSessionFact(
                device_id=device_id,
                evidence=seen.evidence,
                first_seen_ns=seen.first_ns,
                last_seen_ns=seen.last_ns,
                protocol=protocol,
                peer_name=name or None,
                port=port,
                role=role,
                version=version,
                cipher_suite=suite,
                suite_is_weak=None if suite is None else suite in WEAK_SUITES,
                certificate_problem=problem,
                certificate_seen=certificate,
                peer_is_outside=outside,
                count=seen.count,
            )
            for (
                device_id,
                protocol,
                role,
                name,
                port,
                version,
                suite,
                problem,
                certificate,
                outside,
            ), seen in joined.items()
        ]


def certificate_problem(certificate: Certificate, shown_ns: int, name: str | None) -> str | None:
    """The first thing wrong with a certificate at the time it was shown; None where nothing was."""
    if certificate.not_after_ns is not None and shown_ns > certificate.not_after_ns:
        return "expired"
    if certificate.not_before_ns is not None and shown_ns < certificate.not_before_ns:
        return "not-yet-valid"
    if certificate.self_issued:
        return "self-signed"
    if (
        name is not None
        and certificate.names
        and not any(_covers(pattern, name) for pattern in certificate.names)
    ):
        return "name-mismatch"
    return None


def _covers(pattern: str, name: str) -> bool:
    """RFC 9525 6.3: a wildcard stands for the whole leftmost label and nothing more."""
    pattern, name = pattern.lower().rstrip("."), name.lower().rstrip(".")
    if pattern.startswith("*."):
        return "." in name and name.split(".", 1)[1] == pattern[2:]
    return pattern == name
