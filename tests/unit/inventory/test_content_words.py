"""Confidentiality by the protocols that were read: house section 9, ``services[]``; SSH has no word there."""

import pytest

from auditor.inventory.content import Content


@pytest.mark.parametrize(
    ("protocols", "word", "name"),
    [
        ({"tls": 3}, "tls", "tls"),
        ({"dtls": 3}, "dtls", "dtls"),
        ({"ssh": 2}, "unknown", "ssh"),
        ({"ftp": 3, "tls": 4}, "clear", "ftp"),
        ({}, "unknown", None),
    ],
)
def test_word_for_what_was_read(protocols, word, name):
    content = Content()
    content.protocols.update(protocols)

    assert (content.confidentiality, content.application_protocol) == (word, name)
