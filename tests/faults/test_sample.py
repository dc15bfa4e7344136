"""Each effect against its statement in a line of numpy."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from emulator.faults.sample import DRIFT, DROPOUT, EFFECTS, FREEZE, GAIN, NOISE, OFFSET, STUCK, faulted
from emulator.sensors.noise import normal, stream_start

numbers = st.floats(-1e6, 1e6)
shares = st.floats(0.0, 1.0)


def streams():
    return np.array([stream_start(3, "event/a")], np.uint64)


def statement(effect, clean, value, held, elapsed, strength, z):
    """The few lines everybody can check."""
    return {
        "dropout": np.nan,
        "freeze": (1 - strength) * clean + strength * held,
        "stuck": (1 - strength) * clean + strength * value,
        "offset": clean + strength * value,
        "gain": (1 - strength) * clean + strength * value * clean,
        "noise": clean + strength * value * z,
        "drift": clean + strength * value * elapsed,
    }[effect]


@given(st.sampled_from(EFFECTS), numbers, numbers, numbers, st.floats(0, 1e5), shares)
@settings(deadline=None)
def test_every_effect_is_what_its_statement_says(effect, clean, value, held, elapsed, strength):
    z = normal(streams(), 0)
    got = faulted(EFFECTS.index(effect), clean, value, held, elapsed, strength, streams(), 0)
    expected = statement(effect, clean, value, held, elapsed, strength, z)
    size = max(abs(clean), abs(value), abs(held), abs(value * clean), abs(value * elapsed), 1.0)
    np.testing.assert_allclose(got, expected, rtol=0, atol=1e-14 * size * 8)


@pytest.mark.parametrize("effect", [FREEZE, STUCK, OFFSET, GAIN, NOISE, DRIFT])
def test_at_no_strength_every_effect_but_dropout_leaves_the_value_bit_for_bit(effect):
    assert faulted(effect, 0.1 + 0.2, 7.7, 3.3, 5.5, 0.0, streams(), 0) == 0.1 + 0.2


def test_full_freeze_and_stuck_show_exactly_the_held_and_the_given_value():
    assert faulted(FREEZE, 12.0, 0.0, 4.0, 9.0, 1.0, streams(), 0) == 4.0
    assert faulted(STUCK, 12.0, 5.0, 4.0, 9.0, 1.0, streams(), 0) == 5.0


def test_noise_draws_from_its_own_stream_and_no_other_effect_draws():
    for effect in range(len(EFFECTS)):
        mine = np.array([stream_start(1, "a"), stream_start(1, "b")], np.uint64)
        before = mine.copy()
        faulted(effect, 1.0, 2.0, 3.0, 4.0, 1.0, mine, 1)
        assert mine[0] == before[0]
        assert (mine[1] != before[1]) == (effect == NOISE)


def test_a_sensor_without_a_value_has_none_with_a_fault_on_top():
    for effect in (FREEZE, STUCK, OFFSET, GAIN, NOISE, DRIFT):
        assert math.isnan(faulted(effect, math.nan, 2.0, 3.0, 4.0, 1.0, streams(), 0))


def test_effects_are_numbered_in_the_order_of_their_names():
    assert [EFFECTS[i] for i in (DROPOUT, FREEZE, STUCK, OFFSET, GAIN, NOISE, DRIFT)] == [
        "dropout", "freeze", "stuck", "offset", "gain", "noise", "drift",
    ]  # fmt: skip
