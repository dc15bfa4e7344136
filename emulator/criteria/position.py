"""The criterion about the robot's own position estimate.

A percentile is the smallest value that so many are not above (nearest rank).
"""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from emulator.criteria.base import POSITION_PANEL, Finding
from emulator.criteria.ride import JudgedRide, NotJudged, Rows
from emulator.criteria.windows import Window
from emulator.record.localisation import position_errors

SILENCE_S = 0.5
"""A robot that says nothing new about its place for longer is not known to know it (no source)."""


class PositionErrorCriterion(Window):
    """The robot knows where it is."""

    former_kinds = ("place_error",)
    panel = POSITION_PANEL
    panel_bounds = "both"

    kind: Literal["position_error"]
    limit_m: float = Field(default=0.025, gt=0, le=1000)
    """Most error of its estimate of position; the default is common practice, no source."""
    of: Literal["rms", "p95", "max"] = "rms"
    """Which error counts: root mean square, 95th percentile or maximum."""

    @property
    def of_position(self) -> bool:
        """It does."""
        return True

    def find(self, ride: JudgedRide) -> Finding:
        """Its estimates are compared as emulator.record.localisation says."""
        rows = self.rows(ride)
        for name in ("robot.estimate_x_m", "robot.estimate_y_m"):
            ride.column(name, rows)
        errors = position_errors(ride.run)
        if errors is None or not rows[errors.rows].any():
            raise NotJudged("the robot said nothing new about its place")
        told = np.flatnonzero(rows[errors.rows])
        arrived = errors.rows[told]
        silence_s, since = _longest_silence(ride, rows, arrived)
        if silence_s > SILENCE_S:
            raise NotJudged(
                f"the robot said nothing new about its place for {silence_s:.1f} s, {ride.instant(since)}"
            )
        size = np.hypot(errors.along_m[told], errors.across_m[told])
        if not np.isfinite(size).all():
            raise NotJudged("the true place is not a number throughout")
        order = np.argsort(size, kind="stable")
        worst = int(order[-1])
        if self.of == "rms":
            found, words = math.sqrt(float(np.mean(size * size))), "rms"
        elif self.of == "p95":
            worst = int(order[math.ceil(0.95 * len(size)) - 1])
            found, words = float(size[worst]), "in 95 % of its estimates"
        else:
            found, words = float(size[worst]), "at most"
        row = int(arrived[worst])
        passed = found <= self.limit_m
        sentence = (
            f"{'knew' if passed else 'did not know'} its place: {found * 100:.1f} cm off {words} "
            f"(limit {self.limit_m * 100:.1f} cm); {size[worst] * 100:.1f} cm {ride.instant(row)}"
        )
        seen = np.flatnonzero(rows)
        return Finding(passed, self.limit_m - found, row, sentence, rows=(int(seen[0]), int(seen[-1])))


def _longest_silence(ride: JudgedRide, rows: Rows, arrived: NDArray[np.int64]) -> tuple[float, int]:
    """Longest time [s] without a new estimate within one stretch of rows that rides, and the row it ended.

    A bike that stands gives no reason for a new one.
    """
    moving = rows & (ride.whole_column("truth.speed_m_s", rows) > 1.0)
    at = np.arange(len(rows))
    # since the latest of: an arrival, an instant that does not count
    updated = ~moving
    updated[arrived] = True
    quiet = at - np.maximum.accumulate(np.where(updated, at, 0))
    row = int(np.argmax(quiet))
    return ride.between_s(row - int(quiet[row]), row), row
