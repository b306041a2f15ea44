"""A recording of the lab with what was done in it, and what the auditor tells of it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import cached_property
from pathlib import Path
from typing import Any

import dpkt

import auditor
from auditor.addresses import format_address
from auditor.dissect.message import Envelope, Issue
from tests.household.home import CLOUD, HUB, LIGHT, PHONE, Host
from tests.lab.house import Deed, House, require, settle
from tests.scenarios.support import Document, device_id, run

INHABITANTS = {"light": LIGHT, "hub": HUB, "phone": PHONE}
"""Rooms that each recording has beside the router's."""


@contextmanager
def at_home(folder: Path, *tools: str) -> Iterator[House]:
    """A house with its inhabitants, taken away at the end."""
    require(*tools)
    house = House(folder)
    try:
        house.build()
        for name, host in INHABITANTS.items():
            house.move_in(name, host.link, host.ipv4)
        yield house
    finally:
        house.demolish()


class Recorded:
    """One recording: its file, the deeds by name, and what can be asked about them."""

    def __init__(self, capture: Path, folder: Path) -> None:
        self.capture = capture
        self.folder = folder
        self.deeds: dict[str, Deed] = {}

    def done(self) -> Recorded:
        """Wait until all of it is in the file."""
        settle(self.capture)
        return self

    @cached_property
    def document(self) -> Document:
        """The judgement, as JSON reads it."""
        return run(self.capture, self.folder, devices=[host.link for host in INHABITANTS.values()])

    @cached_property
    def _read(self) -> list[Envelope | Issue]:
        return list(auditor.read_messages(self.capture))

    @property
    def issues(self) -> list[Issue]:
        """What could not be read."""
        return [one for one in self._read if isinstance(one, Issue)]

    def messages(
        self, protocol: str, *, deed: str | None = None, source: Host | None = None, kind: type | None = None
    ) -> list[Envelope]:
        """Messages of a protocol; those of a deed lie between its start and its end."""
        when = None if deed is None else self.deeds[deed]
        return [
            one
            for one in self._read
            if isinstance(one, Envelope)
            and one.protocol == protocol
            and (when is None or when.started_ns <= one.timestamp_ns <= when.ended_ns)
            and (source is None or format_address(one.source.address) == source.ipv4)
            and (kind is None or isinstance(one.message, kind))
        ]

    def said(self, deed: str) -> Any:
        """What the actor says of a deed."""
        return self.deeds[deed].said

    @cached_property
    def times_ns(self) -> list[int]:
        """Of every packet, by dpkt."""
        with self.capture.open("rb") as file:
            return [round(seconds * 1_000_000) * 1000 for seconds, _ in dpkt.pcap.Reader(file)]

    def controls(self, protocol: str, *, by: Host | None = None, **fields: Any) -> list[Document]:
        """Rows of ``controls[]``."""
        wanted = None if by is None else device_id(self.document, by)
        return [
            row
            for row in self.document["controls"]
            if row["protocol"] == protocol
            and wanted in {None, row["from_id"]}
            and all(row[name] == value for name, value in fields.items())
        ]

    def is_within(self, place: Document, deed: str) -> bool:
        """Whether a packet that the report names was sent during a deed."""
        when = self.deeds[deed]
        moment = self.times_ns[place["packet"] - 1]
        return when.started_ns - 1000 <= moment <= when.ended_ns + 1000

    def services(self, host: Host) -> dict[tuple[str, int], Document]:
        """Services of a host by transport and port."""
        wanted = device_id(self.document, host)
        return {
            (row["transport"], row["port"]): row
            for row in self.document["services"]
            if row["device_id"] == wanted
        }


__all__ = ["CLOUD", "HUB", "LIGHT", "PHONE", "Recorded", "at_home"]
