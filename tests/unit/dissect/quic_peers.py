"""
Openings of QUIC connections between two ends of aioquic in memory: the datagrams that would be on the wire.
"""

import datetime as dt
import tempfile
from functools import cache
from pathlib import Path

from aioquic.quic.configuration import QuicConfiguration
from aioquic.quic.connection import QuicConnection
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec

CLIENT, SERVER = ("192.0.2.20", 50_000), ("198.51.100.7", 443)
NAME = "updates.example"


@cache
def _certificate():
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, NAME)])
    now = dt.datetime.now(dt.UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(1)
        .not_valid_before(now)
        .not_valid_after(now + dt.timedelta(days=9))
        .sign(key, hashes.SHA256())
    )
    folder = Path(tempfile.mkdtemp())
    (folder / "cert.pem").write_bytes(made.public_bytes(serialization.Encoding.PEM))
    (folder / "key.pem").write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
    )
    return folder


def opening(client_versions, server_versions, *, name=NAME, protocols=("h3",), original=None):
    """Datagrams of an opening and a ping, each with whether the client sent it."""
    client_settings = QuicConfiguration(
        is_client=True,
        server_name=name,
        alpn_protocols=list(protocols),
        supported_versions=client_versions,
        original_version=original,
        verify_mode=0,
    )
    client = QuicConnection(configuration=client_settings)
    server_settings = QuicConfiguration(
        is_client=False, alpn_protocols=["h3"], supported_versions=server_versions
    )
    folder = _certificate()
    server_settings.load_cert_chain(folder / "cert.pem", folder / "key.pem")
    server = None
    datagrams = []
    client.connect(SERVER, now=0.0)
    for turn in range(8):
        now = 0.01 * turn
        sent = [octets for octets, _ in client.datagrams_to_send(now=now)]
        datagrams += [(True, octets) for octets in sent]
        if server is None:
            server = QuicConnection(
                configuration=server_settings, original_destination_connection_id=sent[0][6 : 6 + sent[0][5]]
            )
        for octets in sent:
            server.receive_datagram(octets, CLIENT, now=now)
        back = [octets for octets, _ in server.datagrams_to_send(now=now)]
        datagrams += [(False, octets) for octets in back]
        for octets in back:
            client.receive_datagram(octets, SERVER, now=now)
        if turn == 4:
            client.send_ping(1)
    return datagrams
