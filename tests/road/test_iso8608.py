"""Elevation and bank between given places; roughness against the spectrum it was asked to have."""

from __future__ import annotations

import math

import numpy as np
import pytest

from emulator.road.build_line import Straight, Turn, build_line
from emulator.road.iso8608 import CLASS_DEGREE_m3, along_lap, roughness

OVAL = build_line(
    (Straight(300.0), Turn(math.pi, 40.0, 20.0), Straight(300.0), Turn(math.pi, 40.0, 20.0)),
    closed=False,
    ds_m=0.5,
)
LAP = OVAL._replace(closed=True)


def test_given_heights_are_met_and_nothing_overshoots_between_them() -> None:
    z, rise = along_lap(LAP, [50.0, 200.0, 400.0, 420.0], [0.0, 12.0, 12.0, -3.0])
    for station, height in ((50.0, 0.0), (200.0, 12.0), (400.0, 12.0), (420.0, -3.0)):
        assert np.interp(station, LAP.station, z) == pytest.approx(height, abs=1e-2)
    assert z.min() >= -3.0 - 1e-9
    assert z.max() <= 12.0 + 1e-9
    between = (LAP.station > 201.0) & (LAP.station < 399.0)
    assert np.allclose(z[between], 12.0)
    assert np.allclose(np.gradient(z, LAP.station)[5:-5], rise[5:-5], atol=2e-2)


def test_a_lap_ends_as_high_and_as_steep_as_it_began() -> None:
    z, rise = along_lap(LAP, [10.0, 300.0, 600.0], [1.0, 9.0, 4.0])
    assert z[0] == pytest.approx(z[-1], abs=1e-9)
    assert rise[0] == pytest.approx(rise[-1], abs=1e-9)


def test_one_place_is_one_height_everywhere_and_none_is_zero() -> None:
    assert np.all(along_lap(LAP, [5.0], [3.0])[0] == 3.0)
    assert not along_lap(LAP, [], [])[0].any()


def test_an_open_line_holds_its_ends() -> None:
    z, _ = along_lap(OVAL, [100.0, 200.0], [1.0, 2.0])
    assert (z[0], z[-1]) == (1.0, 2.0)


def test_classes_are_those_of_the_standard() -> None:
    """Geometric means of ISO 8608:2016 at 0.1 cycles/m, 10^-6 m^3 (from memory)."""
    assert {k: round(v * 1e6) for k, v in CLASS_DEGREE_m3.items()} == {
        "A": 16,
        "B": 64,
        "C": 256,
        "D": 1024,
        "E": 4096,
        "F": 16384,
        "G": 65536,
        "H": 262144,
    }


def test_roughness_has_the_spectrum_asked_for() -> None:
    """Welch-free: mean squares in octave bands against the integral of G0 (n/n0)^-2 over the band."""
    long = LAP._replace(length=20_000.0)
    heights, step = roughness(long, CLASS_DEGREE_m3["B"], 3)
    assert heights.size * step == pytest.approx(20_000.0)
    density = 2.0 * np.abs(np.fft.rfft(heights)) ** 2 * step / heights.size
    frequency = np.fft.rfftfreq(heights.size, step)
    for low in (0.02, 0.1, 0.5, 1.2):
        band = (frequency >= low) & (frequency < 2.0 * low)
        measured = np.sum(density[band]) / 20_000.0
        expected = 64e-6 * 0.1**2 * (1.0 / low - 1.0 / (2.0 * low))
        assert measured == pytest.approx(expected, rel=0.02)
    outside = (frequency < 0.0105) | (frequency > 2.9)
    assert np.max(density[outside]) < 1e-12


def test_the_seed_is_the_road() -> None:
    a, b, c = (roughness(LAP, CLASS_DEGREE_m3["A"], seed)[0] for seed in (1, 1, 2))
    assert np.array_equal(a, b)
    assert not np.array_equal(a, c)
    assert np.sqrt(np.mean(c**2)) == pytest.approx(np.sqrt(np.mean(a**2)), rel=1e-6)
