"""Judges of what takes its time or its way: laps and sectors, a stop, the entry into a corner."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from emulator.record.reader import Run
from emulator.verdict.criteria import CornerEntry, LapTime, SectorTime, StopDistance
from emulator.verdict.laps import ON_THE_LINE, lap_times
from emulator.verdict.windows import (
    Finding,
    NotJudged,
    NotMet,
    Rows,
    Values,
    between_s,
    column,
    occurrence_of,
    place_of,
    running,
    step_s,
    window_rows,
)

_BLIP_S = 0.3
"""[s] A throttle that opens for less is a blip for a downshift (common practice, no source)."""
_LEANS_RAD = 0.05
"""[rad] A bend that is taken with less lean is no corner."""
_CLUTCH_PULLED = 0.5


def lap_time(run: Run, criterion: LapTime | SectorTime) -> Finding:
    """A lap, or a sector of it, is ridden in time."""
    rows = running(run)
    station = column(run, "line.station_m", rows)
    line = run.manifest.get("line")
    ends = criterion.sector_ends_m
    if not ends or (isinstance(line, dict) and not line.get("closed", True)):
        raise NotJudged("this line has no laps")
    sector = criterion.sector if isinstance(criterion, SectorTime) else None
    if sector is not None and sector > len(ends):
        raise NotJudged(f"a lap of this line has {len(ends)} sectors")
    what = "lap" if sector is None else f"sector {sector} of lap"
    laps = lap_times(run, ends).laps
    if criterion.lap is not None:
        laps = tuple(lap for lap in laps if lap.number == criterion.lap)
        if not laps:
            raise NotJudged(f"lap {criterion.lap} was not ridden")
    timed = [
        (time_s, lap.number)
        for lap in laps
        if (time_s := lap.time_s if sector is None else lap.sectors_s[sector - 1]) is not None
    ]
    if not timed:
        why = f": {laps[0].note}" if laps and laps[0].note else ""
        raise NotJudged(f"{'no lap' if sector is None else f'no sector {sector}'} was ridden whole{why}")
    slowest_s, number = max(timed)
    # the mark it ended at: laps are counted from the timing line before the ride's start
    origin = math.floor((station[0] + ON_THE_LINE) / ends[-1]) * ends[-1]
    mark = origin + (number - 1) * ends[-1] + (ends[-1] if sector is None else ends[sector - 1])
    reached = run.signals["line.station_m"] >= mark
    row = int(np.argmax(reached))
    passed = slowest_s <= criterion.limit_s
    several = f", the slowest of {len(timed)}" if len(timed) > 1 else ""
    return Finding(
        passed,
        criterion.limit_s - slowest_s,
        "s",
        row,
        f"{what} {number} took {slowest_s:.3f} s (limit {criterion.limit_s:.3f} s{several}), "
        f"{place_of(run, row)}",
        criterion.limit_s,
    )


def stop_distance(run: Run, criterion: StopDistance) -> Finding:
    """The bike comes to its speed on a short way: the integral of its speed over the ground."""
    riding = np.flatnonzero(running(run))
    if criterion.after is not None:
        start, since = occurrence_of(run, criterion.after).start, f"{criterion.after!r} began"
    else:
        rows = window_rows(run, criterion)
        braking = np.flatnonzero(_braking(run, rows, criterion.brake_Pa))
        if not len(braking):
            raise NotJudged(f"the robot never braked with {criterion.brake_Pa * 1e-5:g} bar in its window")
        start, since = int(np.flatnonzero(rows)[braking[0]]), "the robot braked"
    ridden = riding[riding >= start]
    speed = np.hypot(column(run, "truth.speed_m_s", ridden), column(run, "truth.speed_lateral_m_s", ridden))
    to = f"{criterion.to_m_s * 3.6:.0f} km/h"
    if speed[0] <= criterion.to_m_s:
        raise NotJudged(f"the bike was no faster than {to} when {since}")
    way = np.concatenate(([0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1])))) * step_s(run, ridden)
    slow = speed <= criterion.to_m_s
    if not slow.any():
        raise NotMet(
            f"never got down to {to}: {way[-1]:.1f} m on, the ride ended at {speed[-1] * 3.6:.0f} km/h"
        )
    k = int(np.argmax(slow))
    row, metres = int(ridden[k]), float(way[k])
    return Finding(
        metres <= criterion.limit_m,
        criterion.limit_m - metres,
        "m",
        row,
        f"from {speed[0] * 3.6:.0f} to {to} in {metres:.2f} m from where {since} "
        f"(limit {criterion.limit_m:.2f} m), {place_of(run, row)}",
        criterion.limit_m,
        rows=(start, row),
    )


def _braking(run: Run, rows: Rows | NDArray[np.int64], least_Pa: float) -> Rows:
    front, rear = column(run, "robot.front_brake_Pa", rows), column(run, "robot.rear_brake_Pa", rows)
    return np.asarray(np.maximum(front, rear) > least_Pa)


def corner_entry(run: Run, criterion: CornerEntry) -> Finding:
    """From the robot's throttle closing to the lean, in the slowest of all corners."""
    rows = np.flatnonzero(running(run))
    inside = window_rows(run, criterion)[rows]
    blip = round(_BLIP_S / step_s(run, rows))
    roll = column(run, "truth.roll_rad", rows)
    closing = _closings(column(run, "robot.throttle", rows), criterion.throttle_closed, blip)
    entries: list[tuple[int, int]] = []  # throttle closed, lean reached
    for before, first, end, lean_side in _corners(run, rows, criterion.corner_curvature_1_m):
        most = float((lean_side * roll[first:end]).max())
        if most < _LEANS_RAD or not inside[first]:
            continue
        leaned = before + int(np.argmax(lean_side * roll[before:end] >= criterion.lean_share * most))
        last = int(np.searchsorted(closing, leaned, side="right")) - 1
        if last >= 0 and closing[last] > before:
            entries.append((int(closing[last]), leaned))
    if not entries:
        raise NotJudged("no corner in its window was entered by closing the throttle")
    closed_at, leaned_at = max(entries, key=lambda entry: entry[1] - entry[0])
    row = int(rows[leaned_at])
    took_s = between_s(run, int(rows[closed_at]), row)
    side = "right" if roll[leaned_at] > 0.0 else "left"
    passed = took_s <= criterion.limit_s
    steps = _steps(run, rows[closed_at : leaned_at + 1], criterion.brake_Pa)
    of = "the corner" if len(entries) == 1 else f"the slowest of {len(entries)} corners"
    return Finding(
        passed,
        criterion.limit_s - took_s,
        "s",
        row,
        f"{of}, to the {side}: {took_s:.3f} s from throttle closed to {criterion.lean_share:.0%} of its lean "
        f"(limit {criterion.limit_s:.3f} s; {steps}), "
        f"{place_of(run, row)}",
        criterion.limit_s,
        rows=(int(rows[closed_at]), row),
    )


