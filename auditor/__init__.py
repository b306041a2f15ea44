"""
Judge from recorded traffic how a lighting controller sits in a home network.

The library face: ``audit``, ``plan``, ``compare``, ``open_capture``, ``read_flows``, ``read_messages``.
Importing this package imports nothing heavy; the names are loaded when used (PEP 562).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from auditor.pipeline import (
        AuditReport,
        CompareReport,
        PlanReport,
        audit,
        compare,
        open_capture,
        plan,
        read_flows,
        read_messages,
    )

__version__ = "0.1.0"
__all__ = [
    "AuditReport",
    "CompareReport",
    "PlanReport",
    "audit",
    "compare",
    "open_capture",
    "plan",
    "read_flows",
    "read_messages",
]


def __getattr__(name: str) -> Any:
    if name in __all__:
        from auditor import pipeline

        return getattr(pipeline, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
