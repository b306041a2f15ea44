"""A home as full as anybody will ever have: many devices, many findings, texts as long as a rule file allows."""

import copy

from auditor.redaction.documents import ShownDocument
from tests.browser.drawn import HOSTILE, LONG, audited
from tests.household.pictures import own_copy

DEVICES, FINDINGS = 300, 5_000


def crowded_document() -> ShownDocument:
    """300 devices, 5,000 findings with texts of 600 characters, names of 200."""
    document = own_copy(audited("everything-speaks"))
    pattern = document["devices"][0]
    for number in range(DEVICES - len(document["devices"])):
        device = copy.deepcopy(pattern)
        device["device_id"] = f"dev-{number:08x}"
        device["nickname"] = f"{number} {HOSTILE[number % len(HOSTILE)]}"[:200]
        document["devices"].append(device)
    texts = [f"{HOSTILE[place % len(HOSTILE)]} {LONG * 3}"[:600] for place in range(len(HOSTILE))]
    pattern = document["findings"][0]
    for number in range(FINDINGS - len(document["findings"])):
        text = texts[number % len(texts)]
        finding = copy.copy(pattern) | {
            "finding_id": f"{number:016x}",
            "rule_id": f"own-rule-{number}",
            "severity": "critical",
            "household": text,
            "remediation": [dict.fromkeys(("do", "stops", "test", "undo"), text)],
        }
        document["findings"].insert(0, finding)
    return document
