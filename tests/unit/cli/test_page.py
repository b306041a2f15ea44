"""
``auditor page`` as a user types it: forms, streams, exit statuses, files.

Exit statuses: the table of README.  Sheets: ISO 216 (A4: 210 by 297 mm), ANSI/ASME Y14.1 (letter: 8.5 by 11
inches); a PDF's ``MediaBox`` is in points of 1/72 inch (ISO 32000-1 section 14.11.2).
"""

import ipaddress
import os
import re
import shutil

import pytest

from auditor.cli.print_pdf import BROWSER_VARIABLE
from tests.household import home
from tests.household.__main__ import CAPTURES
from tests.scenarios.support import command

GOOD = CAPTURES / "good-vantage.pcapng"
HOME = CAPTURES / "good-vantage.home.yaml"
POINTS = {"a4": (210 / 25.4 * 72, 297 / 25.4 * 72), "letter": (8.5 * 72, 11 * 72)}
NAMES = sorted(path.stem for path in CAPTURES.glob("*.pcapng"))
HOSTS = [one for one in vars(home).values() if isinstance(one, home.Host)]


@pytest.fixture
def chromium():
    if not any(map(shutil.which, ("chromium", "chromium-browser"))):
        if os.environ.get("CI"):
            pytest.fail("no Chromium is installed")
        pytest.skip("no Chromium is installed")


@pytest.mark.parametrize(
    ("name", "status"), [("good-vantage", 1), ("laptop-on-wifi", 3), ("quiet-and-good", 0)]
)
def test_the_exit_status_is_that_of_an_audit(name, status):
    done = command("page", CAPTURES / f"{name}.pcapng")
    assert done.returncode == status
    assert command("audit", CAPTURES / f"{name}.pcapng").returncode == status
    assert done.stdout.startswith("<!DOCTYPE html>")
    assert ("could not judge" in done.stderr) == (status == 3)


def test_no_alarm_is_asked_for():
    assert command("page", GOOD, "--alarm-from", "never").returncode == 0


@pytest.mark.parametrize(("language", "title"), [("en", "# Our lights"), ("de", "# Unser")])
def test_markdown_in_both_languages(language, title):
    done = command("page", GOOD, "--format", "markdown", "--language", language)
    assert done.stdout.startswith(title)


@pytest.mark.parametrize("form", ["html", "markdown"])
def test_same_recording_same_octets(tmp_path, form):
    first = command("page", GOOD, "--home", HOME, "--format", form).stdout
    command("page", GOOD, "--home", HOME, "--format", form, "--output", tmp_path / "page")
    assert (tmp_path / "page").read_bytes() == first.encode()


@pytest.mark.parametrize("paper", POINTS)
def test_a_pdf_is_one_sheet_of_the_paper(tmp_path, chromium, paper):
    output = tmp_path / "page.pdf"
    done = command("page", GOOD, "--format", "pdf", "--paper", paper, "--output", output)
    assert done.returncode == 1, done.stderr
    octets = output.read_bytes()
    assert octets.startswith(b"%PDF-")
    boxes = re.findall(rb"/MediaBox\s*\[([^\]]*)\]", octets)
    assert len(boxes) == 1
    assert [float(part) for part in boxes[0].split()] == pytest.approx([0, 0, *POINTS[paper]], abs=1)


def test_without_a_browser_it_says_how_to_print(tmp_path, monkeypatch):
    monkeypatch.setenv(BROWSER_VARIABLE, str(tmp_path / "none"))
    done = command("page", GOOD, "--format", "pdf", "--output", tmp_path / "page.pdf")
    assert done.returncode == 2
    assert "write --format html, open the file in any browser and print it" in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_browser_that_prints_nothing_leaves_no_file(tmp_path, monkeypatch):
    monkeypatch.setenv(BROWSER_VARIABLE, shutil.which("true"))
    done = command("page", GOOD, "--format", "pdf", "--output", tmp_path / "page.pdf")
    assert done.returncode not in {0, 1}
    assert "printed nothing" in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_pdf_wants_a_file():
    done = command("page", GOOD, "--format", "pdf")
    assert done.returncode == 2
    assert "expected --output FILE" in done.stderr


def test_a_wrong_language_is_told_before_the_recording_is_read():
    done = command("page", "missing.pcapng", "--language", "fr")
    assert done.returncode == 2
    assert "expected" in done.stderr
    assert "en" in done.stderr
    assert "de" in done.stderr
    assert done.stdout == ""


@pytest.mark.parametrize("given", [GOOD, HOME])
def test_an_input_is_never_written_over(tmp_path, given):
    copies = [shutil.copy(path, tmp_path) for path in (GOOD, HOME)]
    output = tmp_path / given.name
    before = output.read_bytes()
    done = command("page", copies[0], "--home", copies[1], "--output", output)
    assert done.returncode == 2
    assert "is an input of this run" in done.stderr
    assert output.read_bytes() == before


@pytest.mark.parametrize("form", ["html", "markdown"])
def test_a_revealed_page_is_marked_and_another_is_not(form):
    assert "Contains private data" in command("page", GOOD, "--format", form, "--reveal").stdout
    assert "Contains private data" not in command("page", GOOD, "--format", form).stdout


@pytest.mark.parametrize("form", ["html", "markdown"])
@pytest.mark.parametrize("name", NAMES)
def test_no_address_of_the_household_stands_on_a_page(name, form):
    """Oracle: the hosts that the recordings are made of."""
    done = command("page", CAPTURES / f"{name}.pcapng", "--format", form)
    private = {host.link for host in HOSTS if host.link} | {
        str(ipaddress.ip_address(address)) for host in HOSTS for address in (host.ipv4, host.ipv6) if address
    }
    private -= {"::", "0.0.0.0", "ff:ff:ff:ff:ff:ff"}  # nobody's
    assert len(private) > 10
    assert [text for text in sorted(private) if text in done.stdout] == []
