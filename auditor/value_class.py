"""
How classes of values are made here: frozen for the type checker, cheap at run time and at start.

Frozen data classes are dear twice.  Each sets a field by a call of
``object.__setattr__``, which doubles what making one costs (measured: 3.0
against 1.7 microseconds for twelve fields), and there is one message for each
of a recording.  And making the class compiles six methods from their text, 0.8
milliseconds a class: two hundred of them were a third of what a small audit
took to begin.  Here only ``__init__`` is compiled; the others read the fields
by name.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, fields
from operator import attrgetter
from reprlib import recursive_repr
from typing import Any, TypeVar, dataclass_transform

Class = TypeVar("Class")


@dataclass_transform(frozen_default=True, kw_only_default=True, field_specifiers=(field,))
def value_class(made: type[Class]) -> type[Class]:
    """
    Make a data class of slots and named arguments, compared and hashed by its fields.

    Nobody may set a field of a value that was handed on: mypy refuses it, the
    interpreter does not.  What ``field`` says of ``repr`` and ``compare`` holds,
    and so does a method that the class writes itself.
    """
    made = dataclass(slots=True, kw_only=True, repr=False, eq=False)(made)
    every = fields(made)  # type: ignore[arg-type]  # it has just become one
    compared = [one.name for one in every if one.compare]
    shown = [one.name for one in every if one.repr]
    content: Callable[[Any], Any] = attrgetter(*compared) if compared else lambda _: ()

    def is_equal(self: Any, other: object) -> bool:
        return content(self) == content(other) if other.__class__ is self.__class__ else NotImplemented

    def hash_of(self: Any) -> int:
        return hash(content(self))

    @recursive_repr()
    def show(self: Any) -> str:
        members = ", ".join(f"{name}={getattr(self, name)!r}" for name in shown)
        return f"{self.__class__.__qualname__}({members})"

    for name, method in (("__eq__", is_equal), ("__hash__", hash_of), ("__repr__", show)):
        if made.__dict__.get(name) is None:  # a class that compares itself has a hash of None
            setattr(made, name, method)
    return made
