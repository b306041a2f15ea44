"""
S39: two hundred private words stand in a recording, its names, its notes and the home file, and in no output.

Oracle: the words themselves, searched for in the octets that each command leaves behind, as they are, as base64 (RFC 4648
section 4) and as NetBIOS names (RFC 1001 section 14.1).
"""

from __future__ import annotations

import base64
import ipaddress
import json
import re
from pathlib import Path

import pytest

from auditor import pipeline
from auditor.home.loader import load_home
from tests.household import private
from tests.household.home import HUB, LAPTOP, LIGHT, PHONE, ROUTER
from tests.household.private import ADDRESSES, PLANTED, TABLET
from tests.scenarios.support import Done, command, on_the_path

FOLDER, FILE = "folder9zrobin", "lease1zrobin_evening.pcapng"
"""A folder's name is the user's own; a word of the tablet is in the file's name."""
FORMS = ("text", "json", "markdown", "html")


@pytest.fixture(scope="module")
def evening(tmp_path_factory) -> tuple[Path, Path]:
    folder = tmp_path_factory.mktemp("evening") / FOLDER
    folder.mkdir()
    home = folder / "home.yaml"
    home.write_text(private.home(), "utf-8")
    return private.write(on_the_path(private.tell), folder / FILE), home


def found_in(octets: bytes, *, addresses: bool = True) -> list[str]:
    folded = octets.lower()
    # Printing may break a line inside a word, and HTML may part it.
    joined = b"".join(re.sub(rb"<wbr>|&#8203;|\xe2\x80\x8b", b"", folded).split())
    found = [
        word
        for word in [*PLANTED, FOLDER]
        if word.encode() in folded
        or word.encode() in joined
        or base64.b64encode(word.encode())[:-4] in octets
        or private.netbios_encoded(word[:15])[:-2] in octets
    ]
    return found + [text for text in ADDRESSES if addresses and text.encode() in folded]


def of(done: Done) -> bytes:
    return (done.stdout + done.stderr).encode()


def files_of(folder: Path) -> bytes:
    return b"".join(
        path.read_bytes() + path.name.encode() for path in sorted(folder.rglob("*")) if path.is_file()
    )


def test_the_words_are_in_the_recording(evening):
    assert len(set(PLANTED)) + len(set(ADDRESSES)) >= 200
    octets = b"".join(path.read_bytes() for path in evening)
    missing = {*PLANTED} - set(found_in(octets, addresses=False))
    assert not missing
    for host in (TABLET, PHONE, HUB, LAPTOP, ROUTER):
        assert ipaddress.ip_address(host.ipv4).packed in octets
    assert ipaddress.ip_address(TABLET.ipv6).packed in octets


def test_the_search_finds_what_stands_there():
    """Proof that the tests below could fail."""
    for octets in (
        b"x filter0zrobin",
        b"FILTER0ZROBIN",
        b"filter0z\n   robin",
        base64.b64encode(b"filter0zrobin:x"),
    ):
        assert found_in(octets) == ["filter0zrobin"]
    assert found_in(private.netbios_encoded("netbios0zrobin")) == ["netbios0zrobin"]


@pytest.mark.parametrize("with_home", [False, True], ids=["alone", "with-home-file"])
@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("name", ["audit", "check", "plan", "compare"])
def test_no_report_holds_one(evening, name, form, with_home):
    path, home = evening
    captures = [path, path] if name == "compare" else [path]
    extra = ["--home", home] if with_home else []
    extra += ["--all"] if (name, form) == ("audit", "text") else []
    done = command(name, *captures, "--device", LIGHT.link, "--format", form, "--strict", *extra)
    assert done.stdout
    assert found_in(of(done)) == []


@pytest.mark.parametrize("language", ["en", "de"])
@pytest.mark.parametrize("form", ["html", "markdown"])
def test_no_page_holds_one(evening, form, language):
    path, home = evening
    done = command(
        "page",
        path,
        "--device",
        LIGHT.link,
        "--home",
        home,
        "--format",
        form,
        "--language",
        language,
        "--strict",
    )
    assert done.stdout
    assert found_in(of(done)) == []


def test_the_files_of_a_plan_hold_none_but_the_addresses_that_rules_need(evening):
    path, home = evening
    made = pipeline.plan([path], devices=[LIGHT.link], home=home).files
    assert "rules.nft" in made
    for name, text in made.items():
        assert found_in(text.encode(), addresses=name != "rules.nft") == [], name


def test_no_copy_holds_one(evening, tmp_path):
    path, home = evening
    output = tmp_path / "copy.pcapng"
    done = command("reduce", path, "--device", LIGHT.link, "--home", home, "--output", output, "--strict")
    octets = files_of(tmp_path)
    assert found_in(octets) == []
    assert found_in(of(done)) == []
    for host in (TABLET, PHONE, HUB, LAPTOP, ROUTER):
        assert bytes.fromhex(host.link.replace(":", "")) not in octets
        assert ipaddress.ip_address(host.ipv4).packed not in octets
    # A secret that a device shares with another is proven by that other one's conversation, which is not copied.
    missing = re.findall(r"([a-z-]+) [0-9a-f]{16}", done.stderr.partition("does not show")[2])
    assert set(missing) <= {"same-secret-on-two-devices"}
    assert load_home(tmp_path / "copy.home.yaml").devices


