"""One rule file: nodes to rules of format 1, every mistake with its place."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any, cast

from auditor.home.model import ROLES
from auditor.inventory.model import ABILITIES, Ability
from auditor.ruleset.condition_text import MAX_BLOCKS, MAX_LINES, ConditionReader
from auditor.ruleset.conditions import Block, Condition
from auditor.ruleset.fields import FIELDS, Field
from auditor.ruleset.finding import Outcome, Reference, RemediationStep, Severity
from auditor.ruleset.model import ANY, NETWORK, Proof, Rule, SeverityBranch, SeverityChoice
from auditor.ruleset.templates import Template, parse_template
from auditor.settings.problems import Place, Problems, shown
from auditor.settings.typed import (
    read_mapping,
    read_sequence,
    read_text,
    read_word,
)
from auditor.settings.yaml_text import Node, Scalar, Sequence, describe

FORMAT = "1"

MAX_RULES = 1_000  # in one file; the catalogue has under fifty
MAX_STEPS = 12  # of a remediation: nobody follows more
MAX_REFERENCES = 16  # standards named by one rule
MAX_PROOFS = 64  # captures named by one rule
MAX_ID_CHARACTERS = 64  # an id has to fit a line of the report
MAX_LINE_CHARACTERS = 200  # titles and words of references
MAX_TEXT_CHARACTERS = 2_000  # rationale, sentences and steps

_ID = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)*", re.ASCII)
# Forward slashes, no part that begins with a dot: a proof never leaves the folder of captures.
_CAPTURE = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_.-]*(/[A-Za-z0-9_][A-Za-z0-9_.-]*)*", re.ASCII)

_REQUIRED = ("id", "title", "severity", "about", "summary", "household", "rationale", "remediation")
_OPTIONAL = (
    "applies_to",
    "identity",
    "needs",
    "where",
    "either",
    "unless",
    "unclear",
    "references",
    "proofs",
)
_SEVERITIES = {severity.word: severity for severity in Severity}
_PROOF_KEYS = {outcome.value.replace("-", "_"): outcome for outcome in Outcome}


def read_rule_file(
    root: Node, family: str, problems: Problems, *, is_bundled: bool
) -> tuple[tuple[Rule, Place], ...]:
    """The rules of one file with the places of their ids; rules with a mistake are left out."""
    entries = read_mapping(
        root, problems, what="a rule file", keys=("format", "rules"), required=("format", "rules")
    )
    if not entries or "rules" not in entries or "format" not in entries:
        return ()
    if read_word(entries["format"], problems, what="the format", words=(FORMAT,)) is None:
        return ()  # a later format may mean anything by the rest
    rules: list[tuple[Rule, Place]] = []
    for node in read_sequence(entries["rules"], problems, what="rules", most=MAX_RULES) or ():
        before = problems.count
        rule = _read_rule(node, family, problems, is_bundled=is_bundled)
        if rule is not None and problems.count == before:
            rules.append(rule)
    return tuple(rules)


def _read_rule(node: Node, family: str, problems: Problems, *, is_bundled: bool) -> tuple[Rule, Place] | None:
    entries = read_mapping(node, problems, what="a rule", keys=_REQUIRED + _OPTIONAL, required=_REQUIRED)
    if not entries or "about" not in entries:
        return None
    about = read_word(entries["about"], problems, what="a kind of fact", words=tuple(FIELDS))
    if about is None:
        return None
    reader = _RuleReader(entries, FIELDS[about], problems)
    rule_id = reader.identifier()
    if rule_id is None:
        return None
    place = entries["id"].place
    rule = Rule(
        rule_id=rule_id,
        family=family,
        location=str(place),
        is_bundled=is_bundled,
        title=reader.text("title", MAX_LINE_CHARACTERS),
        severity=reader.severity(),
        roles=reader.roles(),
        about=about,
        identity=reader.identity(),
        needs=reader.needs(),
        condition=reader.condition(),
        summary=reader.template("summary"),
        household=reader.template("household"),
        rationale=reader.text("rationale", MAX_TEXT_CHARACTERS),
        remediation=reader.remediation(),
        references=reader.references(),
        proofs=reader.proofs(),
    )
    return rule, place


class _RuleReader:
    """Reads the parts of one rule; what does not fit is noted and replaced by something empty."""

    def __init__(self, entries: Mapping[str, Node], fields: Mapping[str, Field], problems: Problems) -> None:
        self._entries = entries
        self._fields = fields
        self._problems = problems
        self._conditions = ConditionReader(fields, problems)

    def identifier(self) -> str | None:
        if "id" not in self._entries:
            return None
        node = self._entries["id"]
        text = read_text(node, self._problems, what="a rule's id", most=MAX_ID_CHARACTERS)
        if text is not None and not _ID.fullmatch(text):
            self._problems.add(
                node.place, f"expected lower-case words joined by hyphens, found {shown(text)}"
            )
        return text

    def text(self, key: str, most: int) -> str:
        if key not in self._entries:
            return ""
        return read_text(self._entries[key], self._problems, what=key, most=most) or ""

    def template(self, key: str) -> Template:
        text = self.text(key, MAX_TEXT_CHARACTERS)
        if not text:
            return Template(())
        return parse_template(text, self._fields, self._entries[key].place, self._problems)

    def severity(self) -> SeverityChoice:
        node = self._entries.get("severity")
        if node is None or isinstance(node, Scalar):
            return SeverityChoice(usual=self._severity_word(node))
        keys = ("usual", "otherwise")
        entries = read_mapping(node, self._problems, what="severity", keys=keys, required=keys) or {}
        branches = []
        for item in self._items(entries.get("otherwise"), "severities", MAX_BLOCKS):
            parts = ("where", "severity")
            branch = read_mapping(item, self._problems, what="a severity", keys=parts, required=parts) or {}
            if len(branch) == len(parts):
                where = self._conditions.block(branch["where"])
                branches.append(SeverityBranch(where=where, severity=self._severity_word(branch["severity"])))
        return SeverityChoice(usual=self._severity_word(entries.get("usual")), otherwise=tuple(branches))

    def _severity_word(self, node: Node | None) -> Severity:
        if node is None:
            return Severity.INFO
        word = read_word(node, self._problems, what="a severity", words=tuple(_SEVERITIES))
        return _SEVERITIES.get(word or "", Severity.INFO)

    def roles(self) -> tuple[str, ...]:
        if "applies_to" not in self._entries:
            return ("lighting",)
        node = self._entries["applies_to"]
        entries = (
            read_mapping(node, self._problems, what="applies_to", keys=("roles",), required=("roles",)) or {}
        )
        if "roles" not in entries:
            return ()
        return self._words(entries["roles"], "a role", (*ROLES, ANY, NETWORK))

    def identity(self) -> tuple[Field, ...]:
        chosen: list[Field] = []
        for item in self._items(self._entries.get("identity"), "identity", MAX_LINES):
            field = self._conditions.field(item)
            if field is not None and not field.identifies:
                problem = f"expected fields that stay the same from night to night, found {shown(field.name)}"
                self._problems.add(item.place, problem)
            elif field is not None:
                chosen.append(field)
        return tuple(chosen)

    def needs(self) -> tuple[Ability, ...]:
        if "needs" not in self._entries:
            return ()
        return cast("tuple[Ability, ...]", self._words(self._entries["needs"], "an ability", ABILITIES))

    def condition(self) -> Condition:
        where = self._conditions.block(self._entries["where"]) if "where" in self._entries else Block()
        if "either" in self._entries:
            if where.either:
                self._problems.add(
                    self._entries["either"].place, "expected 'either' once, found it inside 'where' too"
                )
            where = Block(where.lines, self._conditions.either(self._entries["either"]))
        unless, unclear = (
            tuple(
                self._conditions.block(item) for item in self._items(self._entries.get(key), key, MAX_BLOCKS)
            )
            for key in ("unless", "unclear")
        )
        return Condition(where, unless, unclear)

    def remediation(self) -> tuple[RemediationStep, ...]:
        keys = ("do", "stops", "test", "undo")
        steps: list[RemediationStep] = []
        for item in self._items(self._entries.get("remediation"), "steps", MAX_STEPS):
            entries = read_mapping(item, self._problems, what="a step", keys=keys, required=keys) or {}
            texts = {
                key: read_text(value, self._problems, what=key, most=MAX_TEXT_CHARACTERS) or ""
                for key, value in entries.items()
            }
            if len(texts) == len(keys):
                steps.append(RemediationStep(**texts))
        node = self._entries.get("remediation")
        if isinstance(node, Sequence) and not node.items:
            self._problems.add(node.place, "expected at least one step, found an empty list")
        return tuple(steps)

    def references(self) -> tuple[Reference, ...]:
        keys = ("standard", "clause", "strength")
        found: list[Reference] = []
        for item in self._items(self._entries.get("references"), "references", MAX_REFERENCES):
            entries = (
                read_mapping(item, self._problems, what="a reference", keys=keys, required=keys[:2]) or {}
            )
            texts: dict[str, Any] = dict.fromkeys(keys)
            for key, value in entries.items():
                texts[key] = read_text(value, self._problems, what=key, most=MAX_LINE_CHARACTERS)
            found.append(Reference(**texts))
        return tuple(found)

    def proofs(self) -> tuple[Proof, ...]:
        if "proofs" not in self._entries:
            return ()
        keys = tuple(_PROOF_KEYS)
        entries = read_mapping(self._entries["proofs"], self._problems, what="proofs", keys=keys) or {}
        proofs: list[Proof] = []
        claimed: set[str] = set()
        for key, node in entries.items():
            for item in self._items(node, "captures", MAX_PROOFS):
                name = item.text if isinstance(item, Scalar) else ""
                if not _CAPTURE.fullmatch(name):
                    what = "expected a path below captures/ with forward slashes"
                    self._problems.add(item.place, f"{what}, found {describe(item)}")
                elif name in claimed:
                    self._problems.add(item.place, f"expected each capture once, found {shown(name)} again")
                else:
                    proofs.append(Proof(capture=name, outcome=_PROOF_KEYS[key]))
                claimed.add(name)
        return tuple(proofs)

    def _items(self, node: Node | None, what: str, most: int) -> tuple[Node, ...]:
        if node is None:
            return ()
        return read_sequence(node, self._problems, what=what, most=most) or ()

    def _words(self, node: Node, what: str, words: tuple[str, ...]) -> tuple[str, ...]:
        nodes = (node,) if isinstance(node, Scalar) else self._items(node, what, len(words))
        if isinstance(node, Sequence) and not node.items:
            self._problems.add(node.place, f"expected {what}, found an empty list")
        return tuple(
            word
            for item in nodes
            if (word := read_word(item, self._problems, what=what, words=words)) is not None
        )
