"""Rules as text, for tests that need one of their own."""

from auditor.errors import RuleError
from auditor.ruleset.model import RuleSet
from auditor.ruleset.rule_file import read_rule_file
from auditor.settings.problems import Problems
from auditor.settings.yaml_text import parse_yaml

RULE = """\
  - id: {rule_id}
    title: A title
    severity: medium
    about: {about}
    summary: A summary
    household: Plain words
    rationale: A reason
    remediation:
      - {{do: this, stops: nothing, test: look, undo: that}}
"""


def rule_text(extra="", *, rule_id="a-rule", about="control"):
    """A whole rule file with one rule; ``extra`` is indented by four."""
    lines = "".join(f"    {line}\n" for line in extra.splitlines())
    return "format: 1\nrules:\n" + RULE.format(rule_id=rule_id, about=about) + lines


def parse_rules(text):
    """Rules of one file's text; raises ``RuleError``."""
    problems = Problems()
    root = parse_yaml(text.encode(), "r.yaml", problems)
    rules = read_rule_file(root, "r", problems, is_bundled=False) if root is not None else ()
    problems.raise_as(RuleError)
    return RuleSet(tuple(rule for rule, _ in rules))


def one_rule(extra="", **changes):
    """The only rule of ``rule_text``."""
    (rule,) = parse_rules(rule_text(extra, **changes))
    return rule
