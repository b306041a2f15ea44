"""
RFC 8520 (MUD) with RFC 8519: the YANG modules of both, by the validator yangson; the light bulb of RFC 8520 section 9; the
prose of RFC 8520 by our own check, on files with one fault each that the modules let through.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from yangson import DataModel
from yangson.enumerations import ContentType, ValidationScope
from yangson.exceptions import YangsonException

from auditor.addresses import parse_address
from auditor.home.model import Keep
from auditor.isolation.files import render_files
from auditor.isolation.flow_classes import End, FlowClass
from auditor.isolation.mud import describe_usage
from auditor.isolation.mud_prose import prose_problems
from auditor.isolation.wishes import BoundWish
from tests.household.stories import good_vantage
from tests.isolation_households import both_families, propose_for

VECTORS = Path(__file__).parents[2] / "vectors" / "mud"
NANOSECONDS = 1_000_000_000
BULB_NS = 1_548_670_851 * NANOSECONDS  # 2019-01-28T10:20:51Z, the example's time in UTC
SERVICE = parse_address("2001:db8:100::80")


@pytest.fixture(scope="module")
def model():
    return DataModel.from_file(str(VECTORS / "yang-library.json"), [str(VECTORS / "modules")])


def validate(model, document):
    model.from_raw(document).validate(ValidationScope.all, ContentType.config)


def read(path):
    return json.loads((VECTORS / path).read_text("utf-8"))


def bulb(names=None, until_ns=BULB_NS):
    """The light bulb's one wanted conversation: TCP 443 to its service, over IPv6."""
    one = FlowClass(
        End("device", "dev-1"), End("outside", "", SERVICE), "ipv6", "tcp", 443, -1, True, False, False
    )
    keep = Keep(wish="cloud", from_device=None, to_device=None)
    return describe_usage(
        "dev-1",
        wishes=[BoundWish(keep=keep, is_assumed=False, classes=(one,), problem=None)],
        names={SERVICE: "test.example.com"} if names is None else names,
        hubs=frozenset(),
        recorded_until_ns=until_ns,
        description="The BMS Example Light Bulb",
    )


def rules_of(document):
    """What a description permits, without the names of lists and entries, which are free."""
    mud = document["ietf-mud:mud"]
    lists = {acl["name"]: acl for acl in document["ietf-access-control-list:acls"]["acl"]}
    return {
        way: [
            (lists[row["name"]]["type"], ace["matches"], ace["actions"])
            for row in mud[f"{way}-device-policy"]["access-lists"]["access-list"]
            for ace in lists[row["name"]]["aces"]["ace"]
        ]
        for way in ("from", "to")
    }


def test_the_light_bulb_of_the_standard_is_reproduced(model):
    example = read("examples/rfc8520-s9-lightbulb.json")
    validate(model, example)
    made = bulb().document
    validate(model, made)
    assert rules_of(made) == rules_of(example)
    for leaf in ("mud-version", "cache-validity", "is-supported", "systeminfo"):
        assert made["ietf-mud:mud"][leaf] == example["ietf-mud:mud"][leaf]
    assert prose_problems(example) == []
    assert prose_problems(made) == []


@pytest.mark.parametrize("path", sorted((VECTORS / "negative").glob("n*.json")), ids=lambda path: path.stem)
def test_the_validator_refuses_what_the_modules_forbid(model, path):
    """The check can fail: each file breaks one line of the modules."""
    with pytest.raises(YangsonException):
        validate(model, read(path))


PROSE = {
    "p01": "https",
    "p02": "src-dnsname",
    "p03": "60 characters",
    "p04": "accept and drop",
    "p05": "address is used",
    "p06": "no access list",
    "p07": "24 hours",
    "p08": "ipv6 in a list of type",
}


@pytest.mark.parametrize("name", sorted(PROSE))
def test_prose_faults_that_the_modules_let_through(model, name):
    path = next((VECTORS / "negative").glob(f"{name}-*.json"))
    validate(model, read(path))
    problems = prose_problems(read(path))
    assert len(problems) == 1
    assert PROSE[name] in problems[0]


@pytest.mark.parametrize("story", [good_vantage, both_families])
def test_files_of_households_are_valid(model, story, tmp_path):
    proposal = propose_for(story(), tmp_path)
    files = render_files(proposal)
    described = [json.loads(text) for name, text in files.items() if name.startswith("mud")]
    assert described
    for document in described:
        validate(model, document)
        assert prose_problems(document) == []
    assert "192.168." not in files["mud.json"]


def test_both_families_are_described(tmp_path):
    proposal = propose_for(both_families(), tmp_path)
    document = json.loads(render_files(proposal)["mud.json"])
    types = {acl["type"] for acl in document["ietf-access-control-list:acls"]["acl"]}
    assert types == {"ipv4-acl-type", "ipv6-acl-type"}


@pytest.mark.parametrize(
    "name",
    [
        "",
        'a"b.example',
        "a b.example",
        "-a.example",
        "a..example",
        "x" * 300,
        "ä.example",
        "a.example\n",
        "a_.example",
    ],
)
def test_a_hostile_name_is_left_out(model, name):
    made = bulb({SERVICE: name})
    assert made.left_out == 1
    validate(model, made.document)
    assert "outside" not in json.dumps(made.document)


@pytest.mark.parametrize(
    "document",
    [{}, {"ietf-mud:mud": None}, {"ietf-mud:mud": [], "ietf-access-control-list:acls": {"acl": [1]}}],
)
def test_prose_check_survives_any_shape(document):
    assert prose_problems(document)


def test_the_modules_are_modules():
    """Our copies of the modules of RFC 8520 and RFC 8519, by the compiler pyang."""
    names = (
        "ietf-mud@2019-01-28.yang",
        "ietf-acldns@2019-01-28.yang",
        "ietf-access-control-list@2019-03-04.yang",
    )
    modules = VECTORS / "modules"
    script = Path(sys.executable).with_name("pyang")
    done = subprocess.run(
        [sys.executable, script, "-p", modules, *(modules / name for name in names)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("until_ns", [-1, 0, 2**63, -(2**63), 10**30])
def test_any_time_of_a_damaged_file_gives_a_valid_description(model, until_ns):
    validate(model, bulb(until_ns=until_ns).document)
