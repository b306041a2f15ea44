"""Real handshakes without a network: the ssl module of the standard library over memory, and real certificates."""

import datetime as dt
import ssl
import tempfile
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

BEGIN = dt.datetime(2026, 1, 1, tzinfo=dt.UTC)
END = dt.datetime(2036, 1, 1, tzinfo=dt.UTC)


def certificate(
    subject="lamp.example", issuer=None, names=("lamp.example",), begin=BEGIN, end=END, key=None, extras=()
):
    """A certificate signed by its own key; gives the certificate and the key."""
    key = key or ec.generate_private_key(ec.SECP256R1())

    def name(text):
        return x509.Name([] if text is None else [x509.NameAttribute(NameOID.COMMON_NAME, text)])

    builder = (
        x509.CertificateBuilder()
        .subject_name(name(subject))
        .issuer_name(name(issuer or subject))
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(begin)
        .not_valid_after(end)
    )
    if names:
        general = [x509.DNSName(one) for one in names]
        builder = builder.add_extension(x509.SubjectAlternativeName(general), critical=False)
    for extension, critical in extras:
        builder = builder.add_extension(extension, critical=critical)
    return builder.sign(key, hashes.SHA256()), key


def server_context(**how):
    made, key = certificate(**how)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    with tempfile.TemporaryDirectory() as folder:
        chain = Path(folder) / "chain.pem"
        chain.write_bytes(
            made.public_bytes(serialization.Encoding.PEM)
            + key.private_bytes(
                serialization.Encoding.PEM,
                serialization.PrivateFormat.PKCS8,
                serialization.NoEncryption(),
            )
        )
        context.load_cert_chain(chain)
    return context


def handshake(
    version=ssl.TLSVersion.TLSv1_3, server_name="lamp.example", protocols=("h2", "http/1.1"), server=None
):
    """Run a handshake and one exchange of data; gives [(by_client, octets), ...] in order."""
    client = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    client.check_hostname, client.verify_mode = False, ssl.CERT_NONE
    server = server or server_context()
    for context in (client, server):
        context.minimum_version = context.maximum_version = version
        if protocols:
            context.set_alpn_protocols(list(protocols))
    client_in, client_out, server_in, server_out = (ssl.MemoryBIO() for _ in range(4))
    client_side = client.wrap_bio(client_in, client_out, server_hostname=server_name)
    server_side = server.wrap_bio(server_in, server_out, server_side=True)
    said = []

    def step(side):
        try:
            side.do_handshake()
        except ssl.SSLWantReadError:
            return False
        return True

    def carry():
        for by_client, out, into in ((True, client_out, server_in), (False, server_out, client_in)):
            if octets := out.read():
                said.append((by_client, octets))
                into.write(octets)

    done = [False, False]
    for _ in range(10):
        done[0] = done[0] or step(client_side)
        carry()
        done[1] = done[1] or step(server_side)
        carry()
    assert all(done)
    client_side.write(b"hello" * 100)
    carry()
    server_side.write(b"there" * 100)
    carry()
    return said, client_side
