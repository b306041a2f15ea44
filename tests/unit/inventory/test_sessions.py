"""
Suites that are not to be used (RFC 9325 section 4.1, RFC 5469), validity (RFC 5280 4.1.2.5), names (RFC 9525 6.3).

Oracle for the suites: the names in scapy's copy of the IANA registry.
"""

import pytest

from auditor.dissect.protocols.tls import Certificate
from auditor.inventory.sessions import WEAK_SUITES, certificate_problem

WEAK_WORDS = ("NULL", "EXPORT", "RC4", "_DES_", "_DES40_", "3DES", "RC2", "IDEA", "anon")


def test_weak_suites_are_those_whose_registered_names_say_so():
    from scapy.layers.tls.crypto.suites import _tls_cipher_suites

    named_weak = {
        number
        for number, name in _tls_cipher_suites.items()
        if any(word in name for word in WEAK_WORDS) and "SCSV" not in name and number < 0xFF00
    }
    known = set(_tls_cipher_suites)
    assert named_weak - WEAK_SUITES == set()
    assert (WEAK_SUITES & known) - named_weak == set()


def certificate(**more):
    fields = {
        "length": 900, "from_client": False, "subject": "a", "issuer": "b", "self_issued": False, "not_before_ns": 10, "not_after_ns": 20,
        "names": ("cloud.example", "*.light.example"), "chain_length": 2,
    }  # fmt: skip
    return Certificate(**{**fields, **more})


@pytest.mark.parametrize(
    ("more", "shown", "name", "problem"),
    [
        ({}, 15, "cloud.example", None),
        ({}, 21, "cloud.example", "expired"),
        ({}, 9, "cloud.example", "not-yet-valid"),
        ({"self_issued": True}, 15, "cloud.example", "self-signed"),
        ({}, 15, "a.light.example", None),
        ({}, 15, "a.b.light.example", "name-mismatch"),
        ({}, 15, "light.example", "name-mismatch"),
        ({}, 15, None, None),
    ],
)
def test_first_problem_of_a_certificate(more, shown, name, problem):
    assert certificate_problem(certificate(**more), shown, name) == problem
