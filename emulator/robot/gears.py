"""When the reference robot changes gear, and so how fast the engine turns at a speed."""

from __future__ import annotations

from emulator.vehicle.driveline import lowest_gear, overall_ratio
from emulator.vehicle.equilibrium import Steady
from emulator.vehicle.params import Vehicle
from emulator.vehicle.state import ENGINE

UP, DOWN = 0.78, 0.31
"""Engine speeds to change gear at, over the limiter's; a rider's habit, invented."""


def engine_speed(vehicle: Vehicle, speed: float) -> float:
    """Crankshaft [rad/s] once it has come to ``speed`` [m/s] from below: in the lowest gear it keeps."""
    body = vehicle.body[0]
    wheel = speed / float(vehicle.tyre[0]["radius"])
    gear = lowest_gear(body, wheel, UP * float(body["engine_limiter_speed"]))
    return wheel * overall_ratio(body, gear)


def with_engine_turning(vehicle: Vehicle, steady: Steady, speed: float) -> Steady:
    """The steady motion with the crankshaft turning as it does at ``speed`` [m/s].

    Its angular momentum couples roll and yaw: a sixth of the wheels' own at 120 km/h. It is no part of the
    steady state's balance, which leaned it would move a little.
    """
    x = steady.x.copy()
    x[ENGINE] = engine_speed(vehicle, speed)
    return steady._replace(x=x)
