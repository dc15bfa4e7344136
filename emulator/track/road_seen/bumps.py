"""Bumps in a road's profile: one wave of the cosine each, as scenarios have them, with intervals.

A bump is looked for as it is seen, through the same band as the profile. Its place, length and height are
those of least squares; how well they are known follows from what the same fit finds where no bump is: that
has the roughness of the road, the noise of the sensors and all that the model of the fork leaves out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from emulator.track.road_seen.road_profile import STEP_s, as_seen

Array = NDArray[np.float64]

LEAST_m = 0.004
"""Lower bumps are not told."""
_TIMES_NOISE = 6.0
_SPREAD = 1.4826
_LENGTHS_m = np.geomspace(0.6, 40.0, 16)
_AROUND_s = 1.5
_MOST = 100
_MODEL = 0.05  # of the height: stiffness of tyre and fork are known no better; common practice, no source
_MODEL_LENGTH = 0.03  # of the length, likewise
_IN_THE_AIR = 0.2  # of the length, where the wheel left the road behind the crest: that part nobody saw
_IN_THE_AIR_HEIGHT = 0.05  # of the height: a bump taken for longer is taken for lower
_DELAYS_m = 0.1
SD95 = 1.96


class Bump(NamedTuple):
    """A bump: station of its start, length, height (a dip: negative), each with its deviation [m].

    left_road  whether the wheel was in the air behind it
    passes     how often it was ridden over
    """

    at_m: float
    length_m: float
    height_m: float
    at_sd_m: float
    length_sd_m: float
    height_sd_m: float
    left_road: bool = False
    passes: int = 1


class Pass(NamedTuple):
    """A stretch of riding, at steps of ``STEP_s``; all (n,) [m].

    along    distance ridden, by the wheels
    station  of the front wheel's contact, on the line; counted on over laps
    height   of the road, as seen
    seen     whether it is told there: the bike is upright enough, not at an end
    aloft    whether the wheel is in the air
    """

    along: Array
    station: Array
    height: Array
    seen: NDArray[np.bool_]
    aloft: NDArray[np.bool_]


def template(along: Array, start_m: float, length_m: float) -> Array:
    """Heights (n,) of a bump of height 1 at distances (n,) along the way."""
    u = (along - start_m) / length_m
    return np.where((u > 0.0) & (u < 1.0), 0.5 - 0.5 * np.cos(2.0 * math.pi * u), 0.0)


def bumps_of(ride: Pass) -> list[Bump]:
    """The bumps of one pass, in the order they are ridden over."""
    rest = np.where(ride.seen, ride.height, 0.0)
    if np.count_nonzero(ride.seen) < round(2.0 * _AROUND_s / STEP_s):
        return []
    found: list[Bump] = []
    for _ in range(_MOST):
        noise = _SPREAD * float(np.median(np.abs(rest[ride.seen])))
        k = int(np.argmax(np.abs(rest)))
        if abs(rest[k]) < max(0.5 * LEAST_m, 0.5 * _TIMES_NOISE * noise):
            break
        part = slice(max(k - round(_AROUND_s / STEP_s), 0), k + round(_AROUND_s / STEP_s))
        one = _fitted(ride.along[part], rest[part])
        if one is None:
            rest[max(k - 5, 0) : k + 6] = 0.0
            continue
        start, length, height = one
        shape = as_seen(template(ride.along[part], start, length))
        rest[part] -= height * shape
        if abs(height) < LEAST_m or not ride.seen[k]:
            continue
        found.append(_with_deviations(ride, rest, part, one))
    whole = [bump for bump in found if abs(bump.height_m) > _TIMES_NOISE * _noise_part(bump)]
    return sorted(whole, key=lambda bump: bump.at_m)


def _noise_part(bump: Bump) -> float:
    """What of its height's deviation is noise."""
    return math.sqrt(max(bump.height_sd_m**2 - (_of_height(bump.left_road) * bump.height_m) ** 2, 1e-12))


