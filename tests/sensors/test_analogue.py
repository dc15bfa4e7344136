"""A sensor with one value: its lag, noise, steps and range."""

import math

import numpy as np
import pytest

from emulator.core.random_streams import stream_start
from emulator.sensors.analogue import Analogue, lagged, reading


def readings(sensor, value, n=4000):
    streams = np.array([stream_start(3, "analogue")], np.uint64)
    table = np.array(sensor)
    return np.array([reading(table, value, streams, 0) for _ in range(n)])


def test_the_lag_is_first_order_and_begins_at_the_truth():
    gain = 1.0 - math.exp(-1.0 / 25.0)
    shown = lagged(math.nan, 3.0, gain)
    assert shown == 3.0
    for n in range(1, 200):
        shown = lagged(shown, 10.0, gain)
        assert shown == pytest.approx(10.0 - 7.0 * math.exp(-n / 25.0), rel=1e-12)


def test_an_ideal_sensor_shows_what_is():
    assert set(readings(Analogue(), -0.123456789, 10)) == {-0.123456789}
    assert lagged(1.0, 2.0, 1.0) == 2.0


def test_noise_has_its_size_and_no_bias():
    found = readings(Analogue(noise=0.02), 0.5)
    n = found.size
    assert found.mean() == pytest.approx(0.5, abs=4.5 * 0.02 / math.sqrt(n))
    assert found.std() == pytest.approx(0.02, rel=4.5 / math.sqrt(2 * n))


def test_readings_come_in_steps():
    found = readings(Analogue(noise=0.02, resolution=0.01), 0.503)
    assert np.abs(found / 0.01 - np.rint(found / 0.01)).max() < 1e-9
    assert len(set(found)) > 8
    # noise, then rounding of which a smooth density leaves step^2 / 12 (Widrow; common practice)
    assert found.std() == pytest.approx(
        math.sqrt(0.02**2 + 0.01**2 / 12), rel=4.5 / math.sqrt(2 * found.size)
    )


def test_beyond_its_range_it_stays_at_the_end():
    found = readings(Analogue(noise=0.5, low=0.0, high=1.0), 0.9)
    assert (found.min(), found.max()) == (0.0, 1.0)
