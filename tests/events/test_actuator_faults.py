"""Actuators: the lag in closed form, each fault in a line."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from emulator.events.actuator_faults import (
    ACTUATOR_EFFECTS,
    BRAKE_FADE,
    FREE_PLAY,
    NO_RESPONSE,
    OFFSET,
    SLOW,
    STUCK,
    WEAK,
    actuators,
    apply_fault,
    intact,
    move,
)
from emulator.events.table import event_table

LOW, HIGH = -100.0, 100.0


def event(effect, value=math.nan):
    e = event_table(1)[0]
    e["effect"], e["value"] = effect, value
    return e


def play(asked, faults=(), gain=0.1, step=math.inf, low=LOW, high=HIGH, a=None):
    """What is delivered in each tick; ``faults`` are (event, first tick, end, strength)."""
    a = actuators()[0] if a is None else a
    out = []
    for tick, value in enumerate(asked):
        intact(a)
        for e, first, last, strength in faults:
            if first <= tick < last:
                apply_fault(a, e, strength)
        out.append(move(a, value, gain, step, low, high))
    return np.array(out)


def lag(asked, gain=0.1, start=0.0):
    out, now = [], start
    for value in asked:
        now += gain * (value - now)
        out.append(now)
    return np.array(out)


commands = st.lists(st.floats(-90, 90), min_size=5, max_size=60)


@given(commands)
def test_sound_it_is_a_first_order_lag(asked):
    np.testing.assert_allclose(play(asked), lag(asked), rtol=0, atol=1e-12)


@given(commands, st.floats(0, 1), st.floats(-20, 20))
def test_weak_and_offset_are_what_is_delivered_and_leave_the_lag_alone(asked, factor, offset):
    n = len(asked)
    got = play(asked, [(event(WEAK, factor), 0, n, 1.0), (event(OFFSET, offset), 0, n, 1.0)])
    np.testing.assert_allclose(got, np.clip(lag(asked) * factor + offset, LOW, HIGH), rtol=0, atol=1e-12)
    half = play(asked, [(event(WEAK, factor), 0, n, 0.5), (event(OFFSET, offset), 0, n, 0.5)])
    expected = np.clip(lag(asked) * (1 + 0.5 * (factor - 1)) + 0.5 * offset, LOW, HIGH)
    np.testing.assert_allclose(half, expected, rtol=0, atol=1e-12)


@given(commands, st.integers(1, 10), st.integers(1, 10))
def test_stuck_it_stays_where_it_was_and_goes_on_from_there(asked, first, length):
    got = play(asked, [(event(STUCK), first, first + length, 1.0)])
    free = lag(asked)
    last = min(first + length, len(asked))
    if first < len(asked):
        np.testing.assert_allclose(got[:first], free[:first], rtol=0, atol=1e-12)
        assert (got[first:last] == got[first - 1]).all()
        np.testing.assert_allclose(got[last:], lag(asked[last:], start=got[last - 1]), rtol=0, atol=1e-12)


def test_stuck_at_a_value_it_is_there_at_once():
    assert (play([10.0] * 20, [(event(STUCK, 33.0), 5, 20, 1.0)])[5:] == 33.0).all()


def test_without_response_it_relaxes_to_rest_by_its_own_lag():
    got = play([50.0] * 100, [(event(NO_RESPONSE), 60, 100, 1.0)])
    np.testing.assert_allclose(got[60:], got[59] * 0.9 ** np.arange(1, 41), rtol=1e-12)


@pytest.mark.parametrize("factor", [1.0, 2.5, 40.0])
def test_slow_is_a_longer_time_constant_and_a_lower_rate(factor):
    tau = 20.0  # ticks
    gain = 1 - math.exp(-1 / tau)
    got = play([1.0] * 200, [(event(SLOW, factor), 0, 200, 1.0)], gain=gain)
    # step response of a first-order lag (closed form)
    np.testing.assert_allclose(got, 1 - np.exp(-np.arange(1, 201) / (tau * factor)), rtol=1e-9)
    limited = play([90.0] * 50, [(event(SLOW, factor), 0, 50, 1.0)], gain=1.0, step=0.5)
    if factor > 1:
        np.testing.assert_allclose(np.diff(limited), 0.5 / factor, rtol=1e-9)


@given(commands, st.floats(0.1, 40))
def test_free_play_is_the_play_operator(asked, width):
    """M. A. Krasnosel'skii and A. V. Pokrovskii, Systems with Hysteresis (1989), from memory."""
    got = play(asked, [(event(FREE_PLAY, width), 0, len(asked), 1.0)], gain=1.0)
    expected, y = [], asked[0]
    for value in asked:
        y = max(value - width / 2, min(value + width / 2, y))
        expected.append(y)
    np.testing.assert_allclose(got, expected, rtol=0, atol=1e-12)
    assert np.abs(got - asked).max() <= width / 2 + 1e-12


def test_of_several_of_a_kind_gains_multiply_offsets_add_and_the_widest_play_counts():
    def both(one, other):
        return [(one, 0, 9, 1.0), (other, 0, 9, 1.0)]

    assert play([8.0] * 9, both(event(WEAK, 0.5), event(WEAK, 0.25)), gain=1.0)[-1] == 1.0
    assert play([8.0] * 9, both(event(OFFSET, 2.0), event(OFFSET, 3.0)), gain=1.0)[-1] == 13.0
    asked = [0.0, *[8.0] * 8]
    for plays in ((2.0, 6.0), (6.0, 2.0)):
        assert play(asked, both(*(event(FREE_PLAY, p) for p in plays)), gain=1.0)[-1] == 5.0
    a = actuators()[2]
    play([8.0] * 9, both(event(BRAKE_FADE, 0.5), event(BRAKE_FADE, 0.25)), a=a)
    assert a["fade"] == 0.125


def test_one_stuck_where_it_was_is_there_again_when_a_later_one_lets_go():
    asked = [float(k) for k in range(12)]
    faults = [(event(STUCK), 3, 12, 1.0), (event(STUCK, 50.0), 5, 8, 1.0)]
    assert play(asked, faults, gain=1.0).tolist() == [0, 1, 2, 2, 2, 50, 50, 50, 2, 2, 2, 2]


def test_fade_is_kept_apart_from_what_is_delivered():
    a = actuators()[2]
    assert play([10.0] * 300, [(event(BRAKE_FADE, 0.6), 0, 300, 1.0)], a=a)[-1] == pytest.approx(10.0)
    assert a["fade"] == 0.6


@given(st.lists(st.floats(-1e6, 1e6) | st.just(math.nan), max_size=40))
def test_whatever_is_asked_and_wrong_it_stays_within_its_limits(asked):
    faults = [(event(k, 3.0), 0, 40, 1.0) for k in range(len(ACTUATOR_EFFECTS))]
    for some in (faults, faults[2:], faults[3:5], faults[5:]):
        got = play(asked, some, low=0.0, high=1.0)
        assert ((got >= 0.0) & (got <= 1.0)).all()


def test_never_asked_it_rests():
    assert (play([math.nan] * 10) == 0.0).all()


def test_effects_are_numbered_in_the_order_of_their_names():
    assert [ACTUATOR_EFFECTS[k] for k in (NO_RESPONSE, STUCK, SLOW, WEAK, OFFSET, FREE_PLAY, BRAKE_FADE)] == [
        *("no_response", "stuck", "slow", "weak", "offset", "free_play", "brake_fade"),
    ]
