"""Write the demonstration recordings: ``python -m tests.household``."""

from __future__ import annotations

import hashlib
from pathlib import Path

from tests.household.sessions import save_store
from tests.household.stories import HOME_FILE, STORIES

CAPTURES = Path(__file__).parents[2] / "captures"


def main() -> None:
    """Write each recording and print its digest, for ``captures/README.md``."""
    CAPTURES.mkdir(exist_ok=True)
    for name, story in STORIES.items():
        path = story().write(CAPTURES / f"{name}.pcapng", dropped=0, comment="An invented household")
        print(f"{hashlib.sha256(path.read_bytes()).hexdigest()}  {path.name}  {path.stat().st_size} octets")
    save_store()
    home = CAPTURES / "good-vantage.home.yaml"
    home.write_text(HOME_FILE, "utf-8", newline="\n")
    print(f"{hashlib.sha256(home.read_bytes()).hexdigest()}  {home.name}")


if __name__ == "__main__":
    main()
