"""Pseudonyms are stable, short, and independent of order.  RFC 7693: keyed BLAKE2b."""

from __future__ import annotations

import hashlib

from hypothesis import given
from hypothesis import strategies as st

from auditor.redaction.pseudonym import assign_pseudonyms, derive_key

KEY = derive_key(b"key", [])


def test_a_pseudonym_follows_from_key_and_identity() -> None:
    digest = hashlib.blake2b(b"link:06:11:22:33:44:55", key=KEY, digest_size=16).hexdigest()
    found = assign_pseudonyms(KEY, [("dev-1", "link:06:11:22:33:44:55", "phone")])
    assert found == {"dev-1": f"phone-{digest[:4]}"}


def test_another_key_gives_another_pseudonym() -> None:
    devices = [("dev-1", "link:06:11:22:33:44:55", "phone")]
    assert assign_pseudonyms(KEY, devices) != assign_pseudonyms(derive_key(b"other", []), devices)


def test_the_home_key_makes_recordings_comparable() -> None:
    assert derive_key(b"k", ["aa"]) == derive_key(b"k", ["bb"])
    assert derive_key(None, ["aa"]) != derive_key(None, ["bb"])
    assert derive_key(None, ["aa", "bb"]) == derive_key(None, ["bb", "aa"])
    assert len(derive_key(b"x" * 1_000, [])) == 32  # BLAKE2b takes at most 64 octets of key


@given(st.lists(st.text(max_size=5), min_size=1, max_size=40), st.randoms())
def test_names_are_unique_and_free_of_order(identities: list[str], random: object) -> None:
    devices = [
        (f"dev-{place}", identity, "phone") for place, identity in enumerate(dict.fromkeys(identities))
    ]
    found = assign_pseudonyms(KEY, devices)
    assert len(set(found.values())) == len(devices)
    mixed = list(devices)
    random.shuffle(mixed)  # type: ignore[attr-defined]
    assert assign_pseudonyms(KEY, mixed) == found


def test_colliding_pseudonyms_grow_until_they_differ() -> None:
    # 2,000 of 65,536 values: some are equal almost surely (birthday bound)
    devices = [(f"dev-{number}", f"identity {number}", "phone") for number in range(2_000)]
    found = assign_pseudonyms(KEY, devices)
    assert len(set(found.values())) == 2_000
    assert {len(name) for name in found.values()} == {len("phone-") + 4, len("phone-") + 8}


def test_equal_identities_are_still_told_apart() -> None:
    found = assign_pseudonyms(KEY, [("dev-1", "same", "phone"), ("dev-2", "same", "phone")])
    assert len(set(found.values())) == 2
