"""Print an HTML file to PDF with a browser that is installed already."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

from auditor.errors import OutputError, UsageError

BROWSER_VARIABLE = "AUDITOR_BROWSER"
_PROGRAMS = ("chromium", "chromium-browser", "chrome", "headless_shell")
_FLAGS = (
    "--headless", "--disable-gpu", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--disable-extensions", "--no-pdf-header-footer",
)  # fmt: skip
MAX_SECONDS = 60
"""A page takes one or two; a browser that waits for something else is ended."""


def find_browser() -> str:
    """
    Path of a browser of the Chromium family; ``AUDITOR_BROWSER`` names another one.

    Raises ``UsageError`` that says how to print without.
    """
    named = os.environ.get(BROWSER_VARIABLE)
    for program in (named,) if named else _PROGRAMS:
        if (found := shutil.which(program)) is not None:
            return found
    missing = f"{named} was not found" if named else "no browser of the Chromium family was found"
    how = "write --format html, open the file in any browser and print it, one side, without headers"
    raise UsageError("--format pdf", f"{missing}; {how} (or name one in {BROWSER_VARIABLE})")


def print_pdf(html: str, browser: str) -> bytes:
    """The octets of a PDF; ``OutputError`` where the browser made none."""
    with tempfile.TemporaryDirectory(prefix="auditor-page-") as folder:
        page, printed = Path(folder) / "page.html", Path(folder) / "page.pdf"
        page.write_text(html, encoding="utf-8", newline="")
        command = [
            browser,
            *_FLAGS,
            f"--user-data-dir={folder}/profile",
            f"--print-to-pdf={printed}",
            page.as_uri(),
        ]
        if hasattr(os, "geteuid") and os.geteuid() == 0:
            command.insert(1, "--no-sandbox")  # the browser refuses to start for root with it
        try:
            done = subprocess.run(  # noqa: S603  # a browser that the user installed, with a file of ours
                command, stdin=subprocess.DEVNULL, capture_output=True, timeout=MAX_SECONDS, check=False
            )
        except subprocess.TimeoutExpired as error:
            raise OutputError(f"the browser did not print within {MAX_SECONDS} seconds") from error
        except OSError as error:
            raise OutputError(f"{browser}: {error.strerror or error}") from error
        octets = printed.read_bytes() if printed.is_file() else b""
    if not octets.startswith(b"%PDF-"):
        raise OutputError(f"the browser ended with {done.returncode} and printed nothing; try --format html")
    return octets
