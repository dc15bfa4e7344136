"""Actuators: the lag in closed form, each fault by what makes it that fault and no other."""

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
    STRONG,
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
    """A first-order lag as the sum of what is left of every command: superposition, no recursion."""
    n = np.arange(len(asked))
    age = n[:, None] - n
    weights = np.where(age >= 0, gain * (1.0 - gain) ** np.maximum(age, 0), 0.0)
    return weights @ np.array(asked, float) + start * (1.0 - gain) ** (n + 1)


commands = st.lists(st.floats(-90, 90), min_size=5, max_size=60)


@given(commands)
def test_sound_it_is_a_first_order_lag(asked):
    np.testing.assert_allclose(play(asked), lag(asked), rtol=0, atol=1e-12)


@given(commands, st.floats(0, 1), st.floats(-10, 10))
def test_weak_and_offset_are_what_is_delivered_and_leave_the_lag_alone(asked, factor, offset):
    n, free = len(asked), lag(asked)
    faults = [event(WEAK, factor), event(OFFSET, offset)]
    weak, shifted, both = (
        play(asked, [(e, 0, n, 1.0) for e in some]) for some in (faults[:1], faults[1:], faults)
    )
    # as straight lines of the sound actuator's: through nought, a step beside it, and one after the other
    np.testing.assert_allclose(weak, factor * free, rtol=0, atol=1e-12)
    np.testing.assert_allclose(shifted - free, offset, rtol=0, atol=1e-12)
    np.testing.assert_allclose(both - weak, offset, rtol=0, atol=1e-12)
    for fault, whole in ((faults[0], weak), (faults[1], shifted)):
        half = play(asked, [(fault, 0, n, 0.5)])
        np.testing.assert_allclose(half, (free + whole) / 2, rtol=0, atol=1e-12)  # half way there
    gone = play(asked, [(e, 0, n // 2, 1.0) for e in faults])
    np.testing.assert_allclose(gone[n // 2 :], free[n // 2 :], rtol=0, atol=1e-12)


@pytest.mark.parametrize(("offset", "delivered"), [(60.0, HIGH), (-180.0, LOW), (-60.0, -10.0)])
def test_what_is_delivered_ends_at_the_actuators_limits(offset, delivered):
    assert play([50.0] * 9, [(event(OFFSET, offset), 0, 9, 1.0)], gain=1.0)[-1] == delivered


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
    """What makes an output u of an input v the play operator of width w, and nothing else:

    they are never further apart than w / 2, u moves only while they are, and only towards v. Source: the
    variational inequality in M. A. Krasnosel'skii and A. V. Pokrovskii, Systems with Hysteresis (1989), from
    memory.
    """
    got = play(asked, [(event(FREE_PLAY, width), 0, len(asked), 1.0)], gain=1.0)
    apart, moved = asked - got, np.diff(got)
    assert got[0] == asked[0]
    assert np.abs(apart).max() <= width / 2 + 1e-12
    for way in (1.0, -1.0):
        pushed = way * moved > 1e-12
        np.testing.assert_allclose(apart[1:][pushed], way * width / 2, rtol=0, atol=1e-12)


@given(commands, st.floats(0.1, 40), st.integers(2, 5))
def test_free_play_does_not_depend_on_how_fast_it_is_gone_through(asked, width, steps):
    """Rate independence: what is asked in several steps on the way changes nothing of where it ends."""
    slowly = np.interp(np.arange((len(asked) - 1) * steps + 1) / steps, np.arange(len(asked)), asked)
    got, once = (play(c, [(event(FREE_PLAY, width), 0, len(c), 1.0)], gain=1.0) for c in (slowly, asked))
    np.testing.assert_allclose(got[::steps], once, rtol=0, atol=1e-9)


@pytest.mark.parametrize(
    ("effect", "whole", "half"),
    [(SLOW, 3.0, 2.0), (SLOW, 2.0, 1.5), (FREE_PLAY, 4.0, 2.0), (BRAKE_FADE, 0.4, 0.7), (STRONG, 2.0, 1.5)],
)
def test_half_as_strong_is_half_of_the_way(effect, whole, half):
    asked, got = [0.0, *[8.0] * 20], []
    for value, strength in ((whole, 0.5), (half, 1.0)):
        a = actuators()[2]
        got.append((play(asked, [(event(effect, value), 0, 21, strength)], a=a).tolist(), float(a["fade"])))
    assert got[0] == got[1]
    sound = (play(asked).tolist(), 1.0)
    assert got[0] != sound


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


def test_one_that_is_too_strong_ends_at_its_limit():
    asked = [0.0, 4.0, 4.0, 8.0, 8.0]
    got = play(asked, [(event(STRONG, 1.5), 2, 5, 1.0)], gain=1.0, low=0.0, high=10.0)
    assert got.tolist() == [0.0, 4.0, 6.0, 10.0, 10.0]


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
    assert [
        ACTUATOR_EFFECTS[k] for k in (NO_RESPONSE, STUCK, SLOW, WEAK, OFFSET, FREE_PLAY, BRAKE_FADE, STRONG)
    ] == [
        *("no_response", "stuck", "slow", "weak", "offset", "free_play", "brake_fade", "strong"),
    ]
