"""The criterion about a stop: on how short a way the bike slows down."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from emulator.config.field_types import Name
from emulator.config.validation import wrong
from emulator.criteria.base import BAR, KM_H, Finding, NotMet
from emulator.criteria.ride import JudgedRide, NotJudged, Rows
from emulator.criteria.windows import Window


class StopDistance(Window):
    """The bike slows down on a short way."""

    panel = "truth.speed_m_s"

    kind: Literal["stop_distance"]
    limit_m: float = Field(gt=0, le=10_000)
    """Longest way until it is no faster than ``to_km_h``."""
    to_km_h: float = Field(default=5.0, ge=0, le=300)
    """Speed at which the way ends."""
    after: Name | None = None
    """Event at whose beginning the way begins. Left out: where the robot first brakes in the window."""
    brake_bar: float = Field(default=1.0, gt=0, le=200)
    """Brake pressure above which the robot brakes; only without ``after``."""

    @model_validator(mode="after")
    def _one_beginning(self) -> StopDistance:
        if self.after is not None:
            window = set(Window.model_fields) - {"kind", "name"}
            for key in sorted(self.model_fields_set & (window | {"brake_bar"})):
                raise wrong(f"expected no {key} beside after, which says where it begins", key)
        return self

    def find(self, ride: JudgedRide) -> Finding:
        """The way is the integral of the speed over the ground."""
        riding = np.flatnonzero(ride.running())
        start, since = self._beginning(ride)
        ridden = riding[riding >= start]
        along, lateral = (ride.column(f"truth.{name}", ridden) for name in ("speed_m_s", "speed_lateral_m_s"))
        speed = np.hypot(along, lateral)
        to = f"{self.to_km_h:.0f} km/h"
        slow = speed <= self.to_km_h * KM_H
        if slow[0]:
            raise NotJudged(f"the bike was no faster than {to} when {since}")
        way = np.concatenate(([0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1])))) * ride.step_s(ridden)
        if not slow.any():
            raise NotMet(
                f"never got down to {to}: {way[-1]:.1f} m on, the ride ended at {speed[-1] * 3.6:.0f} km/h"
            )
        k = int(np.argmax(slow))
        row, metres = int(ridden[k]), float(way[k])
        return Finding(
            metres <= self.limit_m,
            self.limit_m - metres,
            row,
            f"from {speed[0] * 3.6:.0f} to {to} in {metres:.2f} m from where {since} "
            f"(limit {self.limit_m:.2f} m), {ride.instant(row)}",
            rows=(start, row),
        )

    def _beginning(self, ride: JudgedRide) -> tuple[int, str]:
        """Row it is counted from, and in words."""
        if self.after is not None:
            return ride.occurrence_of(self.after).start, f"{self.after!r} began"
        rows = self.rows(ride)
        brakes = np.flatnonzero(braking(ride, rows, self.brake_bar * BAR))
        if not len(brakes):
            raise NotJudged(f"the robot never braked with {self.brake_bar:g} bar in its window")
        return int(np.flatnonzero(rows)[brakes[0]]), "the robot braked"


def braking(ride: JudgedRide, rows: Rows | NDArray[np.int64], least_Pa: float) -> Rows:
    """Of some rows, those in which the robot asks either brake for more pressure than that."""
    front, rear = (ride.column(f"robot.{end}_brake_Pa", rows) for end in ("front", "rear"))
    return np.asarray(np.maximum(front, rear) > least_Pa)
