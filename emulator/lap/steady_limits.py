"""What the plant can do in quasi-steady motion, as a table made once for a vehicle and a grip.

Every entry is an equilibrium of the plant itself (:mod:`emulator.vehicle.limit_motion`): suspension,
deflected crowns, slip and camber of both tyres, chain and brakes on the suspension, the wheels' spin.

The table is made on a flat road. For a road that is banked, sloping or bent upwards it is entered by what the
road has to give per unit of mass (forward x, sideways y, normal n): ``f = (x + air drag) / n`` and ``y/n``
at the speed ``v sqrt(g / n)``. With these three the air, the turn's radius and the gyroscopic moments
are in the same proportion to the loads as on the flat. Left out is that springs and tyres sink more under
more load.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import jit
from emulator.vehicle.driveline import overall_ratio
from emulator.vehicle.equilibrium import AIR_DENSITY, NoEquilibrium, steady_motion
from emulator.vehicle.limit_motion import fill_held, fill_limits, fill_turns
from emulator.vehicle.linearise import linearise, steer_torque_of_roll_rate
from emulator.vehicle.params import Vehicle
from emulator.vehicle.quasi_steady import machine
from emulator.vehicle.whole.mass_properties import total_mass

Array = NDArray[np.float64]

SPEEDS = (7.0, 10.0, 14.0, 19.0, 25.0, 32.0, 40.0, 49.0, 59.0, 70.0, 82.0, 95.0)
"""[m/s] rows; held beyond. Below, a turn at the limit is as tight as the steering stop."""
N_ANGLES = 13
"""Columns, see ``limit_motion``."""
_LEANS = tuple(math.radians(d) for d in (7.5, 15.0, 22.5, 30.0, 37.5, 45.0, 52.5, 60.0))
_PULLS = 5  # from coasting to the hardest driving
_SURE_GRIP = 4.0  # of the road that steady turns are tabulated on: their lean hardly knows the grip
_HELD = np.concatenate([np.arange(1.0, 10.0), np.arange(10.0, 40.0, 2.5), np.arange(40.0, 101.0, 5.0)])
_MOST_MISSING = 0.25  # of the motions


class GripLimits(NamedTuple):
    """What a vehicle can do on one grip; rows are speeds.

    speeds        (v,)    [m/s]
    angles        (k,)    [rad] places between hardest braking and driving, see ``limit_motion``
    ends          (v, 3)  f [1] at the hardest braking, the hardest driving and coasting, upright
    lateral       (v, k)  greatest lateral acceleration over gravity
    leans         (v, k)  [rad] lean there
    torque, spin  (v, p)  [N m], [1/m] rear wheel's torque and rate over speed, upright, evenly spaced in f
                          from coasting to the hardest driving
    tans          (l,)    tangents of leans, from 0
    turns         (v, l)  lateral acceleration over gravity of steady turns at these leans
    held_speeds   (h,)    [m/s]
    held_leans    (h,)    [rad] greatest lean of a steady turn; NaN where the speed can't be held
    stopped       (h,)    1 where the steering stop ends it instead of grip
    """

    speeds: Array
    angles: Array
    ends: Array
    lateral: Array
    leans: Array
    torque: Array
    spin: Array
    tans: Array
    turns: Array
    held_speeds: Array
    held_leans: Array
    stopped: Array


class SteadyLimits(NamedTuple):
    """The same for one or several grips, as it is looked up.

    grips    (g,)       rising
    ends     (g, v, 2)  f at the hardest braking and driving
    ellipse  (g, v, k)  greatest lateral acceleration over gravity and over the sine of the angle
    drive    (v, 2)     f coasting and at the hardest driving, on the greatest grip, for torque and spin
    The rest as in ``GripLimits``.
    """

    speeds: Array
    angles: Array
    grips: Array
    ends: Array
    ellipse: Array
    drive: Array
    torque: Array
    spin: Array
    tans: Array
    turns: Array


def drag_of(vehicle: Vehicle, air_density: float = AIR_DENSITY) -> float:
    """Deceleration by the air over speed squared [1/m]."""
    return 0.5 * air_density * float(vehicle.body[0]["air_drag_area"]) / total_mass(vehicle)


def engine_speeds(vehicle: Vehicle, speeds: Array) -> Array:
    """Speed of the crankshaft [rad/s] that its gyroscopic moment is taken at.

    That of its greatest power, or what first gear makes of the road's speed where that is less.
    """
    body = vehicle.body[0]
    at_best = float(body["torque_speed"][int(np.argmax(body["torque_speed"] * body["torque_value"]))])
    return np.minimum(speeds / float(vehicle.tyre[0]["radius"]) * overall_ratio(body, 1), at_best)


def limits_on(
    vehicle: Vehicle,
    grip: float,
    *,
    lean_limit_rad: float | None = None,
    air_density: float = AIR_DENSITY,
    speeds: Sequence[float] = SPEEDS,
    n_angles: int = N_ANGLES,
) -> GripLimits:
    """Work out what a vehicle can do on one grip: half a second to a second, once it is compiled.

    grip            [1]    friction coefficient of the road, above 0
    lean_limit_rad  [rad]  None takes the angle at which a footpeg touches the road
    speeds          [m/s]  rows, rising
    n_angles               columns
    Raises NoEquilibrium where more than a few motions were not found.
    """
    body = vehicle.body[0]
    v = np.asarray(speeds, np.float64)
    gravity = float(body["gravity"])
    lean = float(body["fall_peg_angle"]) if lean_limit_rad is None else lean_limit_rad
    angles = math.pi * (np.arange(n_angles) + 0.5) / n_angles
    c = machine(vehicle.body, vehicle.tyre, air_density)
    ends, shape = np.empty((v.size, 3)), (v.size, n_angles)
    lateral, leans = np.empty(shape), np.empty(shape)
    torque, spin = np.empty((v.size, _PULLS)), np.empty((v.size, _PULLS))
    missing = fill_limits(
        c, v, engine_speeds(vehicle, v), angles, grip, lean, drag_of(vehicle, air_density), gravity,
        ends, lateral, leans, torque, spin,
    )  # fmt: skip
    if not 0 <= missing <= _MOST_MISSING * lateral.size or np.isnan(torque).any():
        raise NoEquilibrium(f"the limits of this vehicle on a grip of {grip:g} were not found")
    for row in (*lateral, *leans):
        _close_gaps(angles, row)
    turned = np.empty((v.size, len(_LEANS)))
    fill_turns(c, v, engine_speeds(vehicle, v), np.array(_LEANS), _SURE_GRIP, gravity, turned)
    tans = np.tan(_LEANS)
    for row in turned:  # beyond the last lean found in proportion to its tangent
        found = np.flatnonzero(np.isfinite(row))
        if not found.size:
            raise NoEquilibrium("no steady turn of this vehicle was found")
        row[found[-1] :] = row[found[-1]] * tans[found[-1] :] / tans[found[-1]]
    held, held_lateral, stopped = np.empty((3, _HELD.size))
    fill_held(c, _HELD, engine_speeds(vehicle, _HELD), grip, gravity, held, held_lateral, stopped)
    return GripLimits(
        speeds=v,
        angles=angles,
        ends=ends,
        lateral=lateral,
        leans=leans,
        torque=torque,
        spin=spin,
        tans=np.concatenate([[0.0], tans]),
        turns=np.column_stack([np.zeros(v.size), turned]),
        held_speeds=_HELD.copy(),
        held_leans=held,
        stopped=stopped,
    )


def _close_gaps(angles: Array, values: Array) -> None:
    """Put straight lines where nothing was found: next to an end, as a rule, where a wheel hardly presses."""
    found = np.isfinite(values)
    places = np.concatenate([[0.0], angles[found], [math.pi]])
    values[~found] = np.interp(angles[~found], places, np.concatenate([[0.0], values[found], [0.0]]))


def steady_limits(parts: Sequence[tuple[float, GripLimits]]) -> SteadyLimits:
    """One table of what a vehicle can do on each of these grips, rising; between them it is linear."""
    grips, found = [grip for grip, _ in parts], [limits for _, limits in parts]
    last = found[-1]
    return SteadyLimits(
        speeds=last.speeds,
        angles=last.angles,
        grips=np.array(grips, np.float64),
        ends=np.stack([limits.ends[:, :2] for limits in found]),
        ellipse=np.stack([limits.lateral / np.sin(limits.angles) for limits in found]),
        drive=np.ascontiguousarray(last.ends[:, [2, 1]]),
        torque=last.torque,
        spin=last.spin,
        tans=last.tans,
        turns=last.turns,
    )


def blank_limits() -> SteadyLimits:
    """Limits of a bike of friction 1 without air or weight to speak of: the right shapes to compile for."""
    v, angles = np.array(SPEEDS), math.pi * (np.arange(N_ANGLES) + 0.5) / N_ANGLES
    tans = np.concatenate([[0.0], np.tan(_LEANS)])
    torque = np.tile(np.linspace(0.0, 100.0, _PULLS), (v.size, 1))
    return SteadyLimits(
        speeds=v,
        angles=angles,
        grips=np.ones(1),
        ends=np.tile([-1.0, 1.0], (1, v.size, 1)),
        ellipse=np.ones((1, v.size, N_ANGLES)),
        drive=np.tile([0.0, 1.0], (v.size, 1)),
        torque=torque,
        spin=np.full(torque.shape, 3.0),
        tans=tans,
        turns=np.tile(tans, (v.size, 1)),
    )


def roll_rates(vehicle: Vehicle, steer_torque_Nm: float, speeds: Array) -> Array:
    """Roll rate [rad/s] (v,) through upright that a steering torque [N m] gives at each speed [m/s].

    Turning the front wheel's spin takes most of the torque, so the rate falls with speed. Leaning into a turn
    the torque of the turn itself comes on top of it, either way; that is left out. A speed that is not to be
    held (the front wheel lifts in the air's drag) has the rate of the one before in inverse proportion to it.
    Raises NoEquilibrium if not even the first speed is held.
    """
    rates = np.empty(len(speeds))
    steady = None
    for i, v in enumerate(speeds):
        try:
            steady = steady_motion(vehicle, float(v), guess=steady)
        except NoEquilibrium:
            if i == 0:
                raise
            rates[i] = rates[i - 1] * speeds[i - 1] / v
            continue
        rates[i] = steer_torque_Nm / max(abs(steer_torque_of_roll_rate(linearise(vehicle, steady))), 1e-9)
    return rates


@jit
def cell(rising: Array, value: float) -> tuple[int, float]:
    """Cell of a rising grid that holds the value, and its place in it from 0 to 1; held beyond the ends."""
    last = rising.size - 1
    if last == 0 or value <= rising[0]:
        return 0, 0.0
    if not value < rising[last]:
        return last - 1, 1.0
    low, high = 0, last
    while high - low > 1:
        middle = (low + high) // 2
        if rising[middle] <= value:
            low = middle
        else:
            high = middle
    return low, (value - rising[low]) / (rising[high] - rising[low])


@jit
def _mixed(table: Array, i: int, a: float, k: int) -> float:
    """Entry ``k`` between rows ``i`` and ``i + 1`` of a table (v, k)."""
    j = min(i + 1, table.shape[0] - 1)
    return float(table[i, k] + a * (table[j, k] - table[i, k]))


@jit
def entered(t: SteadyLimits, grip: float, speed: float) -> tuple[int, float, int, float, float, float]:
    """Where the table is entered: row and place behind it of the speed and of the grip, least and most f."""
    i, a = cell(t.speeds, speed)
    g, b = cell(t.grips, grip)
    h = min(g + 1, t.grips.size - 1)
    least = _mixed(t.ends[g], i, a, 0) * (1.0 - b) + _mixed(t.ends[h], i, a, 0) * b
    most = _mixed(t.ends[g], i, a, 1) * (1.0 - b) + _mixed(t.ends[h], i, a, 1) * b
    return i, a, g, b, least, most


@jit
def ends_of(t: SteadyLimits, grip: float, speed: float) -> tuple[float, float]:
    """f at the hardest braking and at the hardest driving, upright."""
    _, _, _, _, least, most = entered(t, grip, speed)
    return least, most


@jit
def lateral_at(t: SteadyLimits, at: tuple[int, float, int, float, float, float], f: float) -> float:
    """``lateral_limit`` where the table was ``entered``."""
    i, a, g, b, least, most = at
    if not least <= f <= most:
        return -1.0
    h = min(g + 1, t.grips.size - 1)
    angle = math.acos(min(1.0, max(-1.0, 1.0 - 2.0 * (f - least) / (most - least))))
    k, d = cell(t.angles, angle)
    one = _mixed(t.ellipse[g], i, a, k) * (1.0 - b) + _mixed(t.ellipse[h], i, a, k) * b
    two = _mixed(t.ellipse[g], i, a, k + 1) * (1.0 - b) + _mixed(t.ellipse[h], i, a, k + 1) * b
    return (one + d * (two - one)) * math.sin(angle)


@jit
def lateral_limit(t: SteadyLimits, grip: float, speed: float, f: float) -> float:
    """Greatest lateral acceleration over gravity at a force along ``f``; negative where f can't be had."""
    return float(lateral_at(t, entered(t, grip, speed), f))


@jit
def lean_of(t: SteadyLimits, speed: float, lateral: float) -> float:
    """Lean [rad] of the steady turn of this lateral acceleration over gravity, with its sign.

    Beyond the last lean in proportion to its tangent.
    """
    i, a = cell(t.speeds, speed)
    size = abs(lateral)
    last = t.tans.size - 1
    j = 0
    while j < last - 1 and _mixed(t.turns, i, a, j + 1) < size:
        j += 1
    low, high = _mixed(t.turns, i, a, j), _mixed(t.turns, i, a, j + 1)
    tan = t.tans[j] + (size - low) / (high - low) * (t.tans[j + 1] - t.tans[j])
    return math.copysign(math.atan(tan), lateral)


@jit
def driving(t: SteadyLimits, speed: float) -> tuple[int, float, float, float]:
    """Where the table of torque and spin is entered: row, place behind it, f coasting, f at the hardest."""
    i, a = cell(t.speeds, speed)
    return i, a, _mixed(t.drive, i, a, 0), _mixed(t.drive, i, a, 1)


@jit
def drive_at(t: SteadyLimits, at: tuple[int, float, float, float], f: float) -> tuple[float, float, float]:
    """``drive_of`` where the table was entered by ``driving``."""
    i, a, coasting, hardest = at
    steps = t.torque.shape[1] - 1
    place = (f - coasting) / (hardest - coasting) * steps
    k = min(max(int(place), 0), steps - 1)
    one, two = _mixed(t.torque, i, a, k), _mixed(t.torque, i, a, k + 1)
    torque = one + (place - k) * (two - one)
    slow, fast = _mixed(t.spin, i, a, k), _mixed(t.spin, i, a, k + 1)
    return torque, (two - one) * steps / (hardest - coasting), slow + (place - k) * (fast - slow)


@jit
def drive_of(t: SteadyLimits, speed: float, f: float) -> tuple[float, float, float]:
    """For a force along ``f`` upright: rear wheel's torque [N m], how it grows with f, rate over speed [1/m].

    Beyond the table's ends in a straight line.
    """
    torque, growth, spin = drive_at(t, driving(t, speed), f)
    return torque, growth, spin
