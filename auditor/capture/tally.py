"""What is counted while the records of one file go by, and the issues that follow from it."""

from __future__ import annotations

import numpy as np

from auditor.capture.record import CaptureComment, CaptureIssue, Int64Column, IssueKind, RecordChunk
from auditor.units import NS_PER_SECOND, format_time

# Several queues or interfaces hand over packets a little out of order; a step back by more than
# this means that the clock was set (common practice; from memory of recordings, not a standard).
BACKWARD_TOLERANCE_NS = NS_PER_SECOND
# Each issue and comment is kept as text; a hostile file could hold one a packet.
MAX_ISSUES = 64
MAX_COMMENTS = 10_000  # comments kept; a hostile file could hold one a packet
MAX_COMMENT_OCTETS = 4096  # octets kept of one comment: a page of text
_NO_TIME = np.iinfo(np.int64).min


class Tally:
    """Counts of one capture file."""

    def __init__(self) -> None:
        self.packets = 0
        self.first_ns: int | None = None
        self.last_ns: int | None = None
        self.clipped = 0
        self.comments: list[CaptureComment] = []
        self.comments_left_out = 0
        self._issues: list[CaptureIssue] = []
        self._issues_left_out = 0
        self._counted: dict[tuple[IssueKind, str], tuple[int, int]] = {}
        self._previous_ns = _NO_TIME
        self._backward = 0
        self._backward_at = (0, 0, 0)

    def add_issue(self, kind: IssueKind, count: int, detail: str) -> None:
        """Note one issue; past ``MAX_ISSUES`` only their number is kept."""
        if len(self._issues) < MAX_ISSUES:
            self._issues.append(CaptureIssue(kind=kind, count=count, detail=detail))
        else:
            self._issues_left_out += 1

    def count_packets(self, kind: IssueKind, what: str, count: int, first_packet: int) -> None:
        """Count packets with the same fault; one issue names the first of them."""
        before, first = self._counted.get((kind, what), (0, first_packet))
        self._counted[kind, what] = (before + count, first)

    def add_comment(self, octets: bytes, timestamp_ns: int | None, packet_number: int | None) -> None:
        """Keep a comment, its text cut at ``MAX_COMMENT_OCTETS``."""
        if len(self.comments) >= MAX_COMMENTS:
            self.comments_left_out += 1
            return
        text = octets[:MAX_COMMENT_OCTETS].decode("utf-8", "replace")
        self.comments.append(
            CaptureComment(text=text, timestamp_ns=timestamp_ns, packet_number=packet_number)
        )

    def add_records(self, chunk: RecordChunk, *, timed: Int64Column | None = None) -> None:
        """Count a chunk; ``timed`` are the times of those records that carry one of their own."""
        self.packets += len(chunk)
        self.clipped += int(np.count_nonzero(chunk.captured_length < chunk.original_length))
        times = chunk.timestamp_ns if timed is None else timed
        if not len(times):
            return
        first, last = int(times.min()), int(times.max())
        self.first_ns = first if self.first_ns is None else min(first, self.first_ns)
        self.last_ns = last if self.last_ns is None else max(last, self.last_ns)
        self._watch_clock(chunk)

    def _watch_clock(self, chunk: RecordChunk) -> None:
        times = chunk.timestamp_ns
        back = times[1:] < times[:-1] - BACKWARD_TOLERANCE_NS
        count = int(np.count_nonzero(back))
        if count and not self._backward:
            row = int(np.argmax(back)) + 1
            self._backward_at = (int(chunk.packet_number[row]), int(times[row - 1]), int(times[row]))
        if int(times[0]) < self._previous_ns - BACKWARD_TOLERANCE_NS and self._previous_ns != _NO_TIME:
            count += 1
            if not self._backward:
                self._backward_at = (int(chunk.packet_number[0]), self._previous_ns, int(times[0]))
        self._backward += count
        self._previous_ns = int(times[-1])

    def issues(self) -> tuple[CaptureIssue, ...]:
        """All issues, in the order they were met; counted ones last."""
        found = list(self._issues)
        for (kind, what), (count, first) in self._counted.items():
            detail = f"{count} packets {what}, the first is packet {first}"
            found.append(CaptureIssue(kind=kind, count=count, detail=detail))
        if self._backward:
            packet, before, after = self._backward_at
            step = f"{format_time(before)} to {format_time(after)}"
            detail = f"the clock went back, first at packet {packet}: {step}"
            found.append(CaptureIssue(kind=IssueKind.CLOCK, count=self._backward, detail=detail))
        if self.clipped:
            detail = f"{self.clipped} packets were recorded only in part (snap length)"
            found.append(CaptureIssue(kind=IssueKind.CLIPPED, count=self.clipped, detail=detail))
        if self.comments_left_out:
            detail = f"comments past the first {MAX_COMMENTS} were left out"
            found.append(
                CaptureIssue(kind=IssueKind.UNSUPPORTED, count=self.comments_left_out, detail=detail)
            )
        if self._issues_left_out:
            detail = f"{self._issues_left_out} more places were damaged"
            found.append(CaptureIssue(kind=IssueKind.DAMAGED, count=self._issues_left_out, detail=detail))
        return tuple(found)
