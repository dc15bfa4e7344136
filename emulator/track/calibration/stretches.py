"""Pieces of steady riding cut from a record, on the predictor's steps."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from emulator.track.calibration.innovations import Stretch

Values = NDArray[np.float64]

STEP_s = 0.02
"""Step of the predictor: the wobble, at 7 to 9 Hz, is well within it."""
SHORTEST_s, LONGEST_s = 6.0, 20.0
_SPEED_m_s, _LEAN_rad = 2.0, 0.12  # that a stretch may be off its own mean: 7 km/h and 7 degrees
_SLOWEST_m_s = 5.0
TORQUE = "actuator.steering_torque_Nm"
SIGNALS = (
    "truth.roll_rate_rad_s",
    "truth.yaw_rate_rad_s",
    "truth.steer_rad",
    "truth.roll_rad",
    "truth.speed_m_s",
)
"""Columns of a record that are the predictor's outputs, in its order; in a record of the track they are what
was measured."""


class NotSteady(ValueError):
    """A record has no stretch of steady riding, or lacks a column for it."""


def stretches_of_record(tick: NDArray[np.int64], columns: Mapping[str, Values], log: int) -> list[Stretch]:
    """Steady stretches of a record, one behind the other.

    tick      (n,)   of the rows [ms], rising
    columns          TORQUE and SIGNALS, each (n,), NaN where nothing was logged
    log              which one it is
    Raises NotSteady.
    """
    if missing := [name for name in (TORQUE, *SIGNALS) if name not in columns]:
        raise NotSteady(f"the record has no {', '.join(missing)}")
    row_ms = int(np.median(np.diff(tick))) if len(tick) > 1 else 0
    every = max(1, round(STEP_s * 1e3 / row_ms)) if row_ms else 0
    if not every or abs(every * row_ms - STEP_s * 1e3) > 1e-9:
        raise NotSteady(f"expected rows in steps that go into {STEP_s * 1e3:g} ms, got {row_ms} ms")
    count = len(tick) // every
    torque = columns[TORQUE][: count * every].reshape(count, every).mean(axis=1)
    outputs = np.column_stack([columns[name][: count * every : every] for name in SIGNALS])
    steady_rows = np.isfinite(torque)
    steady_rows[1:] &= np.diff(tick[: count * every : every]) == every * row_ms
    speed, lean = outputs[:, 4], outputs[:, 3]
    found: list[Stretch] = []
    first = 0
    shortest, longest = round(SHORTEST_s / STEP_s), round(LONGEST_s / STEP_s)
    while first + shortest <= count:
        end = _as_long_as_steady(first, min(first + longest, count), steady_rows, speed, lean)
        if end - first < shortest:
            first += max(1, shortest // 6)
            continue
        rows = slice(first, end)
        found.append(
            Stretch(
                log,
                float(np.nanmean(speed[rows])),
                float(np.nanmean(lean[rows])),
                STEP_s,
                torque[rows].copy(),
                outputs[rows].copy(),
            )
        )
        first = end
    if not found:
        raise NotSteady(
            f"no {SHORTEST_s:g} s above {_SLOWEST_m_s * 3.6:g} km/h with all speeds within "
            f"{_SPEED_m_s * 3.6:g} km/h and all leans within {np.degrees(_LEAN_rad):.0f}° of their mean"
        )
    return found


def _as_long_as_steady(first: int, last: int, there: NDArray[np.bool_], speed: Values, lean: Values) -> int:
    """Row at which what began at ``first`` is steady no more."""
    lost = np.flatnonzero(~there[first:last])
    end = first + int(lost[0]) if len(lost) else last
    while end > first + 1:
        v, a = speed[first:end], lean[first:end]
        if not (np.isfinite(v).any() and np.isfinite(a).any()):
            return first
        off = np.maximum(np.abs(v - np.nanmean(v)) / _SPEED_m_s, np.abs(a - np.nanmean(a)) / _LEAN_rad)
        if np.nanmean(v) >= _SLOWEST_m_s and np.nanmax(off) <= 1.0:
            return end
        end -= max(1, (end - first) // 10)
    return first
