"""The road's heights under a ridden line, from those of its places, where laps agree on them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from emulator.road.line import Line
from emulator.survey.ridden_line.laps import Lap
from emulator.survey.ridden_line.offsets import ridden_offsets
from emulator.survey.ridden_line.places import Array, Places

EVERY_m = 20.0
_ENOUGH = 0.9  # of a lap's places have a height


class RiddenHeights(NamedTuple):
    """Heights of the road over station 0 (m,) [m] at stations of the guide (m,); half of their interval."""

    station: Array
    height: Array
    half: Array


def ridden_heights(
    line: Line, length_m: float, laps: Sequence[Lap], places: Places, antenna_m: float, within_m: float
) -> RiddenHeights | str:
    """The heights; a sentence where they are not known well enough.

    antenna_m  [m] height of the antenna over the road, upright: it comes down as the bike leans
    within_m   [m] half of the 95 % interval that is good enough anywhere

    Of each lap the median is taken out first: a receiver's height drifts by decimetres in minutes, which
    bends no road. Two laps at least must agree, since one can't tell a slope from a drift.
    """
    lean = np.where(np.isfinite(places.lean), places.lean, 0.0)
    ground = places.height + antenna_m * (1.0 - np.cos(lean))
    if not np.isfinite(ground).any():
        return "the record has no heights (truth.z_m): the road is flat"
    high: list[Lap] = []
    for lap in laps:
        heights = ground[lap.rows]
        known = np.isfinite(heights)
        if np.count_nonzero(known) >= _ENOUGH * len(heights):
            middle = float(np.median(heights[known]))
            high.append(lap._replace(stations=lap.stations[known], offsets=heights[known] - middle))
    if len(high) < 2:
        return f"{len(high)} laps with heights, it takes two to tell a slope from a drift: the road is flat"
    found = ridden_offsets(line, length_m, high, every_m=EVERY_m)
    # what counts is one place against another: the laps' common height is no part of it
    levelled = found.laps - found.laps.mean(axis=1)[:, None]
    noise = found.noise_m / math.sqrt(len(high))
    half = np.maximum(_half_of(levelled), noise)
    worst = float(half.max())
    if worst > within_m:
        where = float(found.station[int(np.argmax(half))])
        return (
            f"heights of the laps are known to {worst:.2f} m only at station {where:.0f} m, "
            f"--elevation-deviation-m is {within_m:g} m: the road is flat"
        )
    return RiddenHeights(found.station, found.offset - found.offset[0], half)


def _half_of(laps: Array) -> Array:
    from scipy import stats

    k = len(laps)
    return np.asarray(float(stats.t.ppf(0.975, k - 1)) * laps.std(axis=0, ddof=1) / math.sqrt(k), np.float64)
