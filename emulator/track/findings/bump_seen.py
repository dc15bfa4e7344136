"""A bump under the front wheel near an instant, as fork travel and forces show it."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from emulator.core.constants import GRAVITY
from emulator.record.reader import Run
from emulator.track.findings.seen import on_grid
from emulator.track.road_seen.bumps import Bump, Pass, bumps_of
from emulator.track.road_seen.road_profile import ENDS_s, Front, STEP_s, road_under_front

_REACH_s, _LEAST_s = 4.0, 2.5
_NEAR_s = 0.3
_IN_THE_AIR = 0.15  # of the load it stands with


def bump_near(run: Run, at_s: float, values: Mapping[str, Mapping[str, float]]) -> Bump | None:
    """The bump that the front wheel met in the 0.3 s before an instant; None: none is told.

    Its station counts from where the rear contact is at that instant. A leaned bike's springs move along
    its own vertical axis, so that what they see is the road's height times the cosine of the lean.

    values  of the vehicle file of the bike
    """
    unit_x = _unit_x(run)
    first, last = max(float(run.time_s[0]), at_s - _REACH_s), min(float(run.time_s[-1]), at_s + _REACH_s)
    if unit_x is None or at_s - first < _LEAST_s or last - at_s < ENDS_s:
        return None
    time_s = np.arange(first, last, STEP_s)
    of = on_grid(run, time_s)
    travel = of("output.fork_travel_m", "truth.fork_travel_m")
    force_z, pitch_rate = of("output.force_z_m_s2"), of("truth.pitch_rate_rad_s", "output.rate_y_rad_s")
    lean, speed = of("truth.roll_rad"), of("truth.speed_m_s")
    if not np.isfinite(travel + force_z + pitch_rate + lean + speed).all():
        return None
    cos = np.maximum(np.cos(lean), 0.5)
    front = Front.of(values)
    height, load = road_under_front(travel, force_z - GRAVITY * (1.0 / cos - 1.0), pitch_rate, unit_x, front)
    along = np.cumsum(speed) * STEP_s
    along -= along[int(np.argmin(np.abs(time_s - at_s)))]
    told = np.abs(time_s - 0.5 * (first + last)) < 0.5 * (last - first) - ENDS_s
    ridden = Pass(along, along + front.axle_x, height / cos, told, load < _IN_THE_AIR * front.load)
    way = _NEAR_s * float(np.interp(at_s, time_s, speed))
    near = [b for b in bumps_of(ridden) if -way < b.at_m - front.axle_x < 0.2 * way]
    return max(near, key=lambda b: abs(b.height_m), default=None)


def _unit_x(run: Run) -> float | None:
    """Where the inertial unit sits, forward of the rear contact [m]; None: nobody tells."""
    track = run.manifest.get("track")
    unit = track.get("inertial_unit") if isinstance(track, Mapping) else None
    position = unit.get("position_m") if isinstance(unit, Mapping) else None
    return float(position[0]) if position else None
