"""Lap and sector times of a ride, from the true path in its record.

The timing line is station 0 of the circuit. A passage is the instant the station of the true path reaches a
mark, interpolated between two neighbouring ticks; where the record has a gap there is no time. A ride
that starts on the timing line starts its first lap there and then; one that starts elsewhere has a first lap
that is not whole, and is marked so, as is a lap that the ride's end or a fall cuts off.

An open line (a manoeuvre's) has no laps: timed is its one passage from start to finish, told as lap 1,
beside the target speed alone. Its sectors are run-up, manoeuvre and run-out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from emulator.core.signals import RUNNING

if TYPE_CHECKING:  # who only names criteria needs no reader of records
    from emulator.record.reader import Run

Array = NDArray[np.float64]
Start: TypeAlias = Literal["standing", "flying"]

ON_THE_LINE = 1.0
"""A ride that starts within this distance [m] of the timing line starts a whole lap."""
STANDING = 1.0
"""A lap that starts slower than this [m/s] is one from a standing start."""
_STILL = 0.1  # [m/s]
_WORTH_TELLING = 1.0  # [m] a lap of which less was ridden is the run-out of the one before


@dataclass(frozen=True)
class Lap:
    """One lap as ridden.

    number     from 1, the lap that the ride started in
    start      'standing' or 'flying'
    time_s     [s]  None unless the whole lap was ridden and both passages are known
    sectors_s  [s]  None where a sector was not ridden whole or a passage is unknown
    note       why the lap is not whole; empty for a whole one
    """

    number: int
    start: Start
    time_s: float | None
    sectors_s: tuple[float | None, ...]
    note: str = ""


@dataclass(frozen=True)
class ReferenceLap:
    """A lap to compare with: what the vehicle could do, or what the target speed asks for.

    error_s  [s]  how far off its time may be as a quasi-steady lap's; 0 of a lap that is given
    """

    name: str
    start: Start
    time_s: float
    sectors_s: tuple[float, ...]
    error_s: float = 0.0


@dataclass(frozen=True)
class LapTimes:
    """All laps of a ride.

    sector_ends_m  [m]  stations at which the sectors end; the last one is the lap's length
    laps           in the order ridden
    best           number of the fastest whole lap, None if there is none
    references     ideal and target laps, flying and standing
    note           what could not be worked out

    Raises ValueError if a lap has not as many sectors as there are ends.
    """

    sector_ends_m: tuple[float, ...]
    laps: tuple[Lap, ...]
    best: int | None
    references: tuple[ReferenceLap, ...] = ()
    note: str = ""

    def __post_init__(self) -> None:
        asked = len(self.sector_ends_m)
        for times in [*(lap.sectors_s for lap in self.laps), *(r.sectors_s for r in self.references)]:
            if len(times) != asked:
                raise ValueError(f"{len(times)} sector times where {asked} sectors end")

    def ideal_of(self, lap: Lap) -> ReferenceLap | None:
        """The ideal lap with the same start."""
        same = [r for r in self.references if r.name == IDEAL and r.start == lap.start]
        return same[0] if same else None


IDEAL = "ideal"
TARGET = "target speed"


def lap_times(
    run: Run, sector_ends_m: Sequence[float], references: Sequence[ReferenceLap] = (), note: str = ""
) -> LapTimes:
    """Time every lap and sector of a run.

    sector_ends_m  [m]  rising stations, the last one the lap's length
    Never raises for what a run holds or lacks: what can't be timed is None.
    """
    ends = tuple(float(end) for end in sector_ends_m)
    laps = _laps(run, ends)
    whole = [lap for lap in laps if lap.time_s is not None]
    best = min(whole, key=lambda lap: lap.time_s or 0.0).number if whole else None
    return LapTimes(ends, tuple(laps), best, tuple(references), note)


def _laps(run: Run, ends: tuple[float, ...]) -> list[Lap]:
    rows = _ridden(run)
    if rows is None:
        return []
    tick, time_s, station, speed, cut = rows
    length = ends[-1]
    first = float(station[0])
    line = round(first / length) * length
    on_line = abs(first - line) <= ON_THE_LINE
    origin = line if on_line else float(np.floor(first / length)) * length
    furthest = float(station.max())
    laps = []
    number = 0
    while origin + number * length + _WORTH_TELLING < furthest or number == 0:
        at = origin + number * length
        starts_here = number == 0 and on_line
        start_s = _start(run, time_s, speed) if starts_here else _passage(tick, time_s, station, at)
        marks = [start_s, *(_passage(tick, time_s, station, at + end) for end in ends)]
        sectors = tuple(b - a if a is not None and b is not None else None for a, b in pairwise(marks))
        whole = marks[0] is not None and marks[-1] is not None
        standing = starts_here and float(speed[0]) < STANDING
        laps.append(
            Lap(
                number=number + 1,
                start="standing" if standing else "flying",
                time_s=marks[-1] - marks[0] if marks[0] is not None and marks[-1] is not None else None,
                sectors_s=sectors,
                note="" if whole else _why(first, at, length, furthest, cut, number == 0 and not on_line),
            )
        )
        number += 1
    return laps


def _ridden(run: Run) -> tuple[NDArray[np.int64], Array, Array, Array, str] | None:
    """Ticks, times, true stations and speeds of the ride up to its end or fall, and which it was."""
    names = ("bench.state", "line.station_m", "truth.speed_m_s", "truth.fallen")
    if any(name not in run.signals for name in names):
        return None
    state, station, speed, fallen = (run.signals[name] for name in names)
    running = np.flatnonzero(state == RUNNING)
    if not running.size:
        return None
    # The row after the last running one may be the one that reached the mark.
    rows = np.arange(running[0], min(running[-1] + 2, len(run.tick)))
    cut = "the ride ended"
    down = np.flatnonzero(fallen[rows] > 0)  # of a log nobody may know it for a while
    if down.size:
        rows, cut = rows[: down[0]], "the bike fell"
    # A station that is no number leaves a gap, across which nothing is timed.
    rows = rows[np.isfinite(station[rows])]
    if not rows.size:
        return None
    return run.tick[rows], run.time_s[rows], station[rows], speed[rows], cut


def _start(run: Run, time_s: Array, speed: Array) -> float:
    """When a ride that begins on the line starts [s]: of a log when it rolls off, however long it stood."""
    if run.manifest.get("stage") != "track":
        return float(time_s[0])
    stood = np.flatnonzero(speed[: int(np.argmax(speed >= STANDING))] < _STILL)
    return float(time_s[stood[-1] if len(stood) else 0])


def _passage(tick: NDArray[np.int64], time_s: Array, station: Array, mark: float) -> float | None:
    """When the station first reached the mark [s]; None if never, if it started past it, or across a gap."""
    reached = station >= mark
    i = int(np.argmax(reached))
    if not reached[i] or i == 0:
        return None
    if tick[i] - tick[i - 1] > _usual_step(tick):
        return None
    part = (mark - station[i - 1]) / (station[i] - station[i - 1])
    return float(time_s[i - 1] + part * (time_s[i] - time_s[i - 1]))


def _usual_step(tick: NDArray[np.int64]) -> int:
    return int(np.diff(tick).min()) if len(tick) > 1 else 0


def _why(first: float, at: float, length: float, furthest: float, cut: str, elsewhere: bool) -> str:
    if elsewhere:
        return f"not whole: started at station {first - at:.0f} m"
    if furthest < at + length:
        return f"not whole: {cut} at station {furthest - at:.0f} m"
    return "not timed: the record has a gap where the line was passed"
