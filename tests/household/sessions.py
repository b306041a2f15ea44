"""
TLS sessions as octets: real handshakes of the standard library between two memory buffers.

Keys and certificates are thrown away.  The committed recordings use the transcripts in ``transcripts.json``, so that
writing them again gives the same octets; a name that is not in there is handshaken anew.
"""

from __future__ import annotations

import json
import ssl
import struct
import tempfile
import warnings
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec

STORE = Path(__file__).with_name("transcripts.json")
ISSUED = datetime(2026, 1, 1, tzinfo=UTC)
ENCRYPTED_CLIENT_HELLO = 0xFE0D  # RFC 9849


@dataclass(frozen=True, slots=True)
class Piece:
    """Octets that one side wrote at once."""

    from_client: bool
    octets: bytes


Transcript = list[Piece]


def transcript(server_name: str | None, *, version: str = "1.2", certificate_name: str | None = None, expired: bool = False,
               self_signed: bool = False, exchanges: int = 2, octets_each: int = 120,
               ciphers: str | None = None) -> Transcript:  # fmt: skip
    """
    Handshake and a few encrypted exchanges.

    Args:
        server_name: sent in server_name (RFC 6066 section 3); None sends none.
        version: ``1.0``, ``1.2`` or ``1.3``.
        certificate_name: subject and subjectAltName; the server's name where None.
        expired: the certificate ended before the recording.
        self_signed: issuer and subject are the same name and key.
        exchanges: requests and answers behind the handshake.
        octets_each: of clear text in each.
        ciphers: suites in the words of the library, at its lowest level where the version is old.
    """
    chosen = {"1.0": ssl.TLSVersion.TLSv1, "1.2": ssl.TLSVersion.TLSv1_2, "1.3": ssl.TLSVersion.TLSv1_3}[version]
    server_context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    _load(
        server_context,
        certificate_name or server_name or "nobody.example",
        expired=expired,
        self_signed=self_signed,
    )
    client_context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    client_context.check_hostname = False
    client_context.verify_mode = ssl.CERT_NONE
    for context in (server_context, client_context):
        if ciphers is not None:
            context.set_ciphers(ciphers)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)  # the old version is what the recording shows
            context.minimum_version = context.maximum_version = chosen
    to_client, to_server = ssl.MemoryBIO(), ssl.MemoryBIO()
    client = client_context.wrap_bio(to_client, to_server, server_hostname=server_name)
    server = server_context.wrap_bio(to_server, to_client, server_side=True)
    pieces: Transcript = []
    done: set[bool] = set()
    while len(done) < 2:
        for from_client in (True, False):
            _try_handshake(client if from_client else server, done, from_client)
            # The buffers are read by the other side, so what was written is noted on its way.
            buffer = to_server if from_client else to_client
            octets = buffer.read()
            if octets:
                pieces.append(Piece(from_client, octets))
                buffer.write(octets)
    for _ in range(exchanges):
        for side, other, buffer in ((client, server, to_server), (server, client, to_client)):
            side.write(b"x" * octets_each)
            octets = buffer.read()
            pieces.append(Piece(side is client, octets))
            buffer.write(octets)
            other.read(octets_each)
    return pieces


def _try_handshake(side: ssl.SSLObject, done: set[bool], key: bool) -> None:
    if key in done:
        return
    try:
        side.do_handshake()
        done.add(key)
    except ssl.SSLWantReadError:
        pass


@cache
def _known() -> dict[str, list[tuple[bool, str]]]:
    """What the store holds, and what this run has added."""
    return json.loads(STORE.read_text("utf-8")) if STORE.exists() else {}


def stored(
    server_name: str | None, version: str = "1.2", *, expired: bool = False, ciphers: str | None = None
) -> Transcript:
    """The same octets every time where the name is in the store, else the same for this run."""
    known, key = _known(), " ".join([str(server_name), version, *(["expired"] if expired else [])])
    if key not in known:
        made = transcript(server_name, version=version, expired=expired, ciphers=ciphers)
        known[key] = [(piece.from_client, piece.octets.hex()) for piece in made]
    return [Piece(from_client, bytes.fromhex(octets)) for from_client, octets in known[key]]


def save_store() -> None:
    """Write down what was handshaken anew, so that the next run gives the same octets."""
    STORE.write_text(json.dumps(_known(), indent=1, sort_keys=True) + "\n", "utf-8")


def with_encrypted_client_hello(pieces: Transcript) -> Transcript:
    """
    Add an encrypted_client_hello extension to the first ClientHello.

    What a client without the server's keys sends as filler (RFC 9849 section 6.2): outer type 0, a suite, a random
    configuration number, an encapsulated key and a payload.
    """
    record = pieces[0].octets
    body = (
        bytes([0])
        + struct.pack("!HHBH", 1, 1, 0x5A, 32)
        + bytes(range(32))
        + struct.pack("!H", 144)
        + bytes(144)
    )
    extension = struct.pack("!HH", ENCRYPTED_CLIENT_HELLO, len(body)) + body
    hello = record[5:]
    at = 4 + 2 + 32
    at += 1 + hello[at]  # session identifier
    at += 2 + int.from_bytes(hello[at : at + 2])  # cipher suites
    at += 1 + hello[at]  # compression methods
    extensions = int.from_bytes(hello[at : at + 2]) + len(extension)
    changed = hello[4:at] + struct.pack("!H", extensions) + hello[at + 2 :] + extension
    changed = hello[:1] + len(changed).to_bytes(3) + changed
    return [Piece(True, record[:3] + struct.pack("!H", len(changed)) + changed), *pieces[1:]]


def _load(context: ssl.SSLContext, name: str, *, expired: bool, self_signed: bool) -> None:
    """Give the server a new key and certificate."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "server.pem"
        context.load_cert_chain(write_certificate(path, name, expired=expired, self_signed=self_signed))


def write_certificate(path: Path, name: str, *, expired: bool = False, self_signed: bool = False) -> Path:
    """Write a new key and a certificate for a name into one PEM file."""
    key = ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, name)])
    issuer = (
        subject
        if self_signed
        else x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "Example Issuer")])
    )
    signer = key if self_signed else ec.generate_private_key(ec.SECP256R1())
    start = ISSUED - timedelta(days=400) if expired else ISSUED
    certificate = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(start)
        .not_valid_after(start + timedelta(days=365))
        .add_extension(x509.SubjectAlternativeName([x509.DNSName(name)]), critical=False)
        .sign(signer, hashes.SHA256())
    )
    private = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    path.write_bytes(certificate.public_bytes(serialization.Encoding.PEM) + private)
    return path
