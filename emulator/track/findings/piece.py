"""The piece of line that was ridden, made into one that can be ridden from standstill.

Its curvature is the turning over the speed, which gyros and wheels tell better than places do; heading and
place follow by adding up. It is laid on the recorded places as a whole, and how far they are from it is told.
Before it comes a straight to get up to speed, behind it the curvature of the last moment goes on for a while
and fades into a straight.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from emulator.track.findings.seen import FindingError, Seen, Values

_DS_m = 0.5
_POINTS_EVERY_m = 4.0
_RUN_UP_m_s2, _RUN_UP_m = 3.0, 40.0
_FADES_s, _LEAST_FADE_m = 0.8, 15.0
_GOES_ON_s, _GOES_ON_rad, _RUN_OUT_m = 1.5, math.pi / 3.0, 40.0
_SLOWEST_m_s = 3.0
_JUST_BEFORE_s = (0.35, 0.05)


class Piece(NamedTuple):
    """A line through points.

    points       (n, 2)  east and north [m]
    station_m    [m]     of the instant
    speed_m_s    just before it
    lateral_m_s2 across, there
    off_m        largest distance of a recorded place from the line [m]
    """

    points: Values
    station_m: float
    speed_m_s: float
    lateral_m_s2: float
    off_m: float


def piece_to(seen: Seen, at_s: float, fastest_m_s: float = 0.0) -> Piece:
    """The line to an instant and on from there. Raises FindingError: the bike is too slow.

    fastest_m_s  that it was ridden at before it; a straight to get up to that goes before
    """
    last = seen.row(at_s)
    near = (seen.time_s >= at_s - _JUST_BEFORE_s[0]) & (seen.time_s <= at_s - _JUST_BEFORE_s[1])
    usable = np.isfinite(seen.speed) & np.isfinite(seen.turning) & np.isfinite(seen.east)
    slow = np.flatnonzero(~(usable & (seen.speed > _SLOWEST_m_s))[: last + 1])
    first = int(slow[-1]) + 1 if len(slow) else 0
    if not near.any() or last - first < near.sum() + 10:
        raise FindingError(
            f"speed, turning and place are not known, or the bike is slower than {_SLOWEST_m_s:g} m/s, just "
            f"before {at_s:.2f} s",
            advice="take another instant",
        )
    speed = float(np.median(seen.speed[near]))
    bend = float(np.median((seen.turning / np.maximum(seen.speed, 1e-3))[near]))
    rows = slice(first, last + 1)
    along = np.concatenate([[0.0], np.cumsum(0.5 * np.diff(seen.time_s[rows])
                                             * (seen.speed[rows][1:] + seen.speed[rows][:-1]))])  # fmt: skip
    curvature = seen.turning[rows] / seen.speed[rows]
    run_up = max(speed, fastest_m_s) ** 2 / (2.0 * _RUN_UP_m_s2) + _RUN_UP_m
    fade = max(_LEAST_FADE_m, _FADES_s * speed)
    goes_on = speed * _GOES_ON_s
    if bend:
        goes_on = min(goes_on, _GOES_ON_rad / abs(bend))
    start = run_up + fade
    marks = [0.0, run_up, *(start + along), start + along[-1] + goes_on]
    levels = [0.0, 0.0, *curvature[:-1], bend, bend]
    marks += [marks[-1] + fade, marks[-1] + fade + _RUN_OUT_m + speed]
    levels += [0.0, 0.0]
    at = np.arange(0.0, marks[-1], _DS_m)
    heading = np.concatenate([[0.0], np.cumsum(np.interp(at[:-1] + 0.5 * _DS_m, marks, levels) * _DS_m)])
    middle = 0.5 * (heading[1:] + heading[:-1])
    steps = np.column_stack([np.cos(middle), np.sin(middle)]) * _DS_m
    path = np.concatenate([np.zeros((1, 2)), np.cumsum(steps, axis=0)])
    places = np.column_stack([seen.east[rows], seen.north[rows]])
    drawn = np.column_stack([np.interp(start + along, at, path[:, k]) for k in range(2)])
    turn, shift = _laid_on(drawn, places)
    off = float(np.hypot(*(drawn @ turn + shift - places).T).max())
    every = np.append(np.arange(0.0, at[-1] - 0.5 * _POINTS_EVERY_m, _POINTS_EVERY_m), at[-1])
    nodes = np.column_stack([np.interp(every, at, path[:, k]) for k in range(2)])
    return Piece(nodes @ turn + shift, start + float(along[-1]), speed, speed**2 * abs(bend), off)


def _laid_on(drawn: Values, places: Values) -> tuple[Values, Values]:
    """Turn (2, 2) and shift (2,) that bring points (n, 2) nearest to places (n, 2) by least squares."""
    a, b = drawn - drawn.mean(axis=0), places - places.mean(axis=0)
    angle = math.atan2(float((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum()), float((a * b).sum()))
    sin, cos = math.sin(angle), math.cos(angle)
    turn = np.array([[cos, sin], [-sin, cos]])
    return turn, places.mean(axis=0) - drawn.mean(axis=0) @ turn
