"""The home file that belongs to a recipe: new with hints, or what is there with a few lines more."""

from __future__ import annotations

from pathlib import Path

from auditor.errors import HomeError, OutputError
from auditor.home.extend import Additions, extend_home
from auditor.recipe.build import Recipe

MAX_HOME_OCTETS = 1 << 20
"""More than a household writes by hand; the loader's own bound is beneath it."""

_HEAD = """\
# Our home: what the lighting network auditor should know. Words and keys stand in its README.
"""
_ACTIONS = """\
# Note here when you did what while recording (or press m while 'auditor record' runs), in this form:
# actions:
"""


def save_home(path: Path, additions: Additions, recipe: Recipe) -> str:
    """
    The text to write; reads what stands at ``path`` and keeps every line of it.

    Raises ``HomeError`` for a file that is no home file, ``OutputError`` for one
    that cannot be read.
    """
    if not path.exists():
        return _HEAD + extend_home("", str(path), additions) + "\n" + _ACTIONS + _examples(recipe)
    try:
        octets = path.read_bytes()[: MAX_HOME_OCTETS + 1]
        text = octets.decode("utf-8")
    except OSError as error:
        raise OutputError(f"{path}: {error.strerror or error}") from error
    except UnicodeDecodeError as error:
        raise HomeError(str(path), "expected UTF-8; save it so in your editor") from error
    if len(octets) > MAX_HOME_OCTETS:
        raise HomeError(str(path), f"expected at most {MAX_HOME_OCTETS} octets, found more")
    return extend_home(text, str(path), additions)


def _examples(recipe: Recipe) -> str:
    words = [step.word for step in recipe.steps if step.word is not None]
    return "".join(f'#   - {{at: "YYYY-MM-DDThh:mm:ssZ", what: {word}}}\n' for word in words)
