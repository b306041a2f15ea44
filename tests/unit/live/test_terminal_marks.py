"""A pseudo-terminal stands for the person at the keyboard (pty(7))."""

import os
import threading
import time

import pytest

from auditor.live.terminal_marks import MAX_LINE_OCTETS, TerminalMarks


@pytest.fixture
def keyboard():
    ours, theirs = os.openpty()
    stop, said = threading.Event(), []
    marks = TerminalMarks(theirs, stop, said.append)
    yield ours, marks, stop, said
    stop.set()
    os.close(ours)


def until(condition):
    end = time.monotonic() + 5
    while not condition():
        assert time.monotonic() < end
        time.sleep(0.01)


def test_marks_carry_the_moment_and_the_words(keyboard):
    ours, marks, stop, said = keyboard
    before = time.time_ns()
    os.write(ours, "m app  on the phone\nm  größer ☀\n".encode())
    until(lambda: len(said) == 2)
    taken = marks.take()

    assert [mark.what for mark in taken] == ["app on the phone", "größer ☀"]
    assert before <= taken[0].at_ns <= taken[1].at_ns <= time.time_ns()
    assert marks.take() == []
    assert not stop.is_set()


def test_q_ends_and_other_lines_are_explained(keyboard):
    ours, marks, stop, said = keyboard
    os.write(ours, b"m\nhello\n\x07\nq\n")
    until(stop.is_set)

    assert marks.take() == []
    assert len([line for line in said if "type m and" in line]) == 3


def test_a_line_without_end_is_bounded_and_control_characters_are_not_kept(keyboard):
    reader, writer = os.pipe()
    stop, said = threading.Event(), []
    marks = TerminalMarks(reader, stop, said.append)
    os.write(writer, b"x" * (3 * MAX_LINE_OCTETS) + b"\nm light\x1b[31m on\n")
    until(lambda: len(said) == 2)
    os.close(writer)

    assert [mark.what for mark in marks.take()] == ["light [31m on"]
