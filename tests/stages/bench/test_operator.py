"""The operator's lines: what they command, and what is answered to those that command nothing."""

import asyncio
import os

import pytest
import uvloop

from emulator.shared_memory.status import Command
from emulator.stages.bench.operator import Operator, event_command

EVENTS = {"wet patch": 2, "gust": 5}
GO = (Command.GO, 0.0)


@pytest.mark.parametrize(
    ("line", "command"),
    [
        ("start wet patch", (Command.START_EVENT, 2.0)),
        ("  end   gust \r", (Command.END_EVENT, 5.0)),
        ("start rain", "no event 'rain' waits to be asked for (those that do: wet patch, gust)"),
        (
            "start wet pach",
            "no event 'wet pach' waits to be asked for (those that do: wet patch, gust), "
            "did you mean 'wet patch'?",
        ),
        ("stop", "expected start or end and the name of an event, got 'stop'"),
        ("Start gust", "expected start or end and the name of an event, got 'Start gust'"),
    ],
)
def test_a_line_is_a_command_or_is_answered(line, command):
    assert event_command(line, EVENTS) == command


def type_in(pieces, *, held, events=EVENTS, arms=False, before=b""):
    """(commands, sentences) of an operator whose standard input gives these pieces and then ends.

    before  what had been typed when it began to read
    """
    said, taken = [], []

    async def main():
        os.write(source, before)
        operator = Operator(held=held, events=events, say=said.append, arms=arms)
        for piece in pieces:
            os.write(source, piece)
            await asyncio.sleep(0.02)
        os.close(source)
        await asyncio.sleep(0.02)
        taken.extend(operator.pop())
        assert operator.pop() == []
        operator.close()
        operator.close()

    sink, source = os.pipe()
    kept = os.dup(0)
    try:
        os.dup2(sink, 0)
        asyncio.run(main())
    finally:
        os.dup2(kept, 0)
        os.close(kept)
        os.close(sink)
    return taken, said


def test_lines_may_come_in_pieces_and_several_at_once():
    taken, said = type_in([b"start we", b"t patch\nend gu", b"st\nnonsense\n"], held=False)
    assert taken == [(Command.START_EVENT, 2.0), (Command.END_EVENT, 5.0)]
    assert said[0] == "to be asked for during the ride: wet patch, gust (type: start NAME, end NAME)"
    assert said[1] == "expected start or end and the name of an event, got 'nonsense'"
    assert said[2] == "standard input has ended: no event can be asked for here"


def test_enter_lets_a_held_ride_start_and_only_once():
    assert type_in([b"\n", b"\nstart gust\n"], held=True)[0] == [GO, (Command.START_EVENT, 5.0)]
    assert type_in([b"\n"], held=False)[0] == []
    assert type_in([b"go!\n"], held=True, events={})[0] == [
        GO
    ]  # any line, where there is nothing else to say


def test_an_event_asked_for_does_not_let_a_held_ride_start():
    assert type_in([b"start gust\n"], held=True)[0] == [(Command.START_EVENT, 5.0)]


def test_without_anything_to_say_nothing_is_read():
    taken, said = type_in([b"\n"], held=False, events={})
    assert (taken, said) == ([], [])


def test_a_standard_input_that_ends_leaves_the_hold():
    taken, said = type_in([], held=True, events={})
    assert taken == []
    assert said[-1] == "standard input has ended: the hold stays, Ctrl-C stops"


def test_enter_is_the_local_enable_and_a_second_one_lets_a_held_ride_start():
    taken, said = type_in([b"\n", b"start gust\n", b"\n"], held=True, arms=True)
    assert taken == [(Command.ARM, 0.0), (Command.START_EVENT, 5.0), GO]
    assert "local enable: press Enter here to arm; a page cannot" in said


def test_what_was_typed_before_it_was_asked_for_enables_nothing():
    taken, said = type_in([b"start gust\n"], held=False, arms=True, before=b"\n\n")
    assert taken == [(Command.START_EVENT, 5.0)]
    assert said[-2] == "standard input has ended: nothing can be armed, Ctrl-C stops"


def test_a_program_that_writes_without_end_enables_nothing():
    said, kept = [], os.dup(0)

    async def main():
        operator = Operator(held=False, events={}, say=said.append, arms=True)
        await asyncio.sleep(0.02)
        assert operator.pop() == []
        operator.close()

    try:
        with open("/dev/zero", "rb") as endless:
            os.dup2(endless.fileno(), 0)
        asyncio.run(main())
    finally:
        os.dup2(kept, 0)
        os.close(kept)
    assert said == ["standard input never falls silent: nothing can be armed, Ctrl-C stops"]


def test_the_terminal_is_left_as_it_was():
    """An event loop may read without waiting; who reads the terminal afterwards, the shell too, waits."""
    sink, source = os.pipe()
    kept = os.dup(0)

    async def main():
        operator = Operator(held=True, events={}, say=lambda _: None)
        assert not os.get_blocking(0)
        operator.close()

    try:
        os.dup2(sink, 0)
        uvloop.run(main())
        assert os.get_blocking(0)
    finally:
        os.dup2(kept, 0)
        for descriptor in (kept, sink, source):
            os.close(descriptor)
