"""What makes two findings the same one, night after night, and the id hashed from it."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Mapping

from auditor.inventory.facts import Fact
from auditor.ruleset.fields import Field, peer_fields
from auditor.ruleset.model import Rule

ID_OCTETS = 8  # 16 hexadecimal digits: two of a thousand findings agree by chance once in 10^13 reports

IdentityValue = tuple[str, ...]
IdentityReader = Callable[[Fact, Mapping[str, str]], IdentityValue]


def identity_values(rule: Rule, fact: Fact, identities: Mapping[str, str]) -> tuple[IdentityValue, ...]:
    """
    The rule's identity fields as text, unknown ones as ``()``.

    ``identities`` maps device ids to what devices are hashed over.  A field
    that names a device gives that device's identity, a group only the word
    ``group``: an address would make a new finding out of the same thing.
    """
    return tuple(read(fact, identities) for read in identity_readers(rule))


def identity_readers(rule: Rule) -> list[IdentityReader]:
    """For each identity field the function that gives its value, made once for many facts."""
    peers = peer_fields(rule.about)
    return [_peer(field) if field.name in peers else _plain(field) for field in rule.identity]


def finding_id(rule_id: str, device_identity: str, values: Iterable[IdentityValue]) -> str:
    """
    Sixteen hexadecimal digits: BLAKE2b (RFC 7693) over rule, device and identity values.

    Every part is preceded by its length, so that no two lists of parts give the
    same octets.
    """
    digest = hashlib.blake2b(digest_size=ID_OCTETS)
    for part in (rule_id, device_identity):
        _add(digest, part)
    for value in values:
        digest.update(len(value).to_bytes(4, "big"))
        for member in value:
            _add(digest, member)
    return digest.hexdigest()


def _add(digest: hashlib.blake2b, text: str) -> None:
    octets = text.encode("utf-8", "surrogateescape")  # names of the recording may carry undecodable octets
    digest.update(len(octets).to_bytes(4, "big"))
    digest.update(octets)


def _plain(field: Field) -> IdentityReader:
    read = field.reader

    def plain(fact: Fact, _: Mapping[str, str]) -> IdentityValue:
        value = read(fact)
        if value is None:
            return ()
        return tuple(sorted(value)) if isinstance(value, tuple) else (str(value),)

    return plain


def _peer(field: Field) -> IdentityReader:
    read = field.reader

    def peer(fact: Fact, identities: Mapping[str, str]) -> IdentityValue:
        named = str(read(fact))
        kind, colon, _ = named.partition(":")
        return (identities.get(named, kind if colon else named),)

    return peer
