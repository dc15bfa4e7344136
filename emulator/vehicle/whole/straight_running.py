"""Straight on, upright, on a level road: coasting, what the engine gives at the wheel, top speed.

Every motion is a quasi-steady one of the plant itself (:mod:`emulator.vehicle.quasi_steady`): deflected and
slipping tyres, rolling resistance, air with its lift, the wheels' spin. No wind.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.vehicle.driveline import TOP_GEAR, clutch_capacity, engine_torque, overall_ratio
from emulator.vehicle.equilibrium import NoEquilibrium
from emulator.vehicle.quasi_steady import (
    ACCELERATION,
    FRONT_BRAKE,
    N_UNKNOWNS,
    REAR_RATE,
    REAR_TORQUE,
    ROLL,
    Machine,
    solve,
    start,
)

FASTEST = 150.0
"""[m/s] up to which a top speed is looked for."""

_DRY = 1.0  # [1] grip of the road
_LADDER = 2.0  # [m/s] between the speeds that a top speed is looked for at
_SLOWEST = 3.0  # [m/s]
_FINEST = 1e-6  # [m/s] to which a speed is found


class Rolling(NamedTuple):
    """A motion straight on: acceleration [m/s^2], rear wheel's torque [N m] and rate [rad/s]."""

    acceleration: float
    torque: float
    rate: float


class TopSpeed(NamedTuple):
    """The fastest that full throttle holds.

    speed   [m/s]
    gear    the one it is reached in
    engine  [rad/s] crankshaft there
    """

    speed: float
    gear: int
    engine: float


class Peak(NamedTuple):
    """A greatest value and the crankshaft's speed [rad/s] it comes at."""

    value: float
    engine: float


def _rolling(c: Machine, speed: float, what: int) -> Rolling:
    kinds, n = np.array([ROLL, FRONT_BRAKE, what]), np.empty(N_UNKNOWNS)
    start(c, speed, n)
    if not solve(c, speed, _DRY, 0.0, True, kinds, np.zeros(3), n):
        raise NoEquilibrium(f"no straight running at {speed:.2f} m/s")
    return Rolling(float(n[ACCELERATION]), float(n[REAR_TORQUE]), float(n[REAR_RATE]))


def coasting(c: Machine, speed: float) -> Rolling:
    """In neutral at ``speed`` [m/s]. Raises NoEquilibrium."""
    return _rolling(c, speed, REAR_TORQUE)


def held(c: Machine, speed: float) -> Rolling:
    """Driven so that ``speed`` [m/s] stays. Raises NoEquilibrium: the front wheel lifts, a tyre slips."""
    return _rolling(c, speed, ACCELERATION)


def coast_down_time(c: Machine, fast: float, slow: float) -> float:
    """Time [s] to coast in neutral from one speed [m/s] to a lower one. Raises NoEquilibrium."""

    from scipy.integrate import quad

    time, _ = quad(lambda v: -1.0 / coasting(c, v).acceleration, slow, fast, epsrel=1e-6)
    return float(time)


def wheel_torque(c: Machine, gear: int, rate: float) -> float:
    """Rear wheel's torque [N m] at full throttle, its rate [rad/s] held; the clutch slips where it must."""
    body = c.body[0]
    ratio = overall_ratio(body, gear)
    at_input = engine_torque(body, rate * ratio, 1.0, 0.0) * float(body["gearbox_primary"])
    return min(at_input, clutch_capacity(body, 0.0)) * ratio / float(body["gearbox_primary"])


def peak_power(c: Machine) -> Peak:
    """Greatest power at the rear wheel [W], full throttle: the chain loses nothing in this model."""
    return _peak(c, 1, True)


def peak_torque(c: Machine) -> Peak:
    """Greatest torque at the rear wheel [N m], in first gear at full throttle."""
    return _peak(c, 1, False)


def _peak(c: Machine, gear: int, power: bool) -> Peak:
    ratio, limiter = overall_ratio(c.body[0], gear), float(c.body[0]["engine_limiter_speed"])
    engine = np.linspace(float(c.body[0]["engine_idle_speed"]), limiter, 2000)
    values = [wheel_torque(c, gear, w / ratio) * (w / ratio if power else 1.0) for w in engine]
    best = int(np.argmax(values))
    return Peak(float(values[best]), float(engine[best]))


def top_speed(c: Machine) -> TopSpeed:
    """The fastest that full throttle holds in any gear.

    Raises NoEquilibrium where not even the slowest speed is held, or the fastest looked at still is.
    """

    from scipy.optimize import brentq

    speeds, needs = _speeds_held(c)
    best: TopSpeed | None = None
    for gear in range(1, TOP_GEAR + 1):
        left = [wheel_torque(c, gear, need.rate) - need.torque for need in needs]
        fits = [i for i, value in enumerate(left) if value >= 0.0]
        if not fits:
            continue
        i = fits[-1]
        if i == len(speeds) - 1:
            raise NoEquilibrium(f"full throttle in gear {gear} still drives faster at {speeds[-1]:.0f} m/s")
        speed = float(brentq(lambda v, g=gear: _surplus(c, g, v), speeds[i], speeds[i + 1], xtol=_FINEST))
        if best is None or speed > best.speed:
            best = TopSpeed(speed, gear, held(c, speed).rate * overall_ratio(c.body[0], gear))
    if best is None:
        raise NoEquilibrium("full throttle holds no speed")
    return best


def _speeds_held(c: Machine) -> tuple[NDArray[np.float64], list[Rolling]]:
    speeds, needs = [], []
    for speed in np.arange(_SLOWEST, FASTEST, _LADDER):
        try:
            needs.append(held(c, float(speed)))
        except NoEquilibrium:
            break
        speeds.append(float(speed))
    return np.array(speeds), needs


def _surplus(c: Machine, gear: int, speed: float) -> float:
    need = held(c, speed)
    return wheel_torque(c, gear, need.rate) - need.torque


def limiter_speed(c: Machine, gear: int) -> float:
    """Speed [m/s] at which the limiter has taken the drive away, the wheel rolling without slip.

    Raises NoEquilibrium.
    """
    rate = float(c.body[0]["engine_limiter_speed"]) / overall_ratio(c.body[0], gear)
    speed = rate * float(c.tyre[0]["radius"])
    for _ in range(5):  # the rolling radius hardly depends on the speed
        speed *= rate / coasting(c, speed).rate
    if not math.isfinite(speed):
        raise NoEquilibrium(f"no straight running at the limiter in gear {gear}")
    return speed
