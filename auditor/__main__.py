"""``python -m auditor``."""

from __future__ import annotations

import sys

from auditor.cli.main import main

if __name__ == "__main__":
    sys.exit(main())
