"""Write the demonstration recordings and their digests in ``captures/README.md``: ``python -m tests.household``."""

from __future__ import annotations

import hashlib
from pathlib import Path

from tests.household.gadgets import EVERYTHING_HOME, GADGET_STORIES
from tests.household.sessions import save_store
from tests.household.stories import HOME_FILE, STORIES

HOME_FILES = {"good-vantage": HOME_FILE, "everything-speaks": EVERYTHING_HOME}

CAPTURES = Path(__file__).parents[2] / "captures"
FENCE = "```\n"


def main() -> None:
    """Write each recording, the home files and the list of digests."""
    for name, story in (STORIES | GADGET_STORIES).items():
        story().write(CAPTURES / f"{name}.pcapng", dropped=0, comment="An invented household")
    save_store()
    for name, text in HOME_FILES.items():
        (CAPTURES / f"{name}.home.yaml").write_text(text, "utf-8", newline="\n")
    readme = CAPTURES / "README.md"
    lines = [
        f"{hashlib.sha256(path.read_bytes()).hexdigest()}  {path.name}\n"
        for path in sorted(CAPTURES.iterdir())
        if path != readme
    ]
    before, _, _ = readme.read_text("utf-8").partition(FENCE)
    readme.write_text(before + FENCE + "".join(lines) + FENCE, "utf-8", newline="\n")
    print("".join(lines), end="")


if __name__ == "__main__":
    main()
