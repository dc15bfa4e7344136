"""Where a bike rode beside a line, from one lap or several, and how well that is known.

Each lap is a smooth function of station (emulator.survey.ridden_line.spline). The line ridden is the laps'
mean; of three laps or more its 95 % interval is Student's, from what laps differ by at a station, since a
rider's laps and a receiver's drift are alike over tens of metres and different from lap to lap. It is never
less than what the noise of the places leaves. Of one lap it is that alone: it holds the path as far as the
receiver's error differs from place to place. What the receiver is off by all day is in no log.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from scipy import stats

from emulator.road.line import Line
from emulator.survey.ridden_line.laps import BEYOND_m, Lap
from emulator.survey.ridden_line.spline import Fit, fit
from emulator.survey.smoothest import Array, Knots

KNOT_m = 4.0
_MOST_KNOTS = 2500
_HELD_OUT = 5  # every so manieth place
SD95 = float(stats.norm.ppf(0.975))


class HeldOut(NamedTuple):
    """Places that were left out of the fit, against it.

    places    how many
    times     root mean square of their distance over what was said of it; 1 where that is right
    inside    share within the 95 % interval
    """

    places: int
    times: float
    inside: float


class Halves(NamedTuple):
    """Every other lap against the others: rms of what both lines differ by, and as expected [m]."""

    differ_m: float
    expected_m: float


class Offsets(NamedTuple):
    """Of a line ridden, at even stations of the line beside it; m stations, k laps.

    station     (m,) [m]
    offset      (m,) [m]      to the left
    half        (m,) [m]      half of its 95 % interval
    bend        (m,) [1/m]    second derivative of the offset by station
    bend_half   (m,) [1/m]    half of its 95 % interval
    laps        (k, m) [m]    offset of each lap
    numbers     of the laps
    noise_m     standard deviation of a place across the line, median of the laps
    alike       correlation of neighbouring errors, median of the laps
    """

    station: Array
    offset: Array
    half: Array
    bend: Array
    bend_half: Array
    laps: Array
    numbers: tuple[int, ...]
    noise_m: float
    alike: float
    held_out: HeldOut
    halves: Halves | None


def ridden_offsets(
    line: Line, length_m: float, laps: Sequence[Lap], *, every_m: float = KNOT_m, off_m: float = 0.0
) -> Offsets:
    """The line ridden beside a line.

    every_m  [m] from one station to the next, or a little more or less
    off_m    [m] standard deviation of what the receiver may be off by all day; goes into the interval
    """
    fits = [_fitted(lap, length_m) for lap in laps]
    # an open line is known where all ways along it are
    start = 0.0 if line.closed else max(0.0, *(one.first for one in fits))
    long = (length_m if line.closed else min(length_m, *(one.last for one in fits))) - start
    steps = int(np.clip(round(long / every_m), 8, _MOST_KNOTS))
    at = start + long * np.arange(steps if line.closed else steps + 1) / steps
    parts = [_on_stations(one, at, length_m, closed=line.closed) for one in fits]
    values, spread, bends, bend_spread = (np.array([p[k] for p in parts]) for k in range(4))
    half, bend_half = _half(values, spread), _half(bends, bend_spread)
    mean: Array = values.mean(axis=0)
    return Offsets(
        at,
        mean,
        np.hypot(half, SD95 * off_m),
        bends.mean(axis=0),
        bend_half,
        values,
        tuple(lap.number for lap in laps),
        float(np.median([one.fit.noise for one in fits])),
        float(np.median([one.fit.alike for one in fits])),
        _held_out(laps, fits),
        _halves(values, half),
    )


class _Fitted(NamedTuple):
    """A lap's function over stations from ``first`` to ``last`` [m], whose knots are ``step`` [m] apart."""

    fit: Fit
    first: float
    last: float
    step: float

    def parameters(self, stations: Array) -> Array:
        return (stations - self.first) / self.step


def _fitted(lap: Lap, length_m: float) -> _Fitted:
    """A lap fitted by all of its places."""
    first = max(float(lap.stations.min()), -BEYOND_m)
    last = min(float(lap.stations.max()), length_m + BEYOND_m)
    count = int(np.clip(round((last - first) / KNOT_m), 8, _MOST_KNOTS + 50))
    step = (last - first) / count
    return _Fitted(fit(Knots(count, False), (lap.stations - first) / step, lap.offsets), first, last, step)


