"""Each effect against its statement in a line of numpy."""

import math

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from emulator.core.random_streams import normal, stream_start
from emulator.events.sample_faults import (
    DELAY,
    DROPOUT,
    FREEZE,
    GAIN,
    NOISE,
    QUANTISATION,
    SAMPLE_EFFECTS,
    SATURATION,
    SIGN_CHANGE,
    STUCK,
    delayed_sample,
    faulted,
)
from emulator.events.table import event_table

numbers = st.floats(-1e6, 1e6)
shares = st.floats(0.0, 1.0)


def streams():
    return np.array([stream_start(3, "event/a")], np.uint64)


def event(effect, value=0.0, low=-np.inf, high=np.inf):
    e = event_table(1)[0]
    e["effect"], e["value"], e["low"], e["high"], e["stream"] = effect, value, low, high, 0
    return e


def statements(clean, value, held, past, elapsed, z):
    """What each effect shows at full strength, in a line that everybody can check.

    One without a line here has the statement of its row on the page of faults.
    """
    return {
        "dropout": np.nan,
        "freeze": held,
        "stuck": value,
        "offset": clean + value,
        "gain": value * clean,
        "noise": clean + value * z,
        "drift": clean + value * elapsed,
        "spike": clean + value,
        "saturation": np.clip(clean, -abs(value), abs(value)),
        "quantisation": np.round(clean / value) * value if value else np.nan,
        "delay": past,
        "sign_change": -clean,
    }


STATED = tuple(statements(*np.ones(6)))


@given(st.sampled_from(STATED), numbers, numbers, numbers, numbers, st.floats(0, 1e5), shares)
def test_every_effect_is_what_its_statement_says(effect, clean, value, held, past, elapsed, strength):
    if effect == "quantisation" and abs(value) < 1e-3:
        value = 0.5
    z = normal(streams(), 0)
    e = event(SAMPLE_EFFECTS.index(effect), value, -abs(value), abs(value))
    got = faulted(e, clean, held, past, elapsed, strength, streams())
    shown = statements(clean, value, held, past, elapsed, z)[effect]
    expected = shown if effect == "dropout" else (1 - strength) * clean + strength * shown
    size = max(abs(v) for v in (clean, value, held, past, value * clean, value * elapsed, 1.0))
    np.testing.assert_allclose(got, expected, rtol=0, atol=1e-14 * size * 8)


@given(st.sampled_from(SAMPLE_EFFECTS), numbers, numbers)
def test_at_no_strength_every_effect_but_dropout_leaves_the_value_bit_for_bit(effect, clean, value):
    e = event(SAMPLE_EFFECTS.index(effect), value or 1.0)
    got = faulted(e, clean, 3.3, 4.4, 5.5, 0.0, streams())
    assert math.isnan(got) if effect == "dropout" else got == clean


@given(numbers, numbers)
def test_full_strength_shows_exactly_what_it_shows(clean, other):
    """Not the clean value plus the difference, which is rounded."""
    assert faulted(event(FREEZE), clean, other, 0.0, 9.0, 1.0, streams()) == other
    assert faulted(event(STUCK, other), clean, 0.0, 0.0, 9.0, 1.0, streams()) == other
    assert faulted(event(DELAY), clean, 0.0, other, 9.0, 1.0, streams()) == other
    assert faulted(event(SIGN_CHANGE), clean, 0.0, 0.0, 9.0, 1.0, streams()) == -clean
    assert faulted(event(SATURATION, 0.0, other, other), clean, 0.0, 0.0, 9.0, 1.0, streams()) == other


def test_a_step_is_rounded_to_the_nearest_halves_to_even():
    got = [faulted(event(QUANTISATION, 0.5), v, 0, 0, 0, 1.0, streams()) for v in (0.2, 0.25, 0.3, 0.75)]
    assert got == [0.0, 0.0, 0.5, 1.0]


def test_a_step_too_fine_to_count_changes_nothing():
    assert faulted(event(QUANTISATION, 1e-313), 1.5, 0, 0, 0, 1.0, streams()) == 1.5
    assert faulted(event(QUANTISATION, 1e-313), 1.5, 0, 0, 0, 0.5, streams()) == 1.5


def test_noise_draws_from_its_own_stream_and_no_other_effect_draws():
    for effect in range(len(SAMPLE_EFFECTS)):
        mine = np.array([stream_start(1, "a"), stream_start(1, "b")], np.uint64)
        before = mine.copy()
        e = event(effect, 2.0)
        e["stream"] = 1
        faulted(e, 1.0, 3.0, 3.5, 4.0, 1.0, mine)
        assert mine[0] == before[0]
        assert (mine[1] != before[1]) == (effect == NOISE)


def test_a_sensor_without_a_value_has_none_with_a_fault_on_top():
    for effect in range(len(SAMPLE_EFFECTS)):
        if effect in (FREEZE, STUCK, DELAY):  # these show another value than the sensor's
            continue
        assert math.isnan(faulted(event(effect, 2.0, 0.0, 1.0), math.nan, 3.0, 3.5, 4.0, 1.0, streams()))


def test_gain_by_one_is_nothing():
    assert faulted(event(GAIN, 1.0), 0.1 + 0.2, 0.0, 0.0, 0.0, 1.0, streams()) == 0.1 + 0.2


@given(st.lists(numbers, min_size=1, max_size=60), st.integers(0, 15))
def test_recall_is_the_list_shifted(values, delay):
    ring = np.zeros(16)
    got = [delayed_sample(ring, n, delay, v) for n, v in enumerate(values)]
    assert got == ([values[0]] * delay + values)[: len(values)]


def test_the_first_effect_takes_the_value_away():
    assert math.isnan(faulted(event(DROPOUT), 1.0, 2.0, 3.0, 4.0, 0.0, streams()))
