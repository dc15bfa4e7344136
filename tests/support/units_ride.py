"""The demo bench on a straight, thrown in at speed: what the bike's electronics make of a robot's levers."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.assembly.session import Session, load_session
from emulator.config.scenario.events import Happening
from emulator.config.vehicle.electronics import Electronics
from emulator.core.signals import INDEX, RUNNING
from emulator.vehicle.driveline import overall_ratio
from emulator.vehicle.equilibrium import AIR_DENSITY, steady_motion
from emulator.vehicle.limit_motion import upright_limits
from emulator.vehicle.quasi_steady import machine
from emulator.vehicle.state import ENGINE, JOINT_RATE, POSITION, QUATERNION, REAR_WHEEL
from tests.support.scripted_robot import SCENARIOS, Commands, Ride, variant

RIG = SCENARIOS / "rigs" / "own_units.yaml"
STRAIGHT = SCENARIOS / "runs" / "braking.yaml"
_NEUTRAL = 300.0  # [rad/s] of an engine that nothing couples to the wheel

Array = NDArray[np.float64]


def commands(drive: Mapping[str, float], gear: float = 1.0) -> Commands:
    """What a robot asks: nothing but what is named of its frame ``drive``; the clutch pulled unless said."""
    at_rest = {"throttle": 0.0, "clutch": 1.0, "front_brake_Pa": 0.0, "rear_brake_Pa": 0.0}
    return {
        "steering": {"steering_torque_Nm": 0.0, "steering_angle_rad": 0.0},
        "drive": {**at_rest, **drive},
        "gear": {"gear_request": gear},
    }


@cache
def _loaded(grip: float, seed: int) -> Session:
    return load_session(RIG, STRAIGHT, parameters={"grip": grip, "deceleration": 1.0}, seed=seed)


def bench(grip: float = 1.0, *events: Happening, seed: int = 1, **units: str) -> Session:
    """The bench of own_units with these electronics alone, on a straight of this grip."""
    session = _loaded(grip, seed)
    return variant(
        session,
        rig={"electronics": Electronics.model_validate(units)},
        scenario={"events": events},
    )


class Ridden(NamedTuple):
    """Recorded rows (n, signals), 1 ms apart, from the instant of being thrown in."""

    rows: Array

    def __getitem__(self, signal: str) -> Array:
        return self.rows[:, INDEX[signal]]

    def between(self, fast: float, slow: float) -> tuple[int, int]:
        """Rows at which it is no faster than each speed [m/s]."""
        v = self["truth.speed_m_s"]
        assert v.min() < slow, f"still at {v.min():.1f} m/s"
        return int(np.argmax(v < fast)), int(np.argmax(v < slow))

    def way(self, fast: float, slow: float) -> float:
        """[m] from one speed to a lower one."""
        first, last = self.between(fast, slow)
        return float(self["truth.x_m"][last] - self["truth.x_m"][first]) if last > first else np.inf


def ride(
    session: Session,
    speed: float,
    seconds: float,
    asked: Callable[[int, Ride], Mapping[str, float]],
    *,
    gear: int = 0,
    request: Callable[[int], float] | None = None,
    until: float = 0.0,
) -> Ridden:
    """Throw a bike that runs straight on at ``speed`` [m/s] onto the line.

    asked    of each tick: values of the robot's frame drive
    request  gear it asks for in each tick; None: the one that is engaged
    until    [m/s] below which it is over
    Upright by symmetry: nobody steers.
    """
    r = Ride(session)
    r.every = 2
    r.commands = commands({}, gear)
    r.start()
    x = steady_motion(session.vehicle, speed).x
    p = r.plant
    place = p.x.copy()
    p.x[:] = x
    p.x[POSITION : POSITION + 2] = place[POSITION : POSITION + 2]
    pitched = slice(QUATERNION, QUATERNION + 4)
    p.x[pitched] = _turned(place[pitched], x[pitched])
    p.x[ENGINE] = _NEUTRAL
    p.run[0]["support"], p.run[0]["gear"] = 0, gear
    if gear:
        p.x[ENGINE] = p.x[JOINT_RATE + REAR_WHEEL] * overall_ratio(p.body[0], gear)
    p.last_valid_state[:] = p.x
    r.keep_rows = True
    for tick in range(round(seconds * 1e3)):
        r.commands = commands(asked(tick, r), gear if request is None else request(tick))
        r.step()
        if r["truth.speed_m_s"] < until or r["bench.state"] != RUNNING:
            break
    return Ridden(np.array(r.rows))


def _turned(heading: Array, pitched: Array) -> Array:
    """Quaternion of ``pitched`` (about y alone) turned to the heading of ``heading`` (about z alone)."""
    w1, _, _, z1 = heading / np.hypot(heading[0], heading[3])
    w2, _, y2, _ = pitched
    return np.array([w1 * w2, -z1 * y2, w1 * y2, z1 * w2])


@cache
def driving(grip: float, speed: float) -> float:
    """[m/s^2] greatest acceleration in the same way, engine or not."""
    vehicle = _loaded(1.0, 1).vehicle
    found = upright_limits(machine(vehicle.body, vehicle.tyre, AIR_DENSITY), speed, grip)
    assert found is not None
    return found.driving


@cache
def hardest(grip: float, speed: float) -> float:
    """[m/s^2] greatest deceleration of the demo bench's bike straight on: of an oracle that knows the grip.

    Quasi-steady, both brakes shared as suits best, no lever too weak (emulator.vehicle.limit_motion).
    """
    vehicle = _loaded(1.0, 1).vehicle
    found = upright_limits(machine(vehicle.body, vehicle.tyre, AIR_DENSITY), speed, grip)
    assert found is not None
    return -found.braking


def oracle_way(grip: float, fast: float, slow: float) -> float:
    """[m] that the oracle takes from one speed [m/s] to a lower one."""
    speeds = np.linspace(slow, fast, 9)
    return float(np.trapezoid([v / hardest(grip, round(float(v), 3)) for v in speeds], speeds))
