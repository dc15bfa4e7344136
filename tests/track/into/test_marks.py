from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from emulator.track.into.grid import held, joined
from emulator.track.into.marks import sound_samples, spikes

SIGNAL = "output.wheel_rear_m_s"


def kinds(marks: list) -> list[str]:
    return [mark.kind for mark in marks]


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 10_000), st.sampled_from([1, 2]), st.floats(-1, 1).filter(lambda x: abs(x) > 0.4))
def test_a_spike_is_found_and_nothing_else(seed: int, width: int, size: float) -> None:
    rng = np.random.default_rng(seed)
    t = np.arange(0, 20, 0.01)
    clean = 20 + 5 * np.sin(t) + 0.05 * rng.normal(size=len(t))
    at = int(rng.integers(5, len(t) - 10))
    spoilt = clean.copy()
    spoilt[at : at + width] += 20 * size
    assert np.flatnonzero(spikes(spoilt)).tolist() == list(range(at, at + width))
    assert not spikes(clean).any()


def test_steps_and_counts_are_no_outliers() -> None:
    t = np.arange(0, 20, 0.01)
    brake = np.where((t % 4) > 3, 5e5 * np.minimum((t % 4) - 3, 0.3), 0.0)  # rests, then rises
    assert not spikes(brake).any()
    assert not spikes(np.round(20 + np.sin(t), 2)).any()
    assert not spikes(np.floor(t)).any()


def test_what_is_taken_out_is_kept_in_the_marks() -> None:
    t = np.arange(0, 1, 0.01)
    v = np.sin(t)
    v[10], v[20:23], v[30] = 99.0, np.nan, -50.0
    sound = sound_samples(SIGNAL, t, v, least=-10.0)
    assert kinds(sound.marks) == ["outlier", "gap", "no_number", "outlier"]
    first, gap, numberless, below = sound.marks
    assert (first.value, first.samples, below.value) == (99.0, 1, -50.0)
    assert (numberless.samples, numberless.from_s, numberless.to_s) == (3, t[20], t[22])
    assert (gap.from_s, gap.to_s) == (t[19], t[23])
    assert len(sound.values) == 95
    assert np.isfinite(sound.values).all()


def test_times_that_run_back_or_repeat_are_left_out() -> None:
    t = np.array([0.0, 0.1, 0.2, 0.1, 0.15, 0.3, 0.3, 0.4])
    sound = sound_samples(SIGNAL, t, np.arange(8.0))
    assert sound.values.tolist() == [0, 1, 2, 5, 7]
    assert [(m.kind, m.samples) for m in sound.marks] == [("time_back", 2), ("time_back", 1)]


def test_a_value_stands_until_the_next_and_no_longer_than_it_may() -> None:
    sound = sound_samples(SIGNAL, np.array([0.0, 0.1, 0.2, 0.9, 1.0]), np.array([1.0, 2, 3, 4, 5]))
    rows = np.arange(0, 1.2, 0.05)
    values = held(sound, rows)
    assert np.isnan(values[rows > 0.5][rows[rows > 0.5] < 0.9]).all()
    assert values[:5].tolist() == [1, 1, 2, 2, 3]
    lines = joined(sound, rows)
    np.testing.assert_allclose(lines[:5], [1, 1.5, 2, 2.5, 3])
    assert np.isnan(lines[(rows > 0.21) & (rows < 0.89)]).all()
    assert np.isnan(lines[rows > 1.01]).all()


def test_nothing_stands_or_goes_beyond_a_sample_that_was_taken_out() -> None:
    values = np.array([1.0, 2, np.nan, 4, 5])
    sound = sound_samples(SIGNAL, np.arange(5) * 0.1, values)
    rows = np.arange(0, 0.41, 0.05)
    assert np.flatnonzero(np.isnan(held(sound, rows))).tolist() == [4, 5]
    assert np.flatnonzero(np.isnan(joined(sound, rows))).tolist() == [3, 4, 5]


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 10_000))
def test_a_row_with_a_sample_has_that_sample_to_the_bit(seed: int) -> None:
    rng = np.random.default_rng(seed)
    rows = np.arange(200) / 1e3
    sampled = np.sort(rng.choice(200, 150, replace=False))
    times = rows[sampled] + rng.uniform(-4e-7, 4e-7, 150)
    sound = sound_samples(SIGNAL, times, rng.normal(size=150), chosen=True)
    for way in (held, joined):
        np.testing.assert_array_equal(way(sound, rows)[sampled], sound.values)