def _on_stations(
    one: _Fitted, at: Array, length_m: float, *, closed: bool
) -> tuple[Array, Array, Array, Array]:
    """Offset and its deviation, bend and its deviation, each (m,), at stations of the line.

    Of a closed line the lap's end goes over into its start, where both are known.
    """

    def look(stations: Array) -> tuple[Array, Array, Array, Array]:
        inside = np.clip(one.parameters(stations), 0.0, one.fit.knots.steps)
        value, spread = one.fit.at(inside)
        bend, bend_spread = one.fit.at(inside, 2)
        return value, spread, bend / one.step**2, bend_spread / one.step**2

    if not closed:
        return look(at)
    found = look(at)
    for shift in (length_m, -length_m):
        other = np.flatnonzero((at + shift >= one.first) & (at + shift <= one.last))
        if not len(other):
            continue
        there = look(at[other] + shift)
        share, slope, bent = _goes_over(at[other], length_m, one)
        # d2(w a + (1 - w) b) = w a'' + (1 - w) b'' + 2 w' (a' - b') + w'' (a - b), a the lap's own side
        apart = found[0][other] - there[0]
        steeper = np.gradient(apart, at[other]) if len(other) > 2 else np.zeros(len(other))
        found[2][other] = (
            share * found[2][other] + (1.0 - share) * there[2] + 2.0 * slope * steeper + bent * apart
        )
        found[0][other] = share * found[0][other] + (1.0 - share) * there[0]
        for k in (1, 3):
            found[k][other] = np.maximum(found[k][other], there[k])
    return found


def _goes_over(at: Array, length_m: float, one: _Fitted) -> tuple[Array, Array, Array]:
    """Weight of a lap's own side near the line's start, and its first and second derivative by station.

    From all of the lap's end, so far before the start as it is known there, to all of its start.
    """
    low, high = min(one.first, 0.0), max(one.last - length_m, 0.0)
    span = high - low
    near = np.where(at > 0.5 * length_m, at - length_m, at)
    u = np.clip((near - low) / span, 0.0, 1.0)
    rises = u**3 * (10.0 - 15.0 * u + 6.0 * u * u)
    slope = 30.0 * u**2 * (1.0 - u) ** 2 / span
    bent = 60.0 * u * (1.0 - u) * (1.0 - 2.0 * u) / span**2
    starts = near >= 0.0  # there the lap's own side is its start, whose weight rises
    return (
        np.where(starts, rises, 1.0 - rises),
        np.where(starts, slope, -slope),
        np.where(starts, bent, -bent),
    )


def _half(values: Array, spread: Array) -> Array:
    """(m,) half of the 95 % interval of the mean of laps (k, m)."""
    k = len(values)
    noise: Array = SD95 * np.sqrt((spread**2).mean(axis=0) / k)
    if k == 1:
        return noise
    scatter = values.std(axis=0, ddof=1) / math.sqrt(k)
    return np.asarray(np.maximum(noise, float(stats.t.ppf(0.975, k - 1)) * scatter), np.float64)


def _held_out(laps: Sequence[Lap], fits: Sequence[_Fitted]) -> HeldOut:
    """Each fifth place of every lap, left out and looked for by the rest."""
    over: list[Array] = []
    for lap, whole in zip(laps, fits, strict=True):
        out = np.arange(len(lap.offsets)) % _HELD_OUT == _HELD_OUT // 2
        at = whole.parameters(lap.stations)
        rest = fit(whole.fit.knots, at[~out], lap.offsets[~out], whole.fit.weight)
        value, spread = rest.at(at[out])
        over.append((lap.offsets[out] - value) / np.hypot(spread, whole.fit.noise))
    z = np.concatenate(over)
    return HeldOut(len(z), float(np.sqrt(np.mean(z**2))), float(np.mean(np.abs(z) < SD95)))


def _halves(values: Array, half: Array) -> Halves | None:
    """Lines of every other lap against each other; None: fewer than four laps."""
    k = len(values)
    if k < 4:
        return None
    differ = values[::2].mean(axis=0) - values[1::2].mean(axis=0)
    scatter = values.std(axis=0, ddof=1)
    expected = scatter * math.sqrt(1.0 / math.ceil(k / 2) + 1.0 / (k // 2))
    return Halves(float(np.sqrt(np.mean(differ**2))), float(np.sqrt(np.mean(expected**2))))
