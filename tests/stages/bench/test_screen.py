"""A screen that is gone costs nothing."""

import os

import pytest

from emulator.stages.bench.screen import while_open


def test_after_a_closed_pipe_nothing_more_is_tried():
    reader, writer = os.pipe()
    tried = []

    def show(text):
        tried.append(text)
        os.write(writer, text.encode())

    say = while_open(show)
    say("one")
    os.close(reader)
    say("two")
    say("three")
    os.close(writer)
    assert tried == ["one", "two"]


def test_a_mistake_of_ours_is_not_hidden():
    with pytest.raises(ZeroDivisionError):
        while_open(lambda: 1 / 0)()
