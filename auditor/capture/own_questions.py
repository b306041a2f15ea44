"""
What the recorder writes into a file about its own questions, so that nobody takes them for habits.

The words stand in comments (draft-ietf-opsawg-pcapng section 3.5, opt_comment):
one on the section, which names the recording computer's link address, and one
on each packet of a question.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from auditor.addresses import Address, LinkAddress, format_address, format_link, parse_link
from auditor.capture.record import CaptureFacts

OWN_PACKET = "the recorder's own question, asked for by the person who recorded"
MAX_RECORDERS = 16  # several files of several recorders; more say that somebody plays with comments
_SECTION = re.compile(
    r"the recorder \(link address ([0-9a-f:]{17})\) asked \S+ for its descriptions", re.ASCII
)


def section_comment(recorder: LinkAddress, asked: Iterable[Address]) -> str:
    """One line for each device that was asked."""
    return "\n".join(
        f"the recorder (link address {format_link(recorder)}) asked {format_address(address)} "
        "for its descriptions"
        for address in asked
    )


def recorders_that_asked(captures: Iterable[CaptureFacts]) -> tuple[LinkAddress, ...]:
    """Link addresses of the recorders that say so of themselves, sorted."""
    found: set[LinkAddress] = set()
    for facts in captures:
        for comment in facts.comments:
            match = _SECTION.fullmatch(comment.text) if comment.packet_number is None else None
            if match is not None and len(found) < MAX_RECORDERS:
                found.add(parse_link(match[1]))
    return tuple(sorted(found))