def test_no_watch_tells_or_stores_one(evening, tmp_path):
    path, home = evening
    ring, store = tmp_path / "ring", tmp_path / "store"
    ring.mkdir()
    told = b""
    for number in range(2):
        (ring / f"{number}-night.pcapng").write_bytes(path.read_bytes() + bytes(number))
        told += of(command("watch", ring, "--store", store, "--home", home, "--learn", "1", "--strict"))
    assert b"usage" not in told.lower()
    assert store.is_dir()
    told += of(command("watch", "--store", store, "--history", "--picture", tmp_path / "strip.svg"))
    told += of(command("watch", "--store", store, "--health"))
    (ring / "0-night.pcapng").unlink()
    (ring / "1-night.pcapng").unlink()
    assert found_in(told) == []
    assert found_in(files_of(tmp_path)) == []


def test_a_recipe_from_a_report_holds_none(evening, tmp_path):
    path, home = evening
    report = tmp_path / "report.json"
    command("audit", path, "--device", LIGHT.link, "--home", home, "--format", "json", "--output", report)
    done = command("recipe", "--report", report, "--place", "router", "--system", "linux", "--light", "wifi")
    assert done.returncode == 0
    assert found_in(of(done) + report.read_bytes()) == []


def test_no_error_holds_one(evening, tmp_path):
    path, home = evening
    short = tmp_path / "short.pcapng"
    short.write_bytes(path.read_bytes()[:-7])
    words = home.read_text("utf-8").replace("router: vlan", "router: castle")
    (tmp_path / "broken.yaml").write_text(words, "utf-8")
    for arguments, status in [
        (["audit", short, "--device", "00:00:5e:00:53:99"], 3),
        (["audit", short, "--home", tmp_path / "broken.yaml"], 2),
        (["audit", short, "--format", "castle"], 2),
        (["reduce", short, "--device", "00:00:5e:00:53:99", "--output", tmp_path / "a.pcapng"], 3),
        (["record", "no-such-interface", "--folder", tmp_path / "r", "--minutes", "0.01"], 2),
    ]:
        done = command(*arguments)
        assert done.returncode == status, done.stderr
        assert done.stderr
        assert found_in(of(done)) == [], arguments


@pytest.mark.parametrize("extra", [[], ["--strict"]], ids=["fault-line", "traceback"])
def test_no_fault_of_ours_tells_one(evening, monkeypatch, extra):
    def fail(*_: object, **__: object) -> None:
        try:
            {}[PLANTED[0] + TABLET.link]
        except KeyError as error:
            raise ZeroDivisionError(f"{PLANTED[1]} {TABLET.ipv4}") from error

    monkeypatch.setattr(pipeline, "evaluate", fail)
    done = command("audit", evening[0], *extra)
    assert done.returncode == 4
    assert "ZeroDivisionError" in done.stderr
    assert ("KeyError" in done.stderr) is bool(extra)
    assert found_in(of(done)) == []


def test_a_file_keeps_its_name_but_for_words_of_others(evening):
    path, home = evening
    done = command("audit", path, "--device", LIGHT.link, "--home", home, "--format", "json")
    document = json.loads(done.stdout)
    name = document["captures"][0]["name"]
    assert name.endswith("_evening.pcapng")
    assert {item["capture"] for row in document["findings"] for item in row["evidence"]} == {name}
    revealed = json.loads(
        command("audit", path, "--device", LIGHT.link, "--format", "json", "--reveal").stdout
    )
    assert revealed["captures"][0]["name"] == FILE


def test_an_own_word_of_the_light_passes(evening):
    """Hiding everything would pass the tests above."""
    done = command("audit", evening[0], "--device", LIGHT.link, "--home", evening[1], "--format", "json")
    assert LIGHT.link in done.stdout
    assert "shelf light" in done.stdout
    assert "cloud" in done.stdout or "filtered" in done.stdout


MARKS = {
    "text": r"contains private data",
    "markdown": r"contains private data",
    "json": r'"applied": false, "revealed": true',
    # CSS Paged Media Module Level 3 section 5: a margin box stands on every printed page.
    "html": r"@bottom-center\{content:\"Contains private data\".*<p class=\"private\">Contains private data",
}


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("name", ["audit", "check", "plan", "compare"])
def test_what_is_revealed_is_marked(evening, name, form):
    path, _ = evening
    captures = [path, path] if name == "compare" else [path]
    given = [name, *captures, "--device", LIGHT.link, "--format", form]
    shown, hidden = command(*given, "--reveal").stdout, command(*given).stdout
    assert re.search(MARKS[form], shown, re.DOTALL)
    assert not re.search(MARKS[form], hidden, re.DOTALL)
    if (name, form) == ("audit", "json"):
        assert PHONE.link in shown


@pytest.mark.parametrize(
    ("language", "mark"), [("en", "Contains private data"), ("de", "Enthält private Daten")]
)
@pytest.mark.parametrize("form", ["html", "markdown"])
def test_a_revealed_page_is_marked(evening, form, language, mark):
    given = ["page", evening[0], "--device", LIGHT.link, "--format", form, "--language", language]
    assert mark in command(*given, "--reveal").stdout
    assert mark not in command(*given).stdout


def test_files_of_a_revealed_plan_are_marked_or_hold_no_more(evening):
    path, home = evening
    shown, hidden = (
        pipeline.plan([path], devices=[LIGHT.link], home=home, reveal=reveal).files
        for reveal in (True, False)
    )
    assert shown.keys() == hidden.keys()
    assert "contains private data" in shown["steps.md"]
    for name in shown.keys() - {"steps.md"}:
        assert shown[name] == hidden[name], name
