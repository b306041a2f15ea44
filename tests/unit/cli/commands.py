"""What the command line knows, read from its own parser."""

from __future__ import annotations

from typing import Any

import typer

from auditor.cli.main import app


def options_of(command: str) -> set[str]:
    """Every spelling of every option of a command."""
    group: Any = typer.main.get_command(app)
    found = group.commands[command]
    return {word for parameter in found.params for word in (*parameter.opts, *parameter.secondary_opts)}