def _closings(throttle: Values, closed: float, blip: int) -> NDArray[np.int64]:
    """Samples at which the throttle is first closed again after having been open for longer than a blip."""
    is_open = np.concatenate(([False], throttle > closed, [False]))
    edges = np.flatnonzero(is_open[1:] != is_open[:-1])
    opened, shut = edges[::2], edges[1::2]
    return np.asarray(shut[shut - opened >= blip])


def _corners(run: Run, rows: NDArray[np.int64], least_1_m: float) -> list[tuple[int, int, int, float]]:
    """Corners: end of the one before, first sample, end, and the sign of the roll into it."""
    curvature = column(run, "line.curvature_1_m", rows)
    bends = np.sign(curvature) * (np.abs(curvature) >= least_1_m)
    edges = np.flatnonzero(np.diff(bends)) + 1
    firsts, ends = np.concatenate(([0], edges)), np.append(edges, len(bends))
    corners = []
    before = 0
    for first, end in zip(firsts, ends, strict=True):
        if bends[first] != 0.0:
            corners.append((before, int(first), int(end), -float(bends[first])))
            before = int(end)
    return corners


def _steps(run: Run, rows: NDArray[np.int64], brake_Pa: float) -> str:
    """When brake, clutch and downshift came, in seconds after the first row."""
    gear = column(run, "robot.gear_request", rows)
    steps = {
        "brake": _braking(run, rows, brake_Pa),
        "clutch": column(run, "robot.clutch", rows) > _CLUTCH_PULLED,
        "downshift": np.diff(gear, prepend=gear[:1]) < 0.0,
    }
    return ", ".join(
        f"{name} after {between_s(run, int(rows[0]), int(rows[np.argmax(done)])):.2f} s"
        if done.any()
        else f"no {name}"
        for name, done in steps.items()
    )
