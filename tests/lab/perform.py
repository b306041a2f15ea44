"""
Perform a role inside a room of the lab: ``python -m tests.lab.perform GROUP.ROLE …``.

A role is a function, plain or asynchronous, in a module of ``tests.lab.roles``.  What it returns is its own account of what
happened and is printed as JSON on the last line.  A server prints ``ready`` when it listens, and goes on until it is ended.
"""

from __future__ import annotations

import asyncio
import inspect
import json
import sys
from importlib import import_module


def main(name: str, *arguments: str) -> None:
    """Perform, and tell."""
    group, _, role = name.partition(".")
    account = getattr(import_module(f"tests.lab.roles.{group}"), role)(*arguments)
    if inspect.iscoroutine(account):
        account = asyncio.run(account)
    print(json.dumps(account), flush=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
