"""Oracle: PyYAML reads the file before and after; YAML 1.2 section 1.3 (a JSON string is a YAML scalar)."""

import stat

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from auditor.errors import HomeError
from auditor.home.actions import add_actions, write_actions
from auditor.home.loader import parse_home
from auditor.home.model import Action

NEW = Action(at_ns=1_773_514_830_000_000_000, what="app: the phone's, #2")
BEFORE = {
    "nothing": "",
    "a comment alone": "# ours\n",
    "no actions": '# ours\ndevices:\n  - {link_address: "00:00:5e:00:53:21"}  # keep\nrouter: guest',
    "a block": "actions:\n  - {at: 2026-03-14T19:00:20Z, what: power-on}  # cold\n  # later ones\n\n# wishes\nkeep: [time]\n",
    "a block at the margin": "actions:\n- at: 2026-03-14T19:00:20Z\n  what: power-on\nkeep: [time]\n",
    "brackets": "actions: [{at: 2026-03-14T19:00:20Z, what: power-on}] # mine\nkeep: [time]\n",
    "empty brackets": "keep: [time]\nactions: [] # none yet\n",
    "brackets over lines": "actions: [\n  {at: 2026-03-14T19:00:20Z, what: power-on},\n  ]\n",
    "folded words": "actions:\n  - at: 2026-03-14T19:00:20Z\n    what: >-\n      power\n      on\nkeep: [time]\n",
    "without an end of line": "actions:\n  - {at: 2026-03-14T19:00:20Z, what: power-on}",
    "ends of lines of another system": "keep: [time]\r\nactions:\r\n  - {at: 2026-03-14T19:00:20Z, what: app}\r\n",
}  # fmt: skip


@pytest.mark.parametrize("before", BEFORE.values(), ids=BEFORE)
def test_an_action_is_added_and_every_other_octet_stays(before):
    after = add_actions(before.encode(), [NEW], "home.yaml").decode()

    held = parse_home(before.encode(), "home.yaml").actions if before.replace("# ours\n", "") else ()
    assert set(parse_home(after.encode(), "home.yaml").actions) == {*held, NEW}
    theirs, ours = yaml.safe_load(before) or {}, yaml.safe_load(after)
    assert {key: value for key, value in ours.items() if key != "actions"} == {
        key: value for key, value in theirs.items() if key != "actions"
    }
    left = iter(after)
    assert all(any(character == kept for kept in left) for character in before)  # nothing went, nothing moved


@settings(max_examples=50)
@given(
    st.text(st.characters(exclude_categories=("Cs", "Cc", "Zl", "Zp", "Cn", "Co")), min_size=1, max_size=40)
)
def test_any_words_come_back(what):
    if not what.strip() or what != what.strip():
        return
    action = Action(at_ns=NEW.at_ns, what=what)
    try:
        after = add_actions(b"keep: [time]\n", [action], "home.yaml")
    except HomeError:  # characters that the home file's reader refuses everywhere
        return

    assert parse_home(after, "home.yaml").actions == (action,)


@pytest.mark.parametrize("before", ["{keep: [time]}\n", "actions:\n"])
def test_what_nothing_can_be_added_to_is_told(before):
    with pytest.raises(HomeError, match=r"^home\.yaml"):
        add_actions(before.encode(), [NEW], "home.yaml")


def test_a_file_is_replaced_whole_with_its_mode(tmp_path):
    path = tmp_path / "home.yaml"
    path.write_text("keep: [time]\n")
    path.chmod(0o640)
    link = tmp_path / "link.yaml"
    link.symlink_to(path)

    write_actions(link, [NEW])
    assert link.is_symlink()
    assert stat.S_IMODE(path.stat().st_mode) == 0o640
    assert parse_home(path.read_bytes(), "home.yaml").actions == (NEW,)
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["home.yaml", "link.yaml"]


def test_a_broken_file_stays_as_it_is(tmp_path):
    path = tmp_path / "home.yaml"
    path.write_text("devices: [\n")
    with pytest.raises(HomeError):
        write_actions(path, [NEW])

    assert path.read_text() == "devices: [\n"


def test_a_missing_file_is_begun_for_its_owner_alone(tmp_path):
    path = tmp_path / "home.yaml"
    write_actions(path, [NEW])

    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert parse_home(path.read_bytes(), "home.yaml").actions == (NEW,)
