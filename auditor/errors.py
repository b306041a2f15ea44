"""
Every exception this package raises on purpose.

* AuditorError
  - CaptureError             the file cannot be read as a capture
    - CaptureFormatError     unknown magic, or a block that breaks the format from its first octet on
    - CaptureReadError       the operating system would not give the octets
  - DecodeError              octets that break a protocol; never leaves auditor.dissect
    - TruncatedError         the message ends before the field does
    - MalformedError         a value the standard forbids
    - LimitError             a bound of ours was reached
  - SettingsError            something the user wrote cannot be used: exit status 2
    - RuleError              a rule file
    - HomeError              a home file
    - UsageError             an option or argument
  - JudgementError           nothing can be judged from what was given: exit status 3
  - OutputError              a result could not be written; what stood there before still stands

A capture that is cut short, clipped or damaged raises nothing once its first
octets are known: what it holds is delivered, and a ``CaptureIssue`` says what
is missing.
"""

from __future__ import annotations


class AuditorError(Exception):
    """Base class: catch this to handle everything the auditor reports."""


class CaptureError(AuditorError):
    """The file cannot be read as a capture."""

    def __init__(self, name: str, problem: str) -> None:
        super().__init__(f"{name}: {problem}")
        self.name = name
        self.problem = problem


class CaptureFormatError(CaptureError):
    """The first octets are those of no capture format we read."""


class CaptureReadError(CaptureError):
    """The operating system would not give the octets."""


class DecodeError(AuditorError):
    """
    Octets that break a protocol.

    A dissector raises nothing else for any input.  ``auditor.dissect.dispatch``
    turns it into an ``Issue``; callers of the package never see it.
    """

    def __init__(self, field: str, offset: int, problem: str) -> None:
        super().__init__(f"{field} at octet {offset}: {problem}")
        self.field = field
        self.offset = offset  # octets from the start of the message
        self.problem = problem


class TruncatedError(DecodeError):
    """The message ends before the field does."""


class MalformedError(DecodeError):
    """A value that the standard forbids."""


class LimitError(DecodeError):
    """A bound of ours was reached: length, count or depth."""


class SettingsError(AuditorError):
    """Something the user wrote cannot be used; ``location`` is ``file:line:column`` where there is one."""

    def __init__(self, location: str, problem: str) -> None:
        super().__init__(f"{location}: {problem}" if location else problem)
        self.location = location
        self.problem = problem


class RuleError(SettingsError):
    """A rule file cannot be used."""


class HomeError(SettingsError):
    """A home file cannot be used."""


class UsageError(SettingsError):
    """An option or argument cannot be used."""


class JudgementError(AuditorError):
    """Nothing can be judged from what was given; the text says why and what to do instead."""


class OutputError(AuditorError):
    """A result could not be written; what stood there before still stands."""
