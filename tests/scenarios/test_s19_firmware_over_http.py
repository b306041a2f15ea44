"""
S19: firmware fetched over HTTP.

Why: a connection in clear text gives no trust (ETSI EN 303 645 5.3-10); whether the file is signed a recording does not show.
"""

import pytest

from tests.household.home import LIGHT, Host
from tests.household.messages import http_request
from tests.household.sessions import stored
from tests.scenarios.support import assert_calm, contacts, findings, on_the_path, outcomes, run

STORE = Host("update.shelf-light.example", ipv4="198.51.100.90", hops_away=11)
OCTETS = 1_200_000
HEAD = (
    f"HTTP/1.1 200 OK\r\nContent-Type: application/octet-stream\r\nContent-Length: {OCTETS}\r\n\r\n"
).encode()


def in_clear(recording):
    recording.at(60)
    recording.dns_lookup(LIGHT, STORE.name, [STORE.ipv4])
    opened = recording.connect(LIGHT, STORE, 80)
    opened.send(http_request("GET", "/firmware/0.15.0.bin", STORE.name), acknowledged=False)
    opened.receive(HEAD + bytes(range(256)) * (OCTETS // 256) + bytes(OCTETS % 256))
    opened.close()


def encrypted(recording):
    recording.at(60)
    recording.dns_lookup(LIGHT, STORE.name, [STORE.ipv4])
    opened = recording.tls_session(LIGHT, STORE, stored(STORE.name), stays_open=True)
    opened.receive(bytes.fromhex("1703034000") + bytes(0x4000))
    opened.close()


@pytest.fixture(scope="module")
def document(tmp_path_factory):
    return run(on_the_path(in_clear, seconds=900), tmp_path_factory.mktemp("s19"))


def test_the_update_was_readable(document):
    [finding] = findings(document, "update-in-clear-text", host=LIGHT)

    assert finding["severity"] == "medium"
    assert STORE.name in finding["summary"]
    assert str(OCTETS) in finding["summary"]
    assert "signed cannot be seen" in finding["summary"]
    assert "update" in document["coverage"]["phases"]


def test_the_contact_is_an_update_and_its_octets_are_counted(document):
    [store] = [c for c in contacts(document, LIGHT) if c["address"] == STORE.ipv4]

    assert store["received_octets"] > OCTETS
    assert (store["name"], store["confidentiality"]) == (STORE.name, "clear")


def test_what_could_be_done_is_not_told_as_done(document):
    assert_calm(document)
    assert "could be replaced" not in str(document["findings"])


def test_an_encrypted_download_is_none(tmp_path):
    document = run(on_the_path(encrypted), tmp_path)

    assert findings(document, "update-in-clear-text") == []
    assert outcomes(document, "update-in-clear-text", LIGHT) <= {"not-found", "undetermined"}
