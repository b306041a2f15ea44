"""
Folders of rule files to one ``RuleSet``.

Bundled rules stand at ``auditor/_rules`` in a wheel, at ``rules/`` beside the
package in a checkout or an editable install.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path, PurePosixPath

from auditor.errors import RuleError
from auditor.ruleset.model import Rule, RuleSet
from auditor.ruleset.rule_file import read_rule_file
from auditor.settings.problems import Place, Problems
from auditor.settings.yaml_text import parse_yaml, read_octets

MAX_FILES = 256  # of one folder; the catalogue has fourteen
MAX_FOLDERS = 16  # folders of a user's own rules
_SUFFIXES = (".yaml", ".yml")


@dataclass(frozen=True, slots=True)
class _RuleFile:
    path: Path | Traversable
    name: str
    """As messages call it."""
    is_bundled: bool


def load_rules(folders: Sequence[Path] = (), *, bundled: bool = True) -> RuleSet:
    """
    The bundled rules, unless told otherwise, and those of the household's folders.

    Raises ``RuleError`` with one line for each mistake in all files together,
    the first one's place first.
    """
    problems = Problems()
    rules = read_rules(folders, problems, bundled=bundled)
    problems.raise_as(RuleError)
    return rules


def read_rules(folders: Sequence[Path], problems: Problems, *, bundled: bool) -> RuleSet:
    """As ``load_rules``, but mistakes are noted and the rules that contain none are given."""
    sources = _bundled_files(problems) if bundled else []
    if len(folders) > MAX_FOLDERS:
        problems.add(
            Place(str(folders[MAX_FOLDERS]), 0, 0), f"expected at most {MAX_FOLDERS} folders, found more"
        )
    for folder in folders[:MAX_FOLDERS]:
        sources += _files_of(folder, str(folder), problems, is_bundled=False)
    kept: dict[str, tuple[Rule, Place]] = {}
    for source in sources:
        for rule, place in _read_file(source, problems):
            first = kept.get(rule.rule_id)
            if first is None:
                kept[rule.rule_id] = rule, place
                continue
            whose = "a rule of this program" if first[0].is_bundled else f"the rule at {first[1]}"
            problems.add(place, f"expected an id of its own, found {rule.rule_id!r}, which is {whose}")
    return RuleSet(tuple(rule for rule, _ in kept.values()))


def _read_file(source: _RuleFile, problems: Problems) -> tuple[tuple[Rule, Place], ...]:
    octets = read_octets(source.path, source.name, problems)
    root = parse_yaml(octets, source.name, problems) if octets is not None else None
    if root is None:
        return ()
    family = PurePosixPath(source.path.name).stem
    return read_rule_file(root, family, problems, is_bundled=source.is_bundled)


def _bundled_files(problems: Problems) -> list[_RuleFile]:
    package = files("auditor")
    folder: Path | Traversable = package / "_rules"
    if not folder.is_dir():
        folder = Path(str(package)).parent / "rules"
    return _files_of(folder, "rules", problems, is_bundled=True)


def _files_of(
    folder: Path | Traversable, name: str, problems: Problems, *, is_bundled: bool
) -> list[_RuleFile]:
    place = Place(name, 0, 0)
    try:
        if not folder.is_dir():
            problems.add(place, "expected a folder of rule files, found none")
            return []
        entries = [entry for entry in folder.iterdir() if entry.name.endswith(_SUFFIXES)]
    except OSError as error:
        problems.add(place, f"expected a folder that can be read, found: {error.strerror or error}")
        return []
    entries = [entry for entry in entries if not entry.name.startswith(".")]
    if not entries or len(entries) > MAX_FILES:
        problems.add(place, f"expected 1 to {MAX_FILES} files named *.yaml, found {len(entries)}")
        return []
    entries.sort(key=lambda entry: entry.name)
    return [_RuleFile(entry, f"{name}/{entry.name}", is_bundled) for entry in entries]
