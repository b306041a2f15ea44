"""What a value class does at run time is what ``dataclasses`` documents for its arguments."""

import copy
import pickle
from dataclasses import dataclass, field, fields, replace

import pytest

from auditor.value_class import value_class


@value_class
class Point:
    x: int
    y: int = 0


@value_class
class Named(Point):
    name: str


def test_equal_values_are_one_member_of_a_set():
    assert {Point(x=1), Point(x=1, y=0)} == {Point(x=1)}
    assert Point(x=1) != Point(x=2)
    assert repr(Point(x=1)) == "Point(x=1, y=0)"


def test_names_and_slots():
    with pytest.raises(TypeError):
        Point(1)
    with pytest.raises(AttributeError):
        Point(x=1).z = 2
    assert [field.name for field in fields(Named)] == ["x", "y", "name"]
    assert replace(Named(x=1, name="a"), x=3) == Named(x=3, name="a")


@value_class
class Guarded:
    name: str = field(repr=False)
    seen: int = field(default=0, compare=False)
    parts: list[object] = field(default_factory=list)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    name: str = field(repr=False)
    seen: int = field(default=0, compare=False)
    parts: list[object] = field(default_factory=list)


@value_class
class Nothing:
    """A class without fields."""


@value_class
class Folded:
    name: str

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Folded) and self.name.casefold() == other.name.casefold()

    def __repr__(self) -> str:
        return "•"


def test_what_a_field_says_of_itself_holds_as_in_a_data_class():
    one, reference = Guarded(name="a", seen=1, parts=[2]), Reference(name="a", seen=1, parts=[2])

    assert repr(one) == repr(reference).replace("Reference", "Guarded")
    assert (one == replace(one, seen=5)) is (reference == replace(reference, seen=5)) is True
    assert (one == replace(one, name="b")) is (reference == replace(reference, name="b")) is False
    with pytest.raises(TypeError):
        hash(one)
    with pytest.raises(TypeError):
        hash(reference)


def test_values_of_other_classes_are_others():
    assert Point(x=1) != Named(x=1, name="a")
    assert Point(x=1) != (1, 0)
    assert Nothing() == Nothing()
    assert len({Nothing(), Nothing()}) == 1
    assert repr(Nothing()) == "Nothing()"


def test_methods_of_the_class_itself_stay():
    assert Folded(name="A") == Folded(name="a")
    assert repr(Folded(name="A")) == "•"


def test_a_value_that_holds_itself_can_be_shown():
    one = Guarded(name="a")
    one.parts.append(one)

    assert repr(one) == "Guarded(seen=0, parts=[...])"


def test_copies_are_equal():
    one = Named(x=1, name="a")

    assert copy.deepcopy(one) == copy.copy(one) == pickle.loads(pickle.dumps(one)) == one
