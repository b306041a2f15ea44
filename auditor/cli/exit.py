"""Exit statuses; where several hold, the first of this list is given: 4, 2, 1, 3, 0."""

from __future__ import annotations

from enum import IntEnum


class ExitStatus(IntEnum):
    """Contract of house section 8; 130 is what shells report of SIGINT (common practice)."""

    JUDGED = 0
    FINDINGS = 1
    WRONG_USAGE = 2
    COULD_NOT_JUDGE = 3
    OUR_FAULT = 4
    INTERRUPTED = 130


EXIT_TABLE = """\
Exit status, the first that holds: 4 a fault of this program; 2 wrong usage, or a
rule or home file that cannot be used; 1 findings at or above --alarm-from; 3 could
not judge; 0 judged, nothing to tell. 130 when interrupted."""
