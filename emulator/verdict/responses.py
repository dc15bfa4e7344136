"""Judges of conditions in time: what has to hold, the robot's reaction to an event, a signal that settles."""

from __future__ import annotations

import math

import numpy as np

from emulator.core.signals import INDEX, SIGNALS
from emulator.record.reader import Run
from emulator.verdict.criteria import Bounds, Holds, ReactionTime, SettleTime
from emulator.verdict.temporal import Monitor, signals_of
from emulator.verdict.windows import (
    Finding,
    NotJudged,
    NotMet,
    between_s,
    column,
    occurrence_of,
    place_of,
    running,
    step_s,
    window_rows,
)


def holds(run: Run, criterion: Holds) -> Finding:
    """A formula holds, seen from the first row of its window."""
    rows = window_rows(run, criterion)
    names = signals_of(criterion.formula)
    missing = [name for name in names if name not in run.signals]
    if missing:
        raise NotJudged(f"the record has no {missing[0]}")
    monitor = Monitor({name: run.signals[name][rows] for name in names}, step_s(run, rows))
    closest = monitor.closest(criterion.formula)
    seen = np.flatnonzero(rows)
    row = int(seen[closest.row])
    c, unit = closest.comparison, "1"
    if c is None:
        words = "the ride was over before what it asks about could come"
    else:
        unit = SIGNALS[INDEX[c.signal]].unit
        relation = "at least" if c.relation == "at_least" else "at most"
        subject = f"the size of {c.signal}" if c.size else c.signal
        if math.isnan(closest.margin):
            raise NotJudged(f"{c.signal} is not a number {run.time_s[row]:.1f} s into the ride")
        value, limit = _shown(float(run.signals[c.signal][row]), unit), _shown(c.limit, unit)
        words = f"{subject} was {value} ({relation} {limit}) {place_of(run, row)}"
    passed = closest.margin >= 0.0
    sides: dict[str, Bounds] = {"at_least": "lower", "at_most": "upper"}
    return Finding(
        passed,
        closest.margin if math.isfinite(closest.margin) else None,
        unit,
        row,
        f"{'held' if passed else 'did not hold'}; what decided: {words}",
        None if c is None else c.limit,
        None if c is None else c.signal,
        "" if c is None else "both" if c.size else sides[c.relation],
        (int(seen[0]), int(seen[-1])),
    )


def reaction(run: Run, criterion: ReactionTime) -> Finding:
    """The robot acts in time after an event."""
    riding = np.flatnonzero(running(run))
    start = occurrence_of(run, criterion.after).start
    rows = riding[riding >= start]
    if criterion.shown_by is not None:
        names = signals_of(criterion.shown_by)
        signals = {name: column(run, name, rows) for name in names}
        done = Monitor(signals, step_s(run, rows)).margins(criterion.shown_by) >= 0.0
    else:
        values = column(run, criterion.signal, rows)
        done = np.abs(values - values[0]) >= criterion.change
    if not done.any():
        left_s = between_s(run, int(rows[0]), int(rows[-1]))
        raise NotMet(f"no reaction to {criterion.after!r} in the {left_s:.3f} s that were left of the ride")
    k = int(np.argmax(done))
    row = int(rows[k])
    took_s = between_s(run, start, row)
    what = (
        f"{took_s:.3f} s after {criterion.after!r} began" if k else f"already when {criterion.after!r} began"
    )
    passed = took_s <= criterion.limit_s
    return Finding(
        passed,
        criterion.limit_s - took_s,
        "s",
        row,
        f"reacted {what} (limit {criterion.limit_s:.3f} s), {place_of(run, row)}",
        criterion.limit_s,
        rows=(start, row),
    )


def settle(run: Run, criterion: SettleTime) -> Finding:
    """A signal is back in its band in time, and stays there."""
    riding = np.flatnonzero(running(run))
    span = occurrence_of(run, criterion.after)
    start = span.start if criterion.counted_from == "start" else span.end
    if start is None:
        raise NotJudged(f"event {criterion.after!r} lasted as long as the ride")
    wanted = round((criterion.limit_s + criterion.stay_s) / step_s(run, riding))
    rows = riding[riding >= start][: wanted + 1]
    if len(rows) <= wanted:
        raise NotJudged(
            f"the ride ended before limit_s and stay_s, {criterion.limit_s + criterion.stay_s:g} s, were over"
        )
    off = np.abs(column(run, criterion.signal, rows) - criterion.around)
    outside = np.flatnonzero(off > criterion.within)
    unit = SIGNALS[INDEX[criterion.signal]].unit
    band = f"{_shown(criterion.within, unit)} around {_shown(criterion.around, unit)}"
    k = int(outside[-1]) + 1 if len(outside) else 0
    row = int(rows[min(k, wanted)])
    took_s = between_s(run, int(rows[0]), row)
    since = f"{criterion.after!r} {'began' if criterion.counted_from == 'start' else 'ended'}"
    passed = took_s <= criterion.limit_s
    what = f"was within {band} for good {took_s:.3f} s after {since}"
    if k == 0:
        what = f"was within {band} all the time since {since}"
    elif k > wanted:
        what = f"was still not within {band} {took_s:.3f} s after {since}"
    worst = _shown(float(off.max()), unit)
    return Finding(
        passed,
        criterion.limit_s - took_s,
        "s",
        row,
        f"{criterion.signal} {what} (limit {criterion.limit_s:.3f} s), up to {worst} off; "
        f"{place_of(run, row)}",
        criterion.limit_s,
        rows=(int(rows[0]), int(rows[-1])),
    )


def _shown(value: float, unit: str) -> str:
    """A value in its signal's own unit, as the scenario file has it."""
    return f"{value:.4g}" if unit == "1" else f"{value:.4g} {unit}"
