"""From what a circuit and a scenario say of the road's shape to the relief the plant rides on.

Elevation and bank are given at a few stations and joined by monotone cubics (F. N. Fritsch, R. E. Carlson,
1980, by way of scipy), so nothing overshoots between two given heights. Roughness is one sample of the
spectrum of ISO 8608: displacement power spectral density falling as the square of the spatial frequency.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from emulator.road.line import Line

CLASS_DEGREE_m3 = {name: 16e-6 * 4.0**k for k, name in enumerate("ABCDEFGH")}
"""Geometric mean of the displacement PSD at 0.1 cycles/m [m^3] by class. Source: ISO 8608:2016, table of
road classes (from memory)."""

_REFERENCE_1_m = 0.1
_LOWEST_1_m, _HIGHEST_1_m = 0.011, 2.83  # spatial frequencies the standard's fit covers (from memory)
_STEP_m = 0.1


def along_lap(
    line: Line, stations_m: Sequence[float], values: Sequence[float]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Values given at rising stations, and their slope by station, at the line's samples, each (n+1,).

    A closed line joins the last value to the first; on an open one the ends are held.
    """

    n = line.station.size
    if not len(stations_m):
        return np.zeros(n), np.zeros(n)
    at, value = np.asarray(stations_m, np.float64), np.asarray(values, np.float64)
    if at.size == 1:
        return np.full(n, value[0]), np.zeros(n)
    if line.closed:
        at = np.concatenate([at - line.length, at, at + line.length])
        value = np.tile(value, 3)
    from scipy.interpolate import PchipInterpolator

    curve = PchipInterpolator(at, value)
    where = np.clip(line.station, at[0], at[-1])
    return np.asarray(curve(where), np.float64), np.asarray(curve.derivative()(where), np.float64)


def roughness(line: Line, degree_m3: float, seed: int) -> tuple[NDArray[np.float64], float]:
    """One sample of a road of that degree: heights (m,) [m] and their step [m], a whole number to the lap.

    degree_m3  displacement PSD at 0.1 cycles/m [m^3], one-sided, over cycles/m: ``CLASS_DEGREE_m3``

    Waves of random phase at every multiple of one a lap, each of the amplitude the spectrum gives it.
    """
    m = max(2, math.ceil(line.length / _STEP_m))
    step = line.length / m
    frequency = np.fft.rfftfreq(m, step)
    inside = (frequency >= _LOWEST_1_m) & (frequency <= _HIGHEST_1_m)
    density = np.zeros_like(frequency)
    density[inside] = degree_m3 * (frequency[inside] / _REFERENCE_1_m) ** -2
    amplitude = np.sqrt(2.0 * density / line.length)
    phase = np.random.default_rng(seed).uniform(0.0, 2.0 * np.pi, frequency.size)
    return np.fft.irfft(amplitude * np.exp(1j * phase) * m / 2.0, m), step
