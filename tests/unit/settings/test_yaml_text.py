"""
Oracle: PyYAML's BaseLoader, which also keeps every scalar as text; and PyYAML's two scanners against each other.

The traps are those of YAML 1.1's type repository (yaml.org/type/int.html: sexagesimal integers; bool.html: On).
"""

import time

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from auditor.settings import yaml_text
from auditor.settings.problems import MAX_PROBLEMS, Place, Problems
from auditor.settings.yaml_text import Mapping, Scalar, Sequence, parse_yaml, read_octets


def parse(text):
    problems = Problems()
    octets = text if isinstance(text, bytes) else text.encode()
    return parse_yaml(octets, "f.yaml", problems), problems


def plain(node):
    if isinstance(node, Scalar):
        return node.text
    if isinstance(node, Sequence):
        return [plain(item) for item in node.items]
    return {key.text: plain(value) for key, value in node.entries}


def complaint(text):
    _, problems = parse(text)
    assert problems.count
    return str(problems.sorted()[0])


@pytest.mark.parametrize(
    "text", ["02:00:00:12:34:56", "52:54:00:12:34:56", "12:34:56", "5.10", "On", "0o17", "~", "1_0"]
)
def test_what_yaml_would_type_stays_text(text):
    node, problems = parse(f"key: {text}\n")

    assert plain(node) == {"key": text}
    assert not problems.count
    assert yaml.safe_load("key: 52:54:00:12:34:56")["key"] != "52:54:00:12:34:56"  # the trap is real


def test_every_scalar_has_its_place():
    node, _ = parse("a: 1\nb:\n  - x\n  - {c: y}\n")

    (a, one), (_, items) = node.entries
    assert (a.place, one.place) == (Place("f.yaml", 1, 1), Place("f.yaml", 1, 4))
    assert items.items[0].place == Place("f.yaml", 3, 5)
    assert str(items.items[1].entries[0][1].place) == "f.yaml:4:9"


TEXTS = st.text(st.characters(codec="utf-8", exclude_categories=("Cc", "Cs")), max_size=12)
TREES = st.recursive(
    TEXTS,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(TEXTS, inner, max_size=4),
    max_leaves=12,
)


@given(st.dictionaries(TEXTS, TREES, max_size=4), st.booleans())
def test_reads_what_another_library_wrote(tree, flow):
    text = yaml.dump(tree, allow_unicode=False, default_flow_style=flow, default_style='"')
    node, problems = parse(text)

    if problems.count:  # escapes of characters that are no printable ones for us
        assert "printable" in str(problems.sorted()[0])
    else:
        assert plain(node) == yaml.load(text, yaml.BaseLoader)


@pytest.mark.skipif(not hasattr(yaml, "CSafeLoader"), reason="PyYAML without libyaml has only one scanner")
def test_both_scanners_give_the_same_nodes_and_places(monkeypatch):
    from pathlib import Path

    rules = sorted(Path("rules").glob("*.yaml"))
    assert rules
    for path in rules:
        fast = parse(path.read_bytes())[0]
        with monkeypatch.context() as patch:
            patch.setattr(yaml_text, "LOADER", yaml.SafeLoader)
            slow = parse(path.read_bytes())[0]
        assert fast == slow


