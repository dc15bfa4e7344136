"""The rows of a record that a criterion looks at, and what may not be missing in them."""

from __future__ import annotations

import math
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from emulator.core.signals import RUNNING, TICK_NS
from emulator.record.occurrence import Occurrence, occurrence
from emulator.record.reader import Run
from emulator.verdict.criteria import Bounds, Window

Rows: TypeAlias = NDArray[np.bool_]
Values: TypeAlias = NDArray[np.float64]

TICKS_A_SECOND = 1_000_000_000 // TICK_NS


class NotJudged(Exception):
    """Why a criterion can't be judged; its text says why."""


class NotMet(Exception):
    """A criterion that was not met and has no margin; its text is the sentence."""


class Finding(NamedTuple):
    """What a judge found: the worst value beside the limit, and where; see CriterionResult.

    margin None: there is none, although it was judged (``passed`` says how).
    """

    passed: bool
    margin: float | None
    unit: str
    row: int
    sentence: str
    limit: float | None = None
    signal: str | None = None
    bounds: Bounds = ""
    rows: tuple[int, int] | None = None


def column(run: Run, name: str, rows: Rows | NDArray[np.int64]) -> Values:
    """Values of a signal in some rows. Raises NotJudged where one is missing or no number."""
    values = run.signals.get(name)
    if values is None:
        raise NotJudged(f"the record has no {name}")
    part = values[rows]
    bad = ~np.isfinite(part)
    if bad.any():
        time_s = run.time_s[rows][int(np.argmax(bad))]
        raise NotJudged(f"{name} is not a number {time_s:.1f} s into the ride")
    return part


def running(run: Run) -> Rows:
    """Rows in which the bench was running. Raises NotJudged if there are none, or some are missing."""
    state = run.signals.get("bench.state")
    if state is None:
        raise NotJudged("the record has no bench.state")
    if not np.isfinite(state).all():
        raise NotJudged("bench.state is not a number throughout")
    rows: Rows = state == RUNNING
    if not rows.any():
        raise NotJudged("the ride never started")
    steps = np.diff(run.tick[rows])
    if len(steps) and steps.max() != steps.min():
        row = int(np.argmax(steps > steps.min()))
        raise NotJudged(f"samples are missing {run.time_s[rows][row]:.1f} s into the ride")
    return rows


def step_s(run: Run, rows: Rows | NDArray[np.int64]) -> float:
    """Time between two samples [s]; the record of a ride is even, it may be thinned."""
    ticks = run.tick[rows][:2]
    return float(ticks[1] - ticks[0] if len(ticks) > 1 else 1) / TICKS_A_SECOND


def between_s(run: Run, first: int, row: int) -> float:
    """Time from one row to another [s]; a whole number of ticks, so that limits are met to the last digit."""
    return float(run.tick[row] - run.tick[first]) / TICKS_A_SECOND


def occurrence_of(run: Run, name: str) -> Occurrence:
    """Rows of an event. Raises NotJudged if it did not happen by the end of the ride."""
    found = occurrence(run, name)
    if found is None:
        raise NotJudged(f"event {name!r} never happened")
    if not running(run)[found.start :].any():
        raise NotJudged(f"event {name!r} came after the ride")
    return found


def window_rows(run: Run, window: Window) -> Rows:
    """Rows within a window. Raises NotJudged if there are none."""
    riding = running(run)
    free = riding & (column_in(run, "truth.support", riding) == 0)
    if not free.any():
        raise NotJudged("the support never let go")
    first, end = int(np.argmax(free)), len(riding)
    if window.from_event is not None:
        first = max(first, occurrence_of(run, window.from_event).start)
    if window.to_event is not None:
        end = occurrence_of(run, window.to_event).start
    if window.during_event is not None:
        span = occurrence_of(run, window.during_event)
        first = max(first, span.start)
        end = end if span.end is None else span.end
    late = run.tick - run.tick[first] >= round(window.from_s * TICKS_A_SECOND)
    rows: Rows = riding & late
    if not rows.any():
        since = "the support let go" if window.from_event is None else f"event {window.from_event!r} began"
        raise NotJudged(f"the ride ended before {window.from_s:g} s after {since}")
    rows = rows & (np.arange(len(rows)) < end) & _within_stations(run, window, rows)
    if not rows.any():
        raise NotJudged("no instant of the ride lies in its window")
    return rows


def column_in(run: Run, name: str, rows: Rows) -> Values:
    """A whole signal that is sound in some rows. Raises NotJudged as ``column`` does."""
    column(run, name, rows)
    return run.signals[name]


def _within_stations(run: Run, window: Window, rows: Rows) -> Rows:
    first, last = window.from_station_m, window.to_station_m
    if first is None and last is None:
        return rows
    station = column_in(run, "line.station_m", rows)
    line = run.manifest.get("line")
    if isinstance(line, dict) and line.get("closed", True) and "length_m" in line:
        station = np.mod(station, float(line["length_m"]))
    after = station >= (0.0 if first is None else first)
    before = station <= (math.inf if last is None else last)
    if first is not None and last is not None and first > last:
        return np.asarray(after | before)
    return np.asarray(after & before)


def place(time_s: float, station_m: float) -> str:
    """An instant for people."""
    return f"{time_s:.1f} s into the ride at station {station_m:.0f} m"


def place_of(run: Run, row: int) -> str:
    """The instant of a row for people. Raises NotJudged where the record does not know it."""
    return place(float(run.time_s[row]), float(column(run, "line.station_m", np.array([row]))[0]))
