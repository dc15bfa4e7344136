"""Two rides of one line over each other, by station: where one is faster, leans more, steers harder."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from emulator.core.errors import RecordError
from emulator.core.signals import RUNNING
from emulator.record.reader import Run
from emulator.report.figures.columns import Column, fitting_step
from emulator.report.figures.drawing import INK, ORANGE, Figure, curve, strip

Array = NDArray[np.float64]

STEP_m = 0.5
"""From number to number along the line; at 50 m/s a hundredth of a second."""
_COMPARED: tuple[tuple[str, str, str, float], ...] = (
    ("Speed", "truth.speed_m_s", "km/h", 3.6),
    ("Roll, positive to the right", "truth.roll_rad", "°", 180.0 / math.pi),
    ("Offset from the line, positive to its left", "line.offset_m", "m", 1.0),
    ("Steering torque on the bike", "actuator.steering_torque_Nm", "N m", 1.0),
    ("Steering rate", "truth.steer_rate_rad_s", "°/s", 180.0 / math.pi),
    ("Throttle on the bike", "actuator.throttle", "%", 100.0),
    ("Front brake on the bike", "actuator.front_brake_Pa", "bar", 1e-5),
    ("Friction use, front", "truth.friction_use_front", "", 1.0),
    ("Friction use, rear", "truth.friction_use_rear", "", 1.0),
)


def beside(run: Run, other: Run) -> list[tuple[str, Figure]]:
    """(heading, panel over station) of two rides; the first says how much time this one has lost by there.

    Raises RecordError if the two did not ride the same line, or one of them got nowhere on it.
    """
    if not _same_line(run, other):
        raise RecordError(
            f"{other.folder} is a ride of another line than {run.folder}",
            advice="name a run of the same circuit or manoeuvre",
        )
    rows, others = _advancing(run), _advancing(other)
    station, their = (r.signals["line.station_m"][i] for r, i in ((run, rows), (other, others)))
    at = np.arange(
        math.ceil(max(station[0], their[0]) / STEP_m) * STEP_m, min(station[-1], their[-1]), STEP_m
    )
    if len(at) < 2:
        raise RecordError(
            f"{run.folder} and {other.folder} have no stretch of the line in common",
            advice="name two runs that began at the same station",
        )
    lost = np.interp(at, station, run.time_s[rows]) - np.interp(at, their, other.time_s[others])
    lost -= lost[0]
    out = [("Time lost on the other ride / (s)", _panel("s", at, [("this ride", lost)], "Time lost"))]
    for title, signal, unit, factor in _COMPARED:
        if signal not in run.signals or signal not in other.signals:
            continue
        mine = np.interp(at, station, run.signals[signal][rows] * factor)
        theirs = np.interp(at, their, other.signals[signal][others] * factor)
        heading = f"{title} / ({unit})" if unit else title
        out.append((heading, _panel(unit, at, [("this ride", mine), ("the other", theirs)], title)))
    return out


def _panel(unit: str, at: Array, drawn: list[tuple[str, Array]], title: str) -> Figure:
    curves = [
        curve(name, Column(at, STEP_m), Column(values, max(fitting_step(values), 1e-6)), colour, dash=dash)
        for (name, values), (colour, dash) in zip(drawn, ((INK, "solid"), (ORANGE, "dash")), strict=False)
    ]
    return strip(unit, curves, group="station", heading=title)


def _advancing(run: Run) -> NDArray[np.int64]:
    """Rows of the ride at which the station is further than ever before."""
    station = run.signals.get("line.station_m", np.empty(0))
    state = run.signals.get("bench.state", np.full(len(station), float(RUNNING)))
    usable = np.flatnonzero(np.isfinite(station) & (state == RUNNING))
    if not len(usable):
        raise RecordError(f"{run.folder} got nowhere on its line", advice="name a run that rode")
    furthest = np.maximum.accumulate(station[usable])
    further = np.diff(furthest, prepend=-np.inf) > 0.0
    return usable[further]


def _same_line(run: Run, other: Run) -> bool:
    lines = [r.manifest.get("line") for r in (run, other)]
    if not all(isinstance(line, dict) for line in lines):
        return False
    return all(lines[0].get(key) == lines[1].get(key) for key in ("x_m", "y_m"))  # type: ignore[union-attr]