def _fitted(along: Array, heights: Array) -> tuple[float, float, float] | None:
    """Start, length and height of the bump that leaves least; None: none of the lengths is any good."""
    middle = float(along[int(np.argmax(np.abs(heights)))])
    best = (math.inf, 0.0, 0.0)
    for length in _LENGTHS_m.tolist():
        for shift in (-0.15, 0.0, 0.15):
            start = middle - (0.5 + shift) * length
            shape = as_seen(template(along, start, length))
            energy = float(shape @ shape)
            if energy < 1e-9:
                continue
            left = float(heights @ heights) - float(shape @ heights) ** 2 / energy
            if left < best[0]:
                best = (left, start, length)
    if not math.isfinite(best[0]):
        return None

    def errors(p: Array) -> Array:
        length = math.exp(p[1])
        return np.asarray(p[2] * as_seen(template(along, p[0] - 0.5 * length, length)) - heights)

    shape = as_seen(template(along, best[1], best[2]))
    height = float(shape @ heights) / float(shape @ shape)
    start_at = np.array([best[1] + 0.5 * best[2], math.log(best[2]), height])
    low, high = math.log(0.2), math.log(200.0)
    bounds = ([along[0], low, -0.5], [along[-1], high, 0.5])
    solved = least_squares(errors, np.clip(start_at, *bounds), bounds=bounds, x_scale=[0.1, 0.1, 0.01])
    length = math.exp(float(solved.x[1]))
    return float(solved.x[0]) - 0.5 * length, length, float(solved.x[2])


def _with_deviations(ride: Pass, rest: Array, part: slice, one: tuple[float, float, float]) -> Bump:
    """A bump with what its place, length and height are off by.

    Each is a weighted sum of heights (the fit's pseudoinverse); the same sum taken all along what is left of
    the pass says how it scatters, whatever the noise is alike over.
    """
    start, length, height = one
    along = ride.along[part]
    shift = np.array([1e-3 * length, 1e-3 * length, 1e-4])
    base = height * as_seen(template(along, start, length))
    slopes = np.column_stack(
        [
            (height * as_seen(template(along, start + shift[0], length)) - base) / shift[0],
            (height * as_seen(template(along, start, length + shift[1])) - base) / shift[1],
            as_seen(template(along, start, length)),
        ]
    )
    weights = np.linalg.pinv(slopes)  # (3, window)
    deviations = []
    usable = np.convolve(ride.seen.astype(float), np.ones(len(along)), mode="valid") > len(along) - 0.5
    for row in weights:
        sums = np.convolve(rest, row[::-1], mode="valid")
        sums = sums[usable] if usable.any() else sums
        deviations.append(_SPREAD * float(np.median(np.abs(sums))))
    at = float(np.interp(start, ride.along, ride.station))
    over = (along > start) & (along < start + 1.5 * length)
    left = bool(ride.aloft[part][over].any())
    unseen = _IN_THE_AIR * length if left else 0.0
    return Bump(
        at,
        length,
        height,
        math.hypot(deviations[0], _DELAYS_m, 0.5 * unseen),
        math.hypot(deviations[1], _MODEL_LENGTH * length, unseen),
        math.hypot(deviations[2], _of_height(left) * height),
        left,
    )


def _of_height(left_road: bool) -> float:
    """What a height is off by in any case, as a share of it."""
    return math.hypot(_MODEL, _IN_THE_AIR_HEIGHT if left_road else 0.0)


def together(passes: Sequence[Sequence[Bump]], length_m: float, *, closed: bool) -> list[Bump]:
    """Bumps of several passes as one list: means of those at one station that most passes have.

    length_m  of a lap [m]; stations are folded into it where the line is closed
    """
    flat = sorted(
        (bump._replace(at_m=bump.at_m % length_m if closed else bump.at_m) for of in passes for bump in of),
        key=lambda bump: bump.at_m + 0.5 * bump.length_m,
    )
    groups: list[list[Bump]] = []
    for bump in flat:
        middle = bump.at_m + 0.5 * bump.length_m
        near = groups[-1][-1] if groups else None
        apart = math.inf if near is None else middle - (near.at_m + 0.5 * near.length_m)
        if near is not None and apart < max(0.5 * bump.length_m, 1.5) and near.height_m * bump.height_m > 0:
            groups[-1].append(bump)
        else:
            groups.append([bump])
    return [_mean(group) for group in groups if len(group) > 0.5 * len(passes)]


def _mean(group: Sequence[Bump]) -> Bump:
    """The mean of a bump's passes; off by what they differ by, and by the model, which they share."""
    if len(group) == 1:
        return group[0]
    values = np.array([bump[:3] for bump in group])
    told = np.sqrt((np.array([bump[3:6] for bump in group]) ** 2).mean(axis=0) / len(group))
    scatter = values.std(axis=0, ddof=1) / math.sqrt(len(group))
    mean = values.mean(axis=0)
    sd = np.maximum(told, scatter)
    left = any(bump.left_road for bump in group)
    # what all passes share is no smaller for their number
    shared = (_DELAYS_m, (_IN_THE_AIR if left else _MODEL_LENGTH) * mean[1], _of_height(left) * abs(mean[2]))
    at, length, height = mean.tolist()
    at_sd, length_sd, height_sd = np.maximum(sd, shared).tolist()
    return Bump(at, length, height, at_sd, length_sd, height_sd, left, len(group))
