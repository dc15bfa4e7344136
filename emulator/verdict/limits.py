"""Judges of criteria about one quantity: it stays within a limit at every instant, or in a mean over them.

What is judged is the recorded truth as it is, one value a tick. Rates of change that are not recorded:

- of the lean, from recorded angular velocity and attitude: p + (q sin(roll) + r cos(roll)) tan(pitch), which
  is exact (ISO 8855 angles; any book on rigid bodies, from memory);
- of the steering rate, the difference of neighbouring ticks: the mean acceleration over each tick. A sine
  reads low by sinc(f T): 0.1 % at 25 Hz, 1.6 % at 100 Hz with T = 1 ms. The truth has no noise to amplify.

A percentile is the smallest value that so many are not above (nearest rank).
"""

from __future__ import annotations

import math
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from emulator.record.reader import Run
from emulator.verdict.criteria import (
    SHOWN,
    DistanceFromLine,
    FrictionUse,
    Lean,
    LeanRate,
    NoFall,
    PositionErrorCriterion,
    SlipAngle,
    SlipRatio,
    SpeedError,
    SteeringAcceleration,
    SteeringRate,
)
from emulator.verdict.localisation import position_errors
from emulator.verdict.windows import (
    Finding,
    NotJudged,
    Rows,
    Values,
    between_s,
    column,
    column_in,
    place_of,
    running,
    step_s,
    window_rows,
)

Limit: TypeAlias = (
    DistanceFromLine
    | SpeedError
    | Lean
    | LeanRate
    | SteeringRate
    | SteeringAcceleration
    | SlipRatio
    | SlipAngle
    | FrictionUse
)

SILENCE_S = 0.5
"""A robot that says nothing new about its place for longer is not known to know it (no source)."""


class _Measured(NamedTuple):
    """A quantity over the whole record, sound in ``rows``, beside its limit; ``signal`` if it is a column."""

    values: Values
    rows: Rows
    limit: float
    unit: str
    digits: int
    subject: str
    signal: str | None = None
    off: str = ""  # what it is a distance from


def no_fall(run: Run, _criterion: NoFall) -> Finding:
    """The bike is never down."""
    # Past running too: the tick that sees the fall is often the one that leaves running.
    begun = running(run)
    rows = np.arange(len(begun)) >= int(np.argmax(begun))
    first = int(np.argmax(rows))
    fallen = column(run, "truth.fallen", rows) != 0
    roll = column(run, "truth.roll_rad", rows)
    column(run, "line.station_m", rows)
    if fallen.any():
        row = first + int(np.argmax(fallen))
        speed = 3.6 * column(run, "truth.speed_m_s", rows)[row - first]
        return Finding(False, -1.0, "1", row, f"fell {place_of(run, row)}, at {speed:.0f} km/h")
    row = first + int(np.argmax(np.abs(roll)))
    roll_rad = float(run.signals["truth.roll_rad"][row])
    side = "right" if roll_rad > 0 else "left"
    lean = f"{abs(math.degrees(roll_rad)):.1f}° to the {side}"
    return Finding(True, 1.0, "1", row, f"stayed up; leaned most, {lean}, {place_of(run, row)}")


def within(run: Run, criterion: Limit) -> Finding:
    """A quantity's size stays within its limit."""
    m = _measured(run, criterion, window_rows(run, criterion))
    column(run, "line.station_m", m.rows)
    size = np.where(m.rows, np.abs(m.values), -1.0)
    row = int(np.argmax(size))
    worst = float(size[row])
    passed = worst <= m.limit
    limit_text = f"limit {_shown(m.limit, m)}"
    where = place_of(run, row)
    if passed:
        said = (
            f"stayed within {_shown(worst, m)} of {m.off}"
            if m.off
            else f"{m.subject} at most {_shown(worst, m)}"
        )
        sentence = f"{said} ({limit_text}), closest to the limit {where}"
    else:
        first = int(np.argmax(size > m.limit))
        said = (
            f"was up to {_shown(worst, m)} off {m.off}" if m.off else f"{m.subject} up to {_shown(worst, m)}"
        )
        sentence = f"{said} ({limit_text}), worst {where}; beyond the limit first {place_of(run, first)}"
    seen = np.flatnonzero(m.rows)
    return Finding(
        passed,
        m.limit - worst,
        m.unit,
        row,
        sentence,
        m.limit,
        m.signal,
        "both" if m.signal else "",
        (int(seen[0]), int(seen[-1])),
    )


def _shown(value: float, m: _Measured) -> str:
    scale, unit = SHOWN.get(m.unit, (1.0, m.unit))
    text = f"{value * scale:.{m.digits}f}"
    return text if unit == "1" else f"{text}{'' if unit.startswith('°') else ' '}{unit}"


