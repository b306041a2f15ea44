"""Pictures of the invented household; ``python -m tests.household.pictures`` writes those of the README."""

from __future__ import annotations

import copy
from functools import cache
from pathlib import Path

import auditor
from auditor import pipeline
from auditor.redaction.documents import ShownDocument, let_pass
from auditor.report.catalogue import load_catalogue
from auditor.report.pictures.air import draw_air
from auditor.report.pictures.before_after import draw_before_after
from auditor.report.pictures.contacts_drawing import draw_contacts
from auditor.report.pictures.coverage import draw_coverage
from auditor.report.pictures.day import draw_day
from auditor.report.pictures.drawing import standalone
from auditor.report.pictures.timeline import draw_timeline
from auditor.report.pictures.wall import draw_exception
from tests.household.__main__ import CAPTURES

FOLDER = CAPTURES / "pictures"
WIDTH_MM = 120


WORDS = load_catalogue()
GOOD, HOME = CAPTURES / "good-vantage.pcapng", CAPTURES / "good-vantage.home.yaml"


@cache
def report(name="good-vantage"):
    home = CAPTURES / f"{name}.home.yaml"
    return auditor.audit([CAPTURES / f"{name}.pcapng"], home=home if home.exists() else None)


def own_copy(document: ShownDocument) -> ShownDocument:
    """One that a test may change; it passed the gate as the first did."""
    return let_pass(copy.deepcopy(dict(document)))


def moments_of(name="good-vantage"):
    return report(name).complete()["moments"]


@cache
def planned():
    return pipeline.plan([GOOD], home=HOME).document


@cache
def compared():
    return pipeline.compare(GOOD, CAPTURES / "after-isolation-ipv6-open.pcapng", home=HOME).document


def long_moments():
    """A recording of a day with a hole, which no shipped file has."""
    moments = copy.deepcopy(moments_of())
    moments["seconds"] = 86_400
    moments["recorded"] = [[0, 400], [700, 1439]]
    moments["recorded_day"] = [*range(40), *range(70, 144)]
    for place, lane in enumerate(moments["lanes"]):
        lane["day"] = [place, 80 + place]
    return moments


PICTURES = {
    "contacts": lambda width: draw_contacts(report().document, WORDS, width_mm=width),
    "contacts-many": lambda width: draw_contacts(report("everything-speaks").document, WORDS, width_mm=width),
    "coverage": lambda width: draw_coverage(report().document, WORDS, width_mm=width),
    "wall": lambda width: draw_exception(planned(), WORDS, width_mm=width),
    "before-after": lambda width: draw_before_after(compared(), WORDS, width_mm=width),
    "timeline": lambda width: draw_timeline(report().document, moments_of(), WORDS, width_mm=width),
    "timeline-gap": lambda width: draw_timeline(report().document, long_moments(), WORDS, width_mm=width),
    "day": lambda width: draw_day(report().document, long_moments(), WORDS, width_mm=width),
    "air": lambda width: draw_air(
        report("everything-speaks").document, moments_of("everything-speaks"), WORDS, width_mm=width
    ),
}


def draw_all() -> dict[str, str]:
    """Contents by file name."""
    return {f"{name}.svg": standalone(PICTURES[name](WIDTH_MM)) for name in ("contacts", "coverage")}


def main(folder: Path = FOLDER) -> None:
    """Write each of them."""
    folder.mkdir(exist_ok=True)
    for name, svg in draw_all().items():
        (folder / name).write_text(svg, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
