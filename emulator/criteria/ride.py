"""A recorded ride as criteria look at it: sound columns, the rows that ride, when events happened."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from numpy.typing import NDArray

from emulator.core.signals import RUNNING, TICK_NS
from emulator.record.occurrence import Occurrence, occurrence

if TYPE_CHECKING:  # checking a scenario needs no reader of records
    from emulator.record.reader import Run

Rows: TypeAlias = NDArray[np.bool_]
Values: TypeAlias = NDArray[np.float64]

TICKS_A_SECOND = 1_000_000_000 // TICK_NS


class NotJudged(Exception):
    """Why a criterion can't be judged; its text says why."""


@dataclass(frozen=True)
class JudgedRide:
    """The record of a ride, and what it does not hold itself.

    Rows are those of the record, one a tick unless it was thinned: a mask (n,) or indices.

    sector_ends_m  [m]  stations at which a lap's sectors end, the last one its length; none: it has no laps
    """

    run: Run
    sector_ends_m: tuple[float, ...] = ()

    def column(self, name: str, rows: Rows | NDArray[np.int64]) -> Values:
        """Values of a signal in some rows. Raises NotJudged where one is missing or no number."""
        values = self.run.signals.get(name)
        if values is None:
            raise NotJudged(f"the record has no {name}")
        part = values[rows]
        bad = ~np.isfinite(part)
        if bad.any():
            time_s = self.run.time_s[rows][int(np.argmax(bad))]
            raise NotJudged(f"{name} is not a number {time_s:.1f} s into the ride")
        return part

    def whole_column(self, name: str, rows: Rows) -> Values:
        """(n,) a whole signal that is sound in some rows. Raises NotJudged as ``column`` does."""
        self.column(name, rows)
        return self.run.signals[name]

    def running(self) -> Rows:
        """(n,) rows in which the bench was running and the bike not down; the tick that sees the fall counts.

        Raises NotJudged: there are none, or some are missing.
        """
        run = self.run
        state = run.signals.get("bench.state")
        if state is None:
            raise NotJudged("the record has no bench.state")
        if not np.isfinite(state).all():
            raise NotJudged("bench.state is not a number throughout")
        rows: Rows = state == RUNNING
        down = rows & (run.signals.get("truth.fallen", np.zeros(len(state))) > 0.0)
        if down.any():
            rows[int(np.argmax(down)) + 1 :] = False  # what lies is not ridden
        if not rows.any():
            raise NotJudged("the ride never started")
        steps = np.diff(run.tick[rows])
        if len(steps) and steps.max() != steps.min():
            row = int(np.argmax(steps > steps.min()))
            raise NotJudged(f"samples are missing {run.time_s[rows][row]:.1f} s into the ride")
        return rows

    def step_s(self, rows: Rows | NDArray[np.int64]) -> float:
        """Time between two samples [s]; the record of a ride is even, it may be thinned."""
        ticks = self.run.tick[rows][:2]
        return float(ticks[1] - ticks[0] if len(ticks) > 1 else 1) / TICKS_A_SECOND

    def between_s(self, first: int, row: int) -> float:
        """Time from one row to another [s]; of whole ticks, so that limits are met to the last digit."""
        return float(self.run.tick[row] - self.run.tick[first]) / TICKS_A_SECOND

    def occurrence_of(self, name: str) -> Occurrence:
        """Rows of an event. Raises NotJudged if it did not happen by the end of the ride."""
        found = occurrence(self.run, name)
        if found is None:
            raise NotJudged(f"event {name!r} never happened")
        if not self.running()[found.start :].any():
            raise NotJudged(f"event {name!r} came after the ride")
        return found

    def time_s(self, row: int) -> float:
        """Scenario time of a row [s]."""
        return float(self.run.time_s[row])

    def station_m(self, row: int) -> float:
        """Station of a row [m], counted on over laps. Raises NotJudged where the record does not know it."""
        return float(self.column("line.station_m", np.array([row]))[0])

    def instant(self, row: int) -> str:
        """A row for people: when and where. Raises NotJudged as ``station_m`` does."""
        return f"{self.time_s(row):.1f} s into the ride at station {self.station_m(row):.0f} m"
