"""What counts as being asked to stop a second time."""

import signal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from emulator.core.errors import Stopped
from emulator.stages.bench.stopping import StopAsked

INT, TERM, HUP = signal.SIGINT, signal.SIGTERM, signal.SIGHUP


def after(*signals):
    stop, ended = StopAsked(), []
    stop.ends_by(ended.append)
    for number in signals:
        if number == "hook":
            stop.ask("hook failed")
        else:
            stop.signalled(number)
    return stop, ended


@pytest.mark.parametrize(
    ("signals", "at_once"),
    [
        ((INT,), []),
        ((INT, INT), ["SIGINT"]),
        ((INT, TERM), ["SIGTERM"]),
        ((TERM, INT, INT), ["SIGINT"]),
        ((HUP, HUP), []),  # a terminal that closes sends it, and so does its shell
        ((HUP, INT), ["SIGINT"]),
        (("hook", INT), []),  # the first that a person asked
        (("hook", INT, INT), ["SIGINT"]),
    ],
)
def test_a_second_time_is_at_once_and_once_only(signals, at_once):
    stop, ended = after(*signals)
    assert ended == at_once
    assert stop.at_once == bool(at_once)
    by_hand = [s.name for s in signals if s != "hook"]
    assert (stop.by_hand, bool(stop.hand_ns)) == (by_hand[0], True)


@given(st.lists(st.sampled_from([INT, TERM, HUP, "hook"]), max_size=8))
def test_in_any_order_the_first_is_told_and_nothing_ends_before_somebody_asked_twice(signals):
    stop, ended = after(*signals)
    by_hand = [s for s in signals if s != "hook"]
    assert bool(stop) == bool(signals)
    assert stop.by_hand == (by_hand[0].name if by_hand else "")
    assert bool(ended) == any(s != HUP for s in by_hand[1:])
    if signals:
        with pytest.raises(Stopped, match="before the ride was armed"):
            stop.raise_if_asked()
