"""The criterion that a condition in temporal logic holds."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np

from emulator.config.field_types import Name
from emulator.core.signals import INDEX, SIGNALS
from emulator.criteria.base import Bounds, Finding
from emulator.criteria.condition import Condition, with_unit
from emulator.criteria.ride import JudgedRide, NotJudged
from emulator.criteria.temporal import Monitor, signals_of
from emulator.criteria.windows import TimeWindow

_OF_POSITION = ("robot.estimate_", "line.offset_m")


class Holds(TimeWindow):
    """A condition over recorded signals holds while the window lasts."""

    kind: Literal["holds"]
    name: Name
    """What it is called in reports; a condition has no name of its own."""
    that: Condition
    """The condition, seen from the window's first instant on."""

    @property
    def of_position(self) -> bool:
        """If one of its signals is of that kind."""
        return any(name.startswith(_OF_POSITION) for name in self.that.signals())

    def find(self, ride: JudgedRide) -> Finding:
        """The comparison that decides, and where."""
        rows = self.rows(ride)
        formula = self.that.formula()
        names = signals_of(formula)
        missing = [name for name in names if name not in ride.run.signals]
        if missing:
            raise NotJudged(f"the record has no {missing[0]}")
        monitor = Monitor({name: ride.run.signals[name][rows] for name in names}, ride.step_s(rows))
        closest = monitor.closest(formula)
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
                raise NotJudged(f"{c.signal} is not a number {ride.time_s(row):.1f} s into the ride")
            value, limit = with_unit(float(ride.run.signals[c.signal][row]), unit), with_unit(c.limit, unit)
            words = f"{subject} was {value} ({relation} {limit}) {ride.instant(row)}"
        passed = closest.margin >= 0.0
        sides: dict[str, Bounds] = {"at_least": "lower", "at_most": "upper"}
        return Finding(
            passed,
            closest.margin if math.isfinite(closest.margin) else None,
            row,
            f"{'held' if passed else 'did not hold'}; closest: {words}",
            None if c is None else c.signal,
            "" if c is None else "both" if c.size else sides[c.relation],
            (int(seen[0]), int(seen[-1])),
            unit,
            None if c is None else c.limit,
        )
