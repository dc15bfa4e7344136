"""The criterion about the entry into a corner: from the throttle closing to the lean."""

from __future__ import annotations

from typing import Annotated, Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from emulator.criteria.base import BAR, Finding
from emulator.criteria.laps import LimitTime
from emulator.criteria.ride import JudgedRide, NotJudged, Values
from emulator.criteria.stop_distance import braking
from emulator.criteria.windows import Window

Share: TypeAlias = Annotated[float, Field(gt=0, le=1)]

_BLIP_S = 0.3
"""[s] A throttle that opens for less is a blip for a downshift (common practice, no source)."""
_LEANS_RAD = 0.05
"""[rad] A bend that is taken with less lean is no corner."""
_CLUTCH_PULLED = 0.5


class CornerEntry(Window):
    """In every corner the robot is quick from closing the throttle to leaning.

    The time it needs for throttle off, brake, clutch, downshift and lean, less the time it brakes: how long
    that is follows from the speed the corner asks for. A corner that is entered without closing the throttle
    is left out.
    """

    kind: Literal["corner_entry"]
    limit_s: LimitTime = 0.6
    """Longest time from the throttle closing to the lean; the default is common practice, no source."""
    lean_share: Share = 0.5
    """[1] Share of the corner's most lean at which the time ends."""
    corner_radius_m: float = Field(default=200.0, gt=0, le=5000)
    """A corner is where the line's radius is at most this."""
    throttle_closed: float = Field(default=0.05, ge=0, lt=1)
    """[1] Throttle up to which it counts as closed; 1 is fully open."""
    brake_bar: float = Field(default=1.0, gt=0, le=200)
    """Brake pressure above which the robot brakes."""
    braking_counts: bool = False
    """Whether the time it brakes counts as well."""

    def find(self, ride: JudgedRide) -> Finding:
        """The slowest entry of all corners."""
        rows = np.flatnonzero(ride.running())
        inside = self.rows(ride)[rows]
        blip = round(_BLIP_S / ride.step_s(rows))
        roll = ride.column("truth.roll_rad", rows)
        closing = _closings(ride.column("robot.throttle", rows), self.throttle_closed, blip)
        brakes = braking(ride, rows, self.brake_bar * BAR)
        entries: list[tuple[float, int, int]] = []  # how long it took, throttle closed, lean reached
        for before, first, end, lean_side in _corners(ride, rows, 1.0 / self.corner_radius_m):
            most = float((lean_side * roll[first:end]).max())
            if most < _LEANS_RAD or not inside[first]:
                continue
            leaned = before + int(np.argmax(lean_side * roll[before:end] >= self.lean_share * most))
            last = int(np.searchsorted(closing, leaned, side="right")) - 1
            if last >= 0 and closing[last] > before:
                closed = int(closing[last])
                braked = 0 if self.braking_counts else int(np.count_nonzero(brakes[closed:leaned]))
                took_s = ride.between_s(int(rows[closed]), int(rows[leaned])) - braked * ride.step_s(rows)
                entries.append((took_s, closed, leaned))
        if not entries:
            raise NotJudged("no corner in its window was entered by closing the throttle")
        took_s, closed_at, leaned_at = max(entries, key=lambda entry: entry[0])
        row = int(rows[leaned_at])
        left_out_s = ride.between_s(int(rows[closed_at]), row) - took_s
        without = f", {left_out_s:.3f} s of braking left out" if left_out_s > 0.0 else ""
        side = "right" if roll[leaned_at] > 0.0 else "left"
        passed = took_s <= self.limit_s
        steps = _steps(ride, rows[closed_at : leaned_at + 1], self.brake_bar * BAR)
        of = "the corner" if len(entries) == 1 else f"the slowest of {len(entries)} corners"
        return Finding(
            passed,
            self.limit_s - took_s,
            row,
            f"{of}, to the {side}: {took_s:.3f} s from throttle closed to {self.lean_share:.0%} of its "
            f"lean{without} (limit {self.limit_s:.3f} s; {steps}), "
            f"{ride.instant(row)}",
            rows=(int(rows[closed_at]), row),
        )


def _closings(throttle: Values, closed: float, blip: int) -> NDArray[np.int64]:
    """Samples at which the throttle is first closed again after having been open for longer than a blip."""
    is_open = np.concatenate(([False], throttle > closed, [False]))
    edges = np.flatnonzero(is_open[1:] != is_open[:-1])
    opened, shut = edges[::2], edges[1::2]
    return np.asarray(shut[shut - opened >= blip])


def _corners(
    ride: JudgedRide, rows: NDArray[np.int64], least_1_m: float
) -> list[tuple[int, int, int, float]]:
    """Corners: end of the one before, first sample, end, and the sign of the roll into it."""
    curvature = ride.column("line.curvature_1_m", rows)
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


def _steps(ride: JudgedRide, rows: NDArray[np.int64], brake_Pa: float) -> str:
    """When brake, clutch and downshift came, in seconds after the first row."""
    gear = ride.column("robot.gear_request", rows)
    steps = {
        "brake": braking(ride, rows, brake_Pa),
        "clutch": ride.column("robot.clutch", rows) > _CLUTCH_PULLED,
        "downshift": np.diff(gear, prepend=gear[:1]) < 0.0,
    }
    return ", ".join(
        f"{name} after {ride.between_s(int(rows[0]), int(rows[np.argmax(done)])):.2f} s"
        if done.any()
        else f"no {name}"
        for name, done in steps.items()
    )
