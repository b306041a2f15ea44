"""The rows of the table that read streams, and which of them a beginning belongs to."""

from __future__ import annotations

from collections.abc import Sequence

from auditor.dissect.registry import Dissector


class StreamRows:
    """Rows by port, by name, and in the order in which they are tried."""

    __slots__ = ("_any_port", "_by_name", "_by_port")

    def __init__(self, dissectors: Sequence[Dissector]) -> None:
        rows = [row for row in dissectors if row.transport == "tcp" and row.parse_stream is not None]
        self._by_port: dict[int, list[Dissector]] = {}
        for row in rows:
            for port in row.ports:
                self._by_port.setdefault(port, []).append(row)
        self._any_port = [row for row in rows if row.any_port]
        self._by_name = {row.name: row for row in reversed(rows)}

    def choose(self, ports: tuple[int, int], head: bytes, *, is_opening: bool = False) -> Dissector | None:
        """
        The dissector of a beginning: by port, then by octets alone; decided by octets in either case.

        ``ports``: source and destination.  ``is_opening``: nothing was said before
        in this direction, so that rows which need an opening may claim it.
        """
        for port in reversed(ports):
            for row in self._by_port.get(port, ()):
                if (is_opening or not row.needs_opening) and row.looks_like(head):
                    return row
        for row in self._any_port:
            if (is_opening or not row.needs_opening) and row.looks_like(head):
                return row
        return None

    def named(self, name: str | None) -> Dissector | None:
        """The row of that name."""
        return self._by_name.get(name) if name is not None else None
