"""
The one gate that every output passes.

Kept: the chosen devices, whom they contact outside by name, and the reader's
own file names without folders and without words that name somebody else.
Everybody else at home appears as a role and a pseudonym; what only they
contacted is counted and not named (scenario S39).  Of the household's own words
(reasons, noted actions, a recorder's filter) only those that an audit knows pass.
Secrets need no redaction: their values never reach a document.

Two nets catch what free text carries.  Known private words (names, addresses,
identifiers of the others) are replaced wherever they stand; then anything that
has the form of an address or a local host name and is not known to belong to
the chosen devices is hidden, so that a text that nobody foresaw leaks nothing.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable, Iterable, Sequence
from typing import Any

from auditor.addresses import (
    AddressKind,
    format_address,
    format_link,
    kind_of,
    parse_address,
    parse_link,
)
from auditor.home.model import ROLES
from auditor.inventory.model import Device, Inventory
from auditor.redaction.comparison import redact_comparison
from auditor.redaction.documents import RawDocument, ShownDocument, let_pass, open_raw
from auditor.redaction.file_names import rename_captures, shown_names
from auditor.redaction.filters import hide_filter_words
from auditor.redaction.moments import redact_moments
from auditor.redaction.plan import planned_addresses, redact_plan
from auditor.redaction.pseudonym import assign_pseudonyms
from auditor.redaction.words import links_inside, word_pattern, words_of

Document = dict[str, Any]

HIDDEN_ADDRESS = "(address hidden)"
HIDDEN_NAME = "(name hidden)"
HIDDEN_REASON = "(the household's own reason, hidden)"

WITHHELD = "redaction"
"""``where`` of the entries in ``issues`` that count what is not shown."""

MIN_WORD_CHARACTERS = 3
"""Shorter names are replaced only where they are a whole field: ``on`` would tear sentences apart."""

_LINK = re.compile(
    r"(?<![0-9A-Za-z])[0-9A-Fa-f]{2}([:-])(?:[0-9A-Fa-f]{2}\1){4}[0-9A-Fa-f]{2}(?![0-9A-Za-z:])"
)
_LINK_BARE = re.compile(r"(?<![0-9A-Za-z])[0-9A-Fa-f]{12}(?![0-9A-Za-z])")
_IPV4 = re.compile(r"(?<![0-9.])[0-9]{1,3}(?:\.[0-9]{1,3}){3}(?![0-9]|\.[0-9])")
_IPV6 = re.compile(
    r"(?<![0-9A-Za-z:.])(?=[0-9A-Fa-f:.]*:[0-9A-Fa-f:.]*:)"
    r"(?:[0-9A-Fa-f:]{1,30}:[0-9]{1,3}(?:\.[0-9]{1,3}){3}|[0-9A-Fa-f:]{2,39})(?![0-9A-Za-z:])"
)
# Names that exist only inside homes: RFC 6762 section 3, RFC 8375, and what routers give (common practice).
_LOCAL_NAME = re.compile(
    r"(?<![\w.-])[\w-]+(?:\.[\w-]+){0,8}\.(?:local|lan|home|home\.arpa|internal)\b\.?", re.IGNORECASE
)
_LOCAL_DOMAIN = re.compile(r"\.(?:local|lan|home|internal)\b", re.IGNORECASE)
"""What each local name holds; looked for first, which took a sixth off the time of the gate (measured)."""

# A host called "hub" tells nothing of anybody, and replacing the word would tear our own sentences apart.
_GENERIC_WORDS = frozenset(
    {*ROLES, "light", "lights", "lamp", "gateway", "laptop", "tablet", "app", "voice", "mirror", "update"}
)

# Keys whose values may carry words of the recording.  All other texts are words of our own enumerations or of
# the rules; replacing inside them would let a device called "tcp" break the schema.
_FREE_TEXT = frozenset(
    {
        "address",
        "because",
        "detail",
        "excerpt",
        "household",
        "name",
        "operation",
        "problem",
        "question",
        "reason",
        "record_next",
        "scope",
        "summary",
        "where",
    }
)

_IDENTIFIERS = frozenset({"device_id", "peer_id", "from_id"})

_GATED = _FREE_TEXT | _IDENTIFIERS | {"evidence"}
"""Keys whose values do not pass as they are."""


def redact(
    raw: RawDocument,
    inventory: Inventory,
    *,
    key: bytes,
    reveal: bool = False,
    asked_for: Sequence[str] = (),
) -> ShownDocument:
    """
    Return what may be shown.

    ``raw`` is what ``auditor.report.document.build_document`` made of this
    ``inventory``; ``key`` comes from ``auditor.redaction.pseudonym.derive_key``;
    ``asked_for`` are the devices as the user wrote them, who may read them again.
    With ``reveal`` the same document is returned and marked.
    """
    document = open_raw(raw)
    if reveal:
        return let_pass({**document, "redaction": {"applied": False, "revealed": True}})
    return let_pass(_Gate(inventory, key, document, asked_for).pass_through(document))


class _Gate:
    """What may pass for one run."""

    def __init__(
        self, inventory: Inventory, key: bytes, document: Document, asked_for: Sequence[str]
    ) -> None:
        self._chosen = {device.device_id: device for device in inventory.devices if device.is_chosen}
        others = [device for device in inventory.devices if not device.is_chosen]
        self._pseudonyms = assign_pseudonyms(
            key, [(device.device_id, device.identity, _role_word(device)) for device in others]
        )
        self._key = key
        self._withheld: dict[str, int] = {}
        if inventory.other_devices:
            self._withheld["other devices"] = inventory.other_devices
        shown_remote = [row for row in document["remote_contacts"] if row["device_id"] in self._chosen]
        self._allowed_addresses = _addresses_of(self._chosen.values(), shown_remote)
        self._allowed_links = {
            format_link(link) for device in self._chosen.values() for link in device.link_addresses
        } | {format_link(link) for link in links_inside(self._chosen.values())}
        self._allowed_names = {
            _folded(name)
            for device in self._chosen.values()
            for name in (*device.hostnames, device.nickname or "")
        } | {_folded(row["name"]) for row in shown_remote if row["name"]}
        self._allow(asked_for)
        self._allowed_addresses |= planned_addresses(document["plan"])
        words = self._private_words(document, inventory)
        self._words = {_folded(word): instead for word, instead in reversed(words.items())}
        # One alternation of all words would try each of them at each character of each text.  Looking for a
        # word inside a text is fast, and few texts hold any.
        self._searched = [
            (_folded(word), word) for word in words if len(word) >= MIN_WORD_CHARACTERS and _folded(word)
        ]
        self._known_texts: dict[str, str] = {}

    def _allow(self, asked_for: Sequence[str]) -> None:
        for word in asked_for:
            self._allowed_names.add(_folded(word))
            with contextlib.suppress(ValueError):
                self._allowed_links.add(format_link(parse_link(word)))
            with contextlib.suppress(ValueError):
                self._allowed_addresses.add(format_address(parse_address(word)))

    def _private_words(self, document: Document, inventory: Inventory) -> dict[str, str]:
        """Private words as they stand in the recording, and what stands in their place."""
        words: dict[str, str] = {}
        for device in inventory.devices:
            if not device.is_chosen:
                for word in words_of(device):
                    words.setdefault(word, self._pseudonyms[device.device_id])
        own_vendors = {device.vendor for device in self._chosen.values()}
        for device in inventory.devices:
            if device.vendor and device.vendor not in own_vendors:
                words.setdefault(device.vendor, HIDDEN_NAME)
        for row in document["remote_contacts"]:
            if row["device_id"] not in self._chosen and row["name"]:
                words.setdefault(row["name"], HIDDEN_NAME)
        for unlisted in inventory.other_names:
            for word in (unlisted.rstrip("."), unlisted.rstrip(".").split(".", 1)[0]):
                words.setdefault(word, HIDDEN_NAME)
        for fact in inventory.facts.get("encrypted-session", ()):
            name = getattr(fact, "peer_name", None)
            if name and fact.device_id not in self._chosen:
                words.setdefault(name, HIDDEN_NAME)
        # Two devices may bear one name; what may be shown of the chosen one is no secret.
        harmless = self._allowed_names | _GENERIC_WORDS
        return {word: instead for word, instead in words.items() if _folded(word) not in harmless}

    def pass_through(self, document: Document) -> Document:
        shown = dict(document)
        shown["devices"] = [self._device(row) for row in document["devices"]]
        contacted = {
            (row["peer_id"], row["transport"], row["port"])
            for row in document["local_contacts"]
            if row["device_id"] in self._chosen
        }
        shown["services"] = self._rows(
            "services",
            document,
            lambda row: (
                row["device_id"] in self._chosen
                or (row["device_id"], row["transport"], row["port"]) in contacted
            ),
        )
        shown["remote_contacts"] = self._rows(
            "remote_contacts", document, lambda row: row["device_id"] in self._chosen
        )
        shown["local_contacts"] = self._rows("local_contacts", document, self._touches("peer_id"))
        shown["controls"] = self._rows("controls", document, self._touches("from_id"))
        for table in ("assessments", "findings", "accepted", "issues"):
            shown[table] = [self._row(row) for row in document[table]]
        shown["accepted"] = [{**row, "because": HIDDEN_REASON} for row in shown["accepted"]]
        shown["captures"] = [self._capture(row) for row in document["captures"]]
        shown["coverage"] = {
            **document["coverage"],
            "could_not_see": [self._row(row) for row in document["coverage"]["could_not_see"]],
        }
        if document["plan"] is not None:
            shown["plan"] = redact_plan(document["plan"], text=self.text, identifier=self.identifier)
        if "comparison" in document:
            shown["comparison"] = redact_comparison(
                document["comparison"], text=self.text, identifier=self.identifier
            )
        if document.get("moments") is not None:
            shown["moments"] = redact_moments(document["moments"], text=self.text, identifier=self.identifier)
        shown["issues"] += [
            {"where": WITHHELD, "problem": what, "count": count} for what, count in self._withheld.items()
        ]
        shown["redaction"] = {"applied": True, "revealed": False}
        names = [row["name"] for row in document["captures"]]
        words = [word for folded, word in self._searched if len(folded) > MIN_WORD_CHARACTERS]
        if "comparison" in document:
            names += document["comparison"]["before"]["captures"]
        given = shown_names(names, words, self.text)
        renamed = {old: new for old, new in given.items() if old != new}
        return rename_captures(shown, renamed) if renamed else shown

    def _touches(self, peer: str) -> Callable[[Document], bool]:
        return lambda row: row["device_id"] in self._chosen or row[peer] in self._chosen

    def _rows(self, table: str, document: Document, may_pass: Callable[[Document], bool]) -> list[Document]:
        rows = document[table]
        passed = [self._row(row) for row in rows if may_pass(row)]
        if len(passed) < len(rows):
            self._withheld[f"{table.replace('_', ' ')} of other devices"] = len(rows) - len(passed)
        return passed

    def _device(self, row: Document) -> Document:
        if row["device_id"] in self._chosen:
            lighting = {
                **row["lighting"],
                "reasons": [self.text(text) for text in row["lighting"]["reasons"]],
            }
            software = [{**one, "version": self.text(one["version"])} for one in row["software"]]
            return {**row, "lighting": lighting, "software": software}
        return {
            **row,
            "device_id": self.identifier(row["device_id"]),
            "nickname": None,
            "link_addresses": [],
            "addresses": [],
            "hostnames": [],
            "vendor": None,
            "lighting": {**row["lighting"], "reasons": []},
            "software": [],
        }

    def _capture(self, row: Document) -> Document:
        """The SHA-256 names the recording; everything else free is text."""
        issues = [{**issue, "detail": self.text(issue["detail"])} for issue in row["issues"]]
        return {**row, "issues": issues}

    def _row(self, row: Document) -> Document:
        shown = dict(row)
        for name in _GATED.intersection(row):
            shown[name] = self._value(name, row[name])
        return shown

    def _value(self, name: str, value: Any) -> Any:
        if name in _IDENTIFIERS:
            return self.identifier(value)
        if name == "evidence":
            return [self._packet(item) for item in value]
        return self.text(value) if isinstance(value, str) else value

    def _packet(self, item: Document) -> Document:
        excerpt = item["excerpt"]
        shown = None if excerpt is None else self.text(excerpt)
        return item if shown == excerpt else {**item, "excerpt": shown}

    def identifier(self, value: str) -> str:
        """A device_id as it may be shown; ``network``, ``broadcast`` and groups stay."""
        if value in self._chosen or value in {"network", "broadcast"}:
            return value
        if value in self._pseudonyms:
            return self._pseudonyms[value]
        if value.startswith("group:"):
            return f"group:{self.text(value.removeprefix('group:'))}"
        return assign_pseudonyms(self._key, [(value, value, "device")])[value]

    def text(self, text: str) -> str:
        """A text with private words replaced and unknown addresses and local names hidden."""
        known = self._known_texts.get(text)
        if known is None:
            known = self._known_texts[text] = self._gated(text)
        return known

    def _gated(self, text: str) -> str:
        folded = _folded(text)
        if folded in self._allowed_names:
            return text
        if folded in self._words:
            return self._words[folded]
        whole = text.casefold()
        found = [word for searched, word in self._searched if searched in whole]
        pattern = word_pattern(found) if found else None
        if pattern is not None:
            text = pattern.sub(self._word, text)
        text = hide_filter_words(text, self._may_pass)
        # A text without the separators of a form cannot hold it; counting them is faster than the search.
        if text.count(":") >= 5 or text.count("-") >= 5:
            text = _LINK.sub(self._link, text)
        text = _LINK_BARE.sub(self._bare_link, text)
        if text.count(":") >= 2:
            text = _IPV6.sub(self._address, text)
        if text.count(".") >= 3:
            text = _IPV4.sub(self._address, text)
        return _LOCAL_NAME.sub(self._local_name, text) if _LOCAL_DOMAIN.search(text) else text

    def _may_pass(self, word: str) -> bool:
        folded = _folded(word).replace("-", ":")
        known = self._allowed_names | self._allowed_links | self._allowed_addresses
        return folded in known or word.casefold() in known

    def _word(self, match: re.Match[str]) -> str:
        # The pattern matches more ways to write a letter than folding knows (long s, for instance).
        return self._words.get(_folded(match.group()), HIDDEN_NAME)

    def _link(self, match: re.Match[str]) -> str:
        octets = bytes.fromhex(re.sub("[:-]", "", match.group()))
        return match.group() if octets.hex(":") in self._allowed_links else HIDDEN_ADDRESS

    def _bare_link(self, match: re.Match[str]) -> str:
        """Twelve letters are a word, not a link address."""
        return match.group() if match.group().isalpha() else self._link(match)

    def _address(self, match: re.Match[str]) -> str:
        found = match.group()
        if found in self._allowed_addresses:
            return found
        try:
            address = parse_address(found)
        except ValueError:  # a version or a time of day looks alike
            return found
        if format_address(address) in self._allowed_addresses or kind_of(address) in _OPEN_KINDS:
            return found
        return HIDDEN_ADDRESS

    def _local_name(self, match: re.Match[str]) -> str:
        return match.group() if _folded(match.group()) in self._allowed_names else HIDDEN_NAME


# Group, broadcast and unspecified addresses belong to nobody.
_OPEN_KINDS = frozenset(
    {AddressKind.MULTICAST, AddressKind.BROADCAST, AddressKind.UNSPECIFIED, AddressKind.LOOPBACK}
)


def _folded(name: str) -> str:
    """For comparison: host names do not tell letter case apart (RFC 4343), and a final dot is the root."""
    return name.casefold().rstrip(".")


def _role_word(device: Device) -> str:
    return next((role for role in device.roles if role != "unknown"), "device")


def _addresses_of(chosen: Iterable[Device], remote_rows: Iterable[Document]) -> set[str]:
    allowed = {format_address(address) for device in chosen for address in device.addresses}
    for row in remote_rows:
        try:
            allowed.add(format_address(parse_address(row["address"])))
        except ValueError:  # a contact known by name alone
            continue
    return allowed
