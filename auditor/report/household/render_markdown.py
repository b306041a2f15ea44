"""The page as Markdown (CommonMark 0.31): the same sentences, the picture told in words."""

from __future__ import annotations

from auditor.report.catalogue import Catalogue
from auditor.report.harmless import harmless_markdown
from auditor.report.household.model import Action, Page
from auditor.report.pictures.drawing import Picture


def render_page_markdown(page: Page, picture: Picture, words: Catalogue) -> str:
    """Markdown with a final newline; recorded names can neither link nor embed."""
    parts = [f"# {_line(page.title)}"]
    if page.revealed:
        parts.append(f"**{_line(words.say('page.private'))}**")
    parts += [_line(" ".join(page.looked_at)), f"**{_line(page.verdict)}:** {_line(page.sentence)}"]
    parts += [f"## {_line(picture.title)}", _line(picture.description)]
    parts.append(f"## {_line(words.say('page.does.title'))}")
    for key, texts in (("home", page.home), ("outside", page.outside), ("when", page.when)):
        parts.append(f"**{_line(words.say(f'page.{key}.title'))}:** {_line(' '.join(texts))}")
    parts.append(f"## {_line(words.say('page.actions.title'))}")
    parts += [_action(action, place, words) for place, action in enumerate(page.actions, start=1)]
    if not page.actions:
        parts.append(_line(page.no_action))
    if page.more:
        parts.append(_line(page.more))
    parts.append(f"## {_line(words.say('page.unseen.title'))}")
    parts.append("\n".join(f"- {_line(text)}" for text in page.unseen))
    parts += [f"## {_line(words.say('page.next.title'))}", _line(page.next_check), _line(page.ask)]
    return "\n\n".join(parts) + "\n"


def _action(action: Action, place: int, words: Catalogue) -> str:
    lines = [f"{place}. **{_line(action.why)}** {_line(action.do)}"]
    for key, text in (("who", action.who), ("changes", action.changes), ("undo", action.undo)):
        lines.append(f"   - {_line(words.say(f'page.label.{key}'))}: {_line(text)}")
    return "\n".join(lines)


def _line(text: str) -> str:
    return harmless_markdown(text, at_line_start=False)
