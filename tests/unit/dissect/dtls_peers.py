"""Real DTLS handshakes without a network: OpenSSL over memory, one datagram at a time."""

from OpenSSL import SSL

from tests.unit.dissect.tls_peers import certificate

MAX_ROUNDS = 20


def _context(version):
    context = SSL.Context(SSL.DTLS_METHOD)
    context.set_options(SSL.OP_NO_QUERY_MTU)
    if version is not None:
        context.set_min_proto_version(version)
        context.set_max_proto_version(version)
        context.set_cipher_list(b"ALL:@SECLEVEL=0")  # DTLS 1.0 signs with SHA-1
    return context


def _datagrams(side):
    said = []
    while True:
        try:
            said.append(side.bio_read(65_535))
        except SSL.WantReadError:
            return said


def _records(octets):
    """OpenSSL writes a flight in one piece over memory; on a wire each record may be a datagram of its own."""
    position, records = 0, []
    while position < len(octets):
        size = 13 + int.from_bytes(octets[position + 11 : position + 13], "big")
        records.append(octets[position : position + size])
        position += size
    return records


def handshake(version=None, server_name=b"lamp.example", protocols=(b"coap",), mtu=1400):
    """Run a handshake and one message of data; gives [(by_client, datagram), ...] in order."""
    made, key = certificate()
    server_context, client_context = _context(version), _context(version)
    server_context.use_certificate(made)
    server_context.use_privatekey(key)
    server_context.set_cookie_generate_callback(lambda _: b"cookie of the server")
    server_context.set_cookie_verify_callback(lambda _, cookie: cookie == b"cookie of the server")
    server_context.set_alpn_select_callback(lambda _, offered: offered[0])
    client, server = SSL.Connection(client_context, None), SSL.Connection(server_context, None)
    client.set_connect_state()
    client.set_tlsext_host_name(server_name)
    client.set_alpn_protos(list(protocols))
    server.set_accept_state()
    said = []
    for side in (client, server):
        side.set_ciphertext_mtu(mtu)
    listening = True
    for _ in range(MAX_ROUNDS):
        done = 0
        for side, other, by_client in ((client, server, True), (server, client, False)):
            try:
                if side is server and listening:
                    server.DTLSv1_listen()
                    listening = False
                side.do_handshake()
                done += 1
            except SSL.WantReadError:
                pass
            for flight in _datagrams(side):
                for record in _records(flight):
                    said.append((by_client, record))
                    other.bio_write(record)
        if done == 2:
            break
    client.send(b"on")
    said += [(True, octets) for octets in _datagrams(client)]
    return said
