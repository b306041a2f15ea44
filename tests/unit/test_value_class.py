"""What a value class does at run time is what ``dataclasses`` documents for its arguments."""

from dataclasses import fields, replace

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