def _measured(run: Run, c: Limit, rows: Rows) -> _Measured:
    def of(name: str) -> Values:
        return column_in(run, name, rows)

    if isinstance(c, DistanceFromLine):
        name = "line.offset_m"
        return _Measured(of(name), rows, c.limit_m, "m", 2, "", name, "the line")
    if isinstance(c, SpeedError):
        error = of("truth.speed_m_s") - of("line.target_speed_m_s")
        return _Measured(error, rows, c.limit_m_s, "m/s", 1, "", None, "the target speed")
    if isinstance(c, Lean):
        name = "truth.roll_rad"
        return _Measured(of(name), rows, c.limit_rad, "rad", 1, "lean", name)
    if isinstance(c, LeanRate):
        roll = of("truth.roll_rad")
        turning = of("truth.pitch_rate_rad_s") * np.sin(roll) + of("truth.yaw_rate_rad_s") * np.cos(roll)
        rate = of("truth.roll_rate_rad_s") + turning * np.tan(of("truth.pitch_rad"))
        return _Measured(rate, rows, c.limit_rad_s, "rad/s", 1, "lean rate")
    if isinstance(c, SteeringRate):
        name = "truth.steer_rate_rad_s"
        return _Measured(of(name), rows, c.limit_rad_s, "rad/s", 1, "steering rate", name)
    if isinstance(c, SteeringAcceleration):
        riding = running(run)
        rate = column(run, "truth.steer_rate_rad_s", riding)
        change = np.zeros(len(rows))
        change[riding] = np.diff(rate, prepend=rate[:1]) / step_s(run, riding)
        return _Measured(change, rows, c.limit_rad_s2, "rad/s2", 0, "steering acceleration")
    if isinstance(c, FrictionUse):
        name = f"truth.friction_use_{c.wheel}"
        return _Measured(of(name), rows, c.limit, "1", 2, f"{c.wheel} friction use", name)
    rows = rows & (of("truth.speed_m_s") > c.above_m_s) & (of(f"truth.load_{c.wheel}_N") > 0.0)
    if not rows.any():
        raise NotJudged(
            f"the {c.wheel} tyre never bore load above {c.above_m_s * 3.6:.0f} km/h in its window"
        )
    if isinstance(c, SlipRatio):
        name = f"truth.slip_ratio_{c.wheel}"
        return _Measured(column_in(run, name, rows), rows, c.limit, "1", 3, f"{c.wheel} slip ratio", name)
    name = f"truth.slip_angle_{c.wheel}_rad"
    return _Measured(column_in(run, name, rows), rows, c.limit_rad, "rad", 1, f"{c.wheel} slip angle", name)


def place_error(run: Run, criterion: PositionErrorCriterion) -> Finding:
    """The robot knows where it is; its estimates are compared as emulator.verdict.localisation says."""
    rows = window_rows(run, criterion)
    for name in ("robot.estimate_x_m", "robot.estimate_y_m"):
        column(run, name, rows)
    errors = position_errors(run)
    if errors is None or not rows[errors.rows].any():
        raise NotJudged("the robot said nothing new about its place")
    told = np.flatnonzero(rows[errors.rows])
    arrived = errors.rows[told]
    silence_s, since = _longest_silence(run, rows, arrived)
    if silence_s > SILENCE_S:
        raise NotJudged(
            f"the robot said nothing new about its place for {silence_s:.1f} s, {place_of(run, since)}"
        )
    size = np.hypot(errors.along_m[told], errors.across_m[told])
    if not np.isfinite(size).all():
        raise NotJudged("the true place is not a number throughout")
    order = np.argsort(size, kind="stable")
    worst = int(order[-1])
    if criterion.of == "rms":
        found, words = math.sqrt(float(np.mean(size * size))), "rms"
    elif criterion.of == "p95":
        worst = int(order[math.ceil(0.95 * len(size)) - 1])
        found, words = float(size[worst]), "in 95 % of its estimates"
    else:
        found, words = float(size[worst]), "at most"
    row = int(arrived[worst])
    passed = found <= criterion.limit_m
    sentence = (
        f"{'knew' if passed else 'did not know'} its place: {found * 100:.1f} cm off {words} "
        f"(limit {criterion.limit_m * 100:.1f} cm); {size[worst] * 100:.1f} cm {place_of(run, row)}"
    )
    seen = np.flatnonzero(rows)
    return Finding(
        passed,
        criterion.limit_m - found,
        "m",
        row,
        sentence,
        criterion.limit_m,
        rows=(int(seen[0]), int(seen[-1])),
    )


def _longest_silence(run: Run, rows: Rows, arrived: NDArray[np.int64]) -> tuple[float, int]:
    """Longest time [s] without a new estimate within one stretch of rows that rides, and the row it ended.

    A bike that stands gives no reason for a new one.
    """
    moving = rows & (column_in(run, "truth.speed_m_s", rows) > 1.0)
    at = np.arange(len(rows))
    # since the latest of: an arrival, an instant that does not count
    updated = ~moving
    updated[arrived] = True
    quiet = at - np.maximum.accumulate(np.where(updated, at, 0))
    row = int(np.argmax(quiet))
    return between_s(run, row - int(quiet[row]), row), row
