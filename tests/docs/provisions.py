"""
The table of provisions on the developers' page: ``python -m tests.docs.provisions`` renews it.

Standard: ETSI EN 303 645 V3.1.3, table B.1, as kept in ``tests/vectors/etsi/provisions.tsv`` (read in a third party's
copy; which of them a recording can touch, class a or b, is the project's own judgement and stands there too).
"""

import csv
from pathlib import Path

from auditor.ruleset.loader import load_rules

ROOT = Path(__file__).resolve().parents[2]
PAGE = ROOT / "DEVELOPERS.md"
PROVISIONS = ROOT / "tests" / "vectors" / "etsi" / "provisions.tsv"
MARK = "<!-- provisions -->\n"

NO_RULE = {
    "5.3-2": "a download that was seen shows that software is fetched, not that the way is good; none seen proves nothing. "
    "Downloads are facts that `update-in-clear-text` reads.",
    "5.3-5": "needs the maker's list of hosts that serve updates; no such list is shipped. All contacts are listed.",
    "5.3-16": "being recognisable is what the standard asks, so that it is no finding. Names, vendor class and announced "
    "services stand under `devices` and `services`.",
    "5.9-3": "what is orderly depends on the service; interval and deviation of every contact stand in the report as its "
    "`period`.",
}
"""Provisions that a recording can touch and that no rule answers, with the reason."""


def touched() -> list[dict[str, str]]:
    """The provisions of class a (assessable) and b (in part)."""
    rows = csv.DictReader(PROVISIONS.read_text(encoding="utf-8").splitlines(), delimiter="\t")
    return [row for row in rows if row["passive_class"] in {"a", "b"}]


def answering() -> dict[str, list[str]]:
    """Rules by the clause that they name."""
    found: dict[str, list[str]] = {}
    for rule in load_rules():
        for reference in rule.references:
            if reference.standard.startswith("ETSI EN 303 645"):
                found.setdefault(reference.clause, []).append(rule.rule_id)
    return found


def table() -> list[str]:
    """Rows for the page."""
    rules = answering()
    lines = ["| provision | strength | in short | class | answered by, or why not |", "|---|---|---|---|---|"]
    for row in touched():
        clause = row["id_v3_1_3"]
        strength = {"M": "shall", "R": "should"}[row["status_v3_1_3"][0]]
        answer = ", ".join(f"`{rule}`" for rule in rules.get(clause, ())) or f"no rule: {NO_RULE[clause]}"
        lines.append(f"| {clause} | {strength} | {row['paraphrase']} | {row['passive_class']} | {answer} |")
    return lines


def shown() -> list[str]:
    """The table as it stands on the page."""
    return PAGE.read_text(encoding="utf-8").split(MARK, 1)[1].split("\n\n", 1)[0].splitlines()


def renew() -> None:
    """Write the table anew."""
    before, after = PAGE.read_text(encoding="utf-8").split(MARK, 1)
    rest = after.partition("\n\n")[2]
    PAGE.write_text(before + MARK + "\n".join(table()) + "\n\n" + rest, encoding="utf-8")


if __name__ == "__main__":
    renew()
