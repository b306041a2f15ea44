"""
S16: the hello carries an extension for an encrypted name.

Why: clients send it as filler to every server (RFC 9849 section 6.2, GREASE), and a real one leaves the provider's public
name outside: the name that is visible is an outer one, and the extension alone hides nothing.
"""

import pytest

from tests.household.home import CLOUD, LIGHT
from tests.household.sessions import transcript, with_encrypted_client_hello
from tests.scenarios.support import assert_calm, contacts, on_the_path, run, text_of


@pytest.fixture(scope="module")
def document(tmp_path_factory):
    tmp_path = tmp_path_factory.mktemp("scenario")
    pieces = with_encrypted_client_hello(transcript(CLOUD.name, version="1.3"))
    return run(on_the_path(lambda recording: recording.tls_session(LIGHT, CLOUD, pieces)), tmp_path)


def test_the_name_is_told_as_an_outer_one(document):
    [contact] = [c for c in contacts(document, LIGHT) if c["address"] == CLOUD.ipv4]

    assert contact["name"] == CLOUD.name
    assert contact["name_is_outer"] is True


def test_without_the_extension_it_is_not(tmp_path):
    pieces = transcript(CLOUD.name, version="1.3")
    document = run(on_the_path(lambda recording: recording.tls_session(LIGHT, CLOUD, pieces)), tmp_path)

    [contact] = [c for c in contacts(document, LIGHT) if c["address"] == CLOUD.ipv4]
    assert contact["name_is_outer"] is False


def test_nobody_is_said_to_hide(document):
    text = text_of(document)

    assert "hides its destination" not in text
    assert "hidden destination" not in text
    assert_calm(document)