@pytest.mark.parametrize("scanner", [yaml.SafeLoader, getattr(yaml, "CSafeLoader", yaml.SafeLoader)])
@pytest.mark.parametrize(
    ("text", "place", "says"),
    [
        pytest.param("a: &x 1\n", "f.yaml:1:4", "anchor", id="anchor"),
        pytest.param("ä€😀: *x\n", "f.yaml:1:6", "alias", id="columns-count-characters"),
        pytest.param("a: *x\n", "f.yaml:1:4", "alias", id="alias-of-nothing"),
        pytest.param("a: !!python/object/apply:os.system [ls]\n", "f.yaml:1:4", "tag", id="python-tag"),
        pytest.param("a: !!str 5\n", "f.yaml:1:4", "tag", id="harmless-tag"),
        pytest.param("a: ! 5\n", "f.yaml:1:4", "tag", id="non-specific-tag"),
        pytest.param("%TAG ! tag:x,2000:\n---\na: 1\n", "f.yaml:1:1", "directive", id="tag-directive"),
        pytest.param("%YAML 1.1\n---\na: 1\n", "f.yaml:1:1", "directive", id="version-directive"),
        pytest.param("a: 1\n---\nb: 2\n", "f.yaml:2:1", "second", id="two-documents"),
        pytest.param("a: 1\nb: 2\na: 3\n", "f.yaml:3:1", "'a' again", id="key-twice"),
        pytest.param("x:\n  - {a: 1, 'a': 2}\n", "f.yaml:2:12", "'a' again", id="key-twice-in-flow"),
        pytest.param("? [a, b]\n: 1\n", "f.yaml:1:3", "before the colon", id="list-as-key"),
        pytest.param("a: [1, 2\n", "f.yaml:2:1", "expected YAML", id="open-list"),
        pytest.param("a: 'x\n", "f.yaml:2:1", "expected YAML", id="open-quote"),
        pytest.param("a:\n\t- x\n", "f.yaml:2:1", "expected YAML", id="tab"),
        pytest.param('a: "\\0"\n', "f.yaml:1:4", "U+0000", id="escaped-nul"),
        pytest.param('a: "\\e[31m"\n', "f.yaml:1:4", "U+001B", id="escaped-escape"),
        pytest.param('a: "\\u2028"\n', "f.yaml:1:4", "U+2028", id="escaped-line-separator"),
        pytest.param("a: x\0y\n", "f.yaml:1:5", "U+0000", id="nul"),
        pytest.param("a: x\x1by\n", "f.yaml:1:5", "U+001B", id="escape"),
        pytest.param("a: 1\nb: \u0085\n", "f.yaml:2:4", "U+0085", id="next-line"),
        pytest.param(b"a: 1\nb: \xff\n", "f.yaml:2:4", "0xff", id="not-utf-8"),
        pytest.param("a: 1\n".encode("utf-16"), "f.yaml:1:1", "0xff", id="utf-16"),
        pytest.param("a: " + "[" * 20 + "]" * 20, "f.yaml:1:19", "levels", id="deep"),
        pytest.param("a: " + "x" * 20_000, "f.yaml:1:4", "characters", id="huge-scalar"),
        pytest.param("x" * 200 + ": 1", "f.yaml:1:1", "characters", id="huge-key"),
    ],
)
def test_hostile_yaml_is_refused_with_its_place(text, place, says, scanner, monkeypatch):
    monkeypatch.setattr(yaml_text, "LOADER", scanner)

    message = complaint(text)

    assert message.startswith(f"{place}: expected ")
    assert says in message
    assert message.isprintable()


@pytest.mark.parametrize("escape", ['"\\UFFFFFFFF"', '"\\U00110000"', '"\\ud800"'])
@pytest.mark.parametrize("scanner", [yaml.SafeLoader, getattr(yaml, "CSafeLoader", yaml.SafeLoader)])
def test_escape_beyond_unicode_is_a_problem_and_no_crash(escape, scanner, monkeypatch):
    monkeypatch.setattr(yaml_text, "LOADER", scanner)

    assert complaint(f"a: {escape}\n").startswith("f.yaml")


def test_billion_laughs_is_refused_at_its_first_anchor():
    lines = ["a0: &a0 [lol, lol, lol]"] + [
        f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 9)}]" for n in range(1, 10)
    ]
    started = time.process_time()

    assert complaint("\n".join(lines)).startswith("f.yaml:1:5: expected plain values")
    assert time.process_time() - started < 1


@pytest.mark.parametrize("scanner", [yaml.SafeLoader, getattr(yaml, "CSafeLoader", yaml.SafeLoader)])
@pytest.mark.parametrize("line", ["[", "{a: ", "[\n", "- ", "? ", "- - - "])
def test_nesting_without_end_is_refused_at_once(line, scanner, monkeypatch):
    monkeypatch.setattr(yaml_text, "LOADER", scanner)
    started = time.process_time()

    _, problems = parse((line * 200_000)[: 400 * 1024])

    assert problems.count == 1
    assert time.process_time() - started < 10  # a slow machine needs 2


def test_too_many_values_are_refused():
    assert "values" in complaint("a: [" + "x," * (yaml_text.MAX_NODES + 1) + "]")


def test_all_doubled_keys_are_gathered_up_to_the_bound():
    _, problems = parse("a: 1\n" * 80)

    assert problems.count == 79
    assert len(problems.sorted()) == MAX_PROBLEMS


def test_empty_and_comment_only_files_are_empty_mappings():
    for text in ("", "# nothing\n", "---\n", "\ufeff"):
        node, problems = parse(text)
        assert plain(node) in ({}, "")
        assert not problems.count


@given(st.binary(max_size=200))
def test_any_octets_give_a_node_or_a_problem(octets):
    node, problems = parse(octets)

    assert (node is None) <= (problems.count > 0)


@given(st.text("a: -[]{}#&*!|>'\"%@`\\\n\t?,0", max_size=60))
def test_any_arrangement_of_yaml_signs_gives_a_node_or_a_problem(text):
    node, problems = parse(text)

    assert (node is None) <= (problems.count > 0)


def test_file_that_cannot_be_read_is_a_problem(tmp_path):
    large = tmp_path / "large.yaml"
    large.write_bytes(b"#" * (yaml_text.MAX_FILE_OCTETS + 1))
    for path, says in ((tmp_path, "a folder"), (tmp_path / "none.yaml", "nothing"), (large, "octets")):
        problems = Problems()
        assert read_octets(path, path.name, problems) is None
        assert says in str(problems.sorted()[0])


def test_mapping_type_is_ordered():
    node, _ = parse("b: 1\na: 2\n")

    assert isinstance(node, Mapping)
    assert [key.text for key, _ in node.entries] == ["b", "a"]
