"""Write the pictures that the README shows: ``python -m tests.household.pictures``."""

from __future__ import annotations

from pathlib import Path

import auditor
from auditor.report.catalogue import load_catalogue
from auditor.report.pictures.contacts_drawing import draw_contacts
from auditor.report.pictures.coverage import draw_coverage
from auditor.report.pictures.drawing import standalone
from tests.household.__main__ import CAPTURES

FOLDER = CAPTURES / "pictures"
WIDTH_MM = 120


def draw_all() -> dict[str, str]:
    """Contents by file name."""
    capture = CAPTURES / "good-vantage.pcapng"
    document = auditor.audit([capture], home=CAPTURES / "good-vantage.home.yaml").document
    words = load_catalogue()
    return {
        "contacts.svg": standalone(draw_contacts(document, words, width_mm=WIDTH_MM)),
        "coverage.svg": standalone(draw_coverage(document, words, width_mm=WIDTH_MM)),
    }


def main(folder: Path = FOLDER) -> None:
    """Write each of them."""
    folder.mkdir(exist_ok=True)
    for name, svg in draw_all().items():
        (folder / name).write_text(svg, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
