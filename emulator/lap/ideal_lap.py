"""The fastest quasi-steady lap: what grip, power, wheel lift and lean allow along a line, and no more.

At every station the bike is in the steady motion of that instant: no tyre relaxation, no roll or pitch
transients, suspension at its design position, gear changes that take no time, the ideal share of the two
brakes. So it is a bound, not a plan; what a robot is asked to ride is ``speed_profile``.

Road axes: the road's plane is turned by heading (about z), by ``slope`` and by ``bank``. ``slope`` is
positive uphill (the opposite of ISO 8855 pitch, which is positive nose down); ``bank`` is positive by the
right-hand rule about x: right side down, as roll is. Per unit of mass the road gives, forward, left and
along its normal (k curvature, s slope, b bank, a acceleration along the path)::

    x = a + g sin s
    y = k_h cos b + k_v sin b + g cos s sin b         k_h = k (v cos s)^2       (1 - k q sin(lean)) inside
    n = k_v cos b - k_h sin b + g cos s cos b         k_v = v^2 cos s ds/d(station)

Lean (left positive) balances roll about the contact of tyres with crown radius t, mass centre at height h,
q = h - t, spin angular momentum m j v::

    n q sin(lean) = y (t + q cos(lean)) + j k_h cos(lean)

Loads follow from pitch about the rear contact, lateral forces from yaw (b / p of the wheelbase at the front).
Each tyre keeps its own friction ellipse. As the loads are affine in the acceleration and a norm is convex,
what remains of an ellipse is concave: the accelerations that can be had are one interval, whose ends
bisection finds. Its ends are wheel lift where grip is plenty.

Sources: load transfer, crown and gyroscopic lean are the steady turn of V. Cossalter, *Motorcycle Dynamics*
(2006), chapters 3, 4 and 6, from memory; the forward-backward pass is common practice, no source.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import jit
from emulator.road.line import Line, Surface, grip_at
from emulator.vehicle.driveline import engine_torque
from emulator.vehicle.equilibrium import AIR_DENSITY
from emulator.vehicle.params import Vehicle

Array = NDArray[np.float64]

BODIES = ("main_frame", "swingarm", "rear_wheel", "steered_frame", "fork_lower", "front_wheel")
"""Groups of the vehicle's record that have a mass."""
GEARS = 6
_MOST = 100.0  # [m/s^2] where the search for a limit starts: more than any tyre on any road
_HALVINGS = 36  # leaves 100 / 2^36 = 1.5e-9 m/s^2
_SCAN = 2.0  # [m/s] step in which the greatest speed of a station is first looked for
_DEFAULT_SECTORS = 3


class Bike(NamedTuple):
    """A vehicle as the quasi-steady lap needs it; upright at the design position, robot merged in.

    mass               [kg]     bike and robot
    wheelbase          [m]      p
    mass_x, mass_z     [m]      mass centre, forward of the rear contact and above the ground
    crown              [m]      t, the two crowns' radii weighted by their loads
    spin               [m]      j: wheels' moments of inertia over rolling radius, over the mass
    wheels_mass        [kg]     what the front wheel's spin adds to the mass that is accelerated
    wheel_inertia      [kg m2]  rear wheel's spin
    friction           (4,)     rear x, rear y, front x, front y on a road of grip 1
    rolling            (2,)     rolling resistance over load, rear, front
    drag, lift         [kg/m]   force over speed squared
    air_x, air_z       [m]      centre of pressure
    radius, rear_crown [m]      of the rear tyre
    lean_limit         [rad]    against the road's normal
    gravity            [m/s^2]
    wheel_speed        (k,)     [rad/s] rising speeds of the rear wheel
    wheel_torque       (6, k)   [N m]   full-throttle torque at the rear wheel, by gear
    gear_inertia       (6,)     [kg m2] crankshaft's moment of inertia seen at the rear wheel
    """

    mass: float
    wheelbase: float
    mass_x: float
    mass_z: float
    crown: float
    spin: float
    wheels_mass: float
    wheel_inertia: float
    friction: Array
    rolling: Array
    drag: float
    lift: float
    air_x: float
    air_z: float
    radius: float
    rear_crown: float
    lean_limit: float
    gravity: float
    wheel_speed: Array
    wheel_torque: Array
    gear_inertia: Array


class IdealLap(NamedTuple):
    """The fastest lap along a line of n intervals.

    speed  (n+1,) [m/s]  along the path
    time   (n+1,) [s]    since station 0
    """

    speed: Array
    time: Array


def bike_of(
    vehicle: Vehicle, *, lean_limit_rad: float | None = None, air_density: float = AIR_DENSITY
) -> Bike:
    """The quasi-steady bike of a vehicle's record.

    lean_limit_rad  [rad]     None takes the angle at which a footpeg touches the road
    air_density     [kg/m^3]  as the plant has it
    """
    body, rear, front = vehicle.body[0], vehicle.tyre[0], vehicle.tyre[1]
    masses = np.array([float(body[f"{name}_mass"]) for name in BODIES])
    mass = float(masses.sum())
    x = float(masses @ [float(body[f"{name}_x"]) for name in BODIES]) / mass
    z = float(masses @ [float(body[f"{name}_z"]) for name in BODIES]) / mass
    rear_x = float(body["rear_wheel_x"])
    p, b = float(body["front_wheel_x"]) - rear_x, x - rear_x
    r_rear, r_front = float(rear["radius"]), float(front["radius"])
    i_rear, i_front = float(body["rear_wheel_spin_inertia"]), float(body["front_wheel_spin_inertia"])
    speeds, torque, inertia = _gears(vehicle)
    return Bike(
        mass=mass,
        wheelbase=p,
        mass_x=b,
        mass_z=z,
        crown=(float(rear["crown_radius"]) * (p - b) + float(front["crown_radius"]) * b) / p,
        spin=(i_rear / r_rear + i_front / r_front) / mass,
        wheels_mass=i_front / r_front**2,
        wheel_inertia=i_rear,
        friction=np.array(
            [float(tyre[key]) for tyre in (rear, front) for key in ("friction_x", "friction_y")]
        ),
        rolling=np.array([float(rear["rolling_resistance"]), float(front["rolling_resistance"])]),
        drag=0.5 * air_density * float(body["air_drag_area"]),
        lift=0.5 * air_density * float(body["air_lift_area"]),
        air_x=float(body["air_centre_x"]) - rear_x,
        air_z=float(body["air_centre_z"]),
        radius=r_rear,
        rear_crown=float(rear["crown_radius"]),
        lean_limit=float(body["fall_peg_angle"]) if lean_limit_rad is None else lean_limit_rad,
        gravity=float(body["gravity"]),
        wheel_speed=speeds,
        wheel_torque=torque,
        gear_inertia=inertia,
    )


def _gears(vehicle: Vehicle) -> tuple[Array, Array, Array]:
    """Rear wheel speeds (k,), full-throttle torque there by gear (6, k), crankshaft inertia by gear (6,).

    In first gear the clutch may slip: up to the speed it grips at, the engine gives the best it has at any
    speed above, as far as the clutch holds it.
    """
    body = vehicle.body[0]
    chain = float(body["final_drive_rear_radius"]) / float(body["final_drive_front_radius"])
    ratio = np.array(
        [
            float(body["gearbox_primary"]) * float(body[f"gearbox_gear_{n}"]) * chain
            for n in range(1, GEARS + 1)
        ]
    )
    limiter = float(body["engine_limiter_speed"])
    engine = np.linspace(0.0, limiter, 441)
    torque = np.array([engine_torque(body, float(w), 1.0, 0.0) for w in engine])
    slipping = np.minimum(
        np.maximum.accumulate(torque[::-1])[::-1],
        float(body["clutch_capacity"]) * float(body["gearbox_primary"]),
    )
    wheel = np.linspace(0.0, limiter / float(ratio.min()), 1201)
    at = np.empty((GEARS, wheel.size))
    for k in range(GEARS):
        # Beyond the limiter an engine only drags; with the throttle open it is held there: no drive.
        at[k] = ratio[k] * np.interp(wheel * ratio[k], engine, slipping if k == 0 else torque, right=0.0)
    return wheel, at, float(body["engine_inertia"]) * ratio**2


def grip_along(road: Surface, line: Line) -> Array:
    """Friction coefficient of the road [1] at each sample (n+1,) of the line."""
    return np.array([grip_at(road, line, float(s), 0.0) for s in line.station])


@jit
def needs(bike: Bike, at: Array, v: float) -> tuple[float, float, float]:
    """(y, n, lean): what the road has to give per mass [m/s^2], and the lean to the left [rad].

    at (5,): curvature [1/m], bank [rad], slope [rad], slope per station [rad/m], grip [1].
    """
    cb, sb, cs = math.cos(at[1]), math.sin(at[1]), math.cos(at[2])
    q, t = bike.mass_z - bike.crown, bike.crown
    inward = at[0] * (v * cs) ** 2
    upward = v * v * cs * at[3]
    y = n = lean = 0.0
    closer = 1.0  # the mass centre rides a smaller radius than the wheels
    for _ in range(3):
        across = inward * closer
        y = across * cb + upward * sb + bike.gravity * cs * sb
        n = upward * cb - across * sb + bike.gravity * cs * cb
        fall, right = n * q, y * q + bike.spin * across
        reach = math.hypot(fall, right)
        lean = math.atan2(right, fall) + math.asin(min(1.0, max(-1.0, y * t / reach)))
        closer = 1.0 - at[0] * q * math.sin(lean)
    return y, n, lean


@jit
def _loads(bike: Bike, n: float, lean: float, forward: float, a: float, v: float) -> tuple[float, float]:
    """Loads (rear, front) [N]: normal need n, forward need x and path acceleration a, all [m/s^2]."""
    q, c = bike.mass_z - bike.crown, math.cos(lean)
    lift = bike.lift * v * v
    pitch = bike.mass * (forward * (bike.crown + q * c) + bike.spin * a)
    pitch += bike.drag * v * v * bike.air_z * c + lift * bike.air_x
    front = (bike.mass * n * bike.mass_x - pitch) / bike.wheelbase
    return bike.mass * n - lift - front, front


@jit
def _can_drive(bike: Bike, at: Array, y: float, n: float, lean: float, v: float, a: float) -> bool:
    """Whether tyres and wheel lift allow the acceleration with the rear wheel alone driving."""
    forward = a + bike.gravity * math.sin(at[2])
    rear, front = _loads(bike, n, lean, forward, a, v)
    if rear < 0.0 or front < 0.0:
        return False
    share = bike.mass_x / bike.wheelbase
    resist = bike.rolling[1] * front + bike.wheels_mass * a
    drive = bike.mass * forward + bike.drag * v * v + resist
    side = bike.mass * y
    used_rear = math.hypot(drive / bike.friction[0], side * (1.0 - share) / bike.friction[1])
    used_front = math.hypot(resist / bike.friction[2], side * share / bike.friction[3])
    return bool(used_rear <= at[4] * rear and used_front <= at[4] * front)


@jit
def _can_brake(bike: Bike, at: Array, y: float, n: float, lean: float, v: float, a: float) -> bool:
    """Whether tyres and wheel lift allow the (negative) acceleration with both brakes, ideally shared."""
    forward = a + bike.gravity * math.sin(at[2])
    rear, front = _loads(bike, n, lean, forward, a, v)
    if rear < 0.0 or front < 0.0:
        return False
    share = bike.mass_x / bike.wheelbase
    side = bike.mass * y
    left_rear = (at[4] * rear) ** 2 - (side * (1.0 - share) / bike.friction[1]) ** 2
    left_front = (at[4] * front) ** 2 - (side * share / bike.friction[3]) ** 2
    if left_rear < 0.0 or left_front < 0.0:
        return False
    most = bike.friction[0] * math.sqrt(left_rear) + bike.friction[2] * math.sqrt(left_front)
    return bool(-(bike.mass * forward + bike.drag * v * v) <= most)


@jit
def can_hold(bike: Bike, at: Array, v: float) -> bool:
    """Whether the speed can be held: lean, and both tyres at no acceleration."""
    y, n, lean = needs(bike, at, v)
    if n <= 0.0 or abs(lean) > bike.lean_limit:
        return False
    if bike.mass * bike.gravity * math.sin(at[2]) + bike.drag * v * v >= 0.0:
        return _can_drive(bike, at, y, n, lean, v, 0.0)
    return _can_brake(bike, at, y, n, lean, v, 0.0)


@jit
def _engine(bike: Bike, at: Array, n: float, lean: float, v: float) -> float:
    """Acceleration the engine gives in its best gear [m/s^2]; negative where it can't hold the speed."""
    radius = bike.radius - bike.rear_crown * (1.0 - math.cos(lean))
    share = bike.mass_x / bike.wheelbase
    rolling = bike.mass * n * (bike.rolling[0] * (1.0 - share) + bike.rolling[1] * share)
    against = bike.mass * bike.gravity * math.sin(at[2]) + bike.drag * v * v + rolling
    step = bike.wheel_speed[1]
    place = v / radius / step
    last = bike.wheel_speed.size - 1
    k = min(int(place), last - 1)
    part = min(place - k, 1.0)
    best = -math.inf
    for gear in range(bike.gear_inertia.size):
        torque = bike.wheel_torque[gear, k] * (1.0 - part) + bike.wheel_torque[gear, k + 1] * part
        heavy = bike.mass + bike.wheels_mass + (bike.wheel_inertia + bike.gear_inertia[gear]) / radius**2
        # Without torque the gear is not engaged: its crankshaft is no burden.
        best = max(best, (torque / radius - against) / (heavy if torque > 0.0 else bike.mass))
    return best


@jit
def _limit(bike: Bike, at: Array, v: float, forward: bool) -> float:
    """Greatest acceleration, or deceleration, at a speed that can be held there [m/s^2]."""
    y, n, lean = needs(bike, at, v)
    engine = math.inf
    if forward:
        engine = _engine(bike, at, n, lean, v)
        if engine <= 0.0 or _can_drive(bike, at, y, n, lean, v, engine):
            return engine
    low, high = 0.0, min(_MOST, engine)
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        if forward:
            can = _can_drive(bike, at, y, n, lean, v, middle)
        else:
            can = _can_brake(bike, at, y, n, lean, v, -middle)
        if can:
            low = middle
        else:
            high = middle
    return low


@jit
def _greatest_speeds(bike: Bike, at: Array, top: float, cap: Array) -> int:
    """Fill ``cap`` with the greatest speed that can be held; returns where the bike can't stand, or -1."""
    for i in range(cap.size):
        if not can_hold(bike, at[i], 0.0):
            return i
        low, high = 0.0, top
        v = 0.0
        while v < top:
            v = min(v + _SCAN, top)
            if not can_hold(bike, at[i], v):
                high = v
                break
            low = v
        if low < high:
            for _ in range(_HALVINGS):
                middle = 0.5 * (low + high)
                if can_hold(bike, at[i], middle):
                    low = middle
                else:
                    high = middle
        cap[i] = low
    return -1


@jit
def _reach(bike: Bike, here: Array, there: Array, v: float, most: float, ds: float, forward: bool) -> float:
    """Speed reached one step on, at most ``most``, within the limit at both ends of the step."""
    a = _limit(bike, here, v, forward)
    far = min(math.sqrt(max(v * v + 2.0 * ds * a, 0.0)), most)
    need = (far * far - v * v) / (2.0 * ds)
    if need <= 0.0 or need <= _limit(bike, there, far, forward):
        return far
    low, high = 0.0, need
    for _ in range(30):
        middle = 0.5 * (low + high)
        if middle <= _limit(bike, there, math.sqrt(v * v + 2.0 * ds * middle), forward):
            low = middle
        else:
            high = middle
    return math.sqrt(v * v + 2.0 * ds * low)


@jit
def _forwards(bike: Bike, at: Array, ds: Array, most: Array, v: Array, start: int, closed: bool) -> float:
    """Lower ``v`` from sample ``start`` on, once round or to the end, to what drive allows."""
    n = v.size - 1
    changed = 0.0
    for k in range(n if closed else n - start):
        i = (start + k) % n
        far = min(v[i + 1], _reach(bike, at[i], at[i + 1], v[i], most[i + 1], ds[i], True))
        changed = max(changed, v[i + 1] - far)
        v[i + 1] = far
        if closed and i + 1 == n:
            v[0] = min(v[0], v[n])
            v[n] = v[0]
    return changed


@jit
def _backwards(bike: Bike, at: Array, ds: Array, most: Array, v: Array, start: int, closed: bool) -> float:
    """Lower ``v`` before sample ``start``, once round or to the beginning, to what brakes allow."""
    n = v.size - 1
    changed = 0.0
    for k in range(n if closed else start):
        i = (start - 1 - k) % n
        far = min(v[i], _reach(bike, at[i + 1], at[i], v[i + 1], most[i], ds[i], False))
        changed = max(changed, v[i] - far)
        v[i] = far
        if closed and i == 0:
            v[n] = min(v[0], v[n])
            v[0] = v[n]
    return changed


@jit
def _ride(bike: Bike, at: Array, ds: Array, cap: Array, v: Array, closed: bool) -> None:
    """Lower ``v`` (n+1,) from ``cap`` in place until every step can be ridden; closed: v[n] is v[0]."""
    n = v.size - 1
    slowest = 0
    for i in range(n):
        if v[i] < v[slowest]:
            slowest = i
    # From the slowest sample, which the others can't lower, one round does; a hill that the engine can't
    # climb at the speed of the slowest corner takes another.
    for _ in range(4):
        changed = _forwards(bike, at, ds, cap, v, slowest if closed else 0, closed)
        if not closed:
            _backwards(bike, at, ds, cap, v, n, closed)
            break
        start = slowest if slowest > 0 else n
        before = v[slowest]
        _backwards(bike, at, ds, cap, v, start, closed)
        if changed <= 1e-12 or v[slowest] == before:
            break


def ideal_lap(
    line: Line,
    bike: Bike,
    *,
    grip: float | Array = 1.0,
    bank: float | Array | None = None,
    slope: float | Array | None = None,
    top_speed_m_s: float = math.inf,
    initial_speed_m_s: float | None = None,
    flying: IdealLap | None = None,
) -> IdealLap:
    """The fastest quasi-steady lap along the line.

    line               closed: a flying lap, periodic; station is measured in the plan
    grip               [1]    friction coefficient, one number or (n+1,), see ``grip_along``
    bank               [rad]  positive right side down, one number or (n+1,); None takes the line's
    slope              [rad]  positive uphill; None takes the line's. Its difference quotient along the line
                              counts: crests lighten, dips load
    initial_speed_m_s  [m/s]  at station 0, 0 for a standing start; None: flying (an open line starts as fast
                              as the limits allow)
    flying             the flying lap with the same arguments, which a given initial speed would compute again

    The limits hold at both ends of every step, so the time comes out a little long, in proportion to the
    step: 0.06 s of 73.7 s on the demo circuit at steps of 0.5 m. Lean agrees with the whole model's steady
    turns within 0.9 degrees from 10 to 50 m/s and up to 50 degrees (demo racer).
    Raises ValueError where the bike can't even stand (bank or slope beyond grip), where the initial speed
    can't be had, and for arrays of another length.
    """
    n = line.station.size - 1
    shape = (n + 1,)
    banks = np.broadcast_to(np.asarray(line.bank if bank is None else bank, np.float64), shape)
    slopes = np.broadcast_to(np.asarray(line.slope if slope is None else slope, np.float64), shape)
    grips = np.broadcast_to(np.asarray(grip, np.float64), shape)
    ds = line.length / n
    at = np.column_stack([line.curvature, banks, slopes, _rate(slopes, ds, line.closed), grips])
    if not np.isfinite(at).all() or not (grips > 0.0).all():
        raise ValueError("grip, bank, slope: expected finite numbers, grip above 0")
    step = ds / np.cos(0.5 * (slopes[:-1] + slopes[1:]))
    if flying is None:
        top = min(top_speed_m_s, float(bike.wheel_speed[-1]) * bike.radius)
        cap = np.empty(n + 1)
        stuck = int(_greatest_speeds(bike, at, top, cap))
        if stuck >= 0:
            raise ValueError(
                f"at station {stuck * ds:.1f} m the bike can't stand: bank {math.degrees(banks[stuck]):.1f} "
                f"and slope {math.degrees(slopes[stuck]):.1f} degrees at grip {grips[stuck]:g}; "
                "expected less bank and slope, or more grip"
            )
        v = cap.copy()
        _ride(bike, at, step, cap, v, line.closed)
        if not (v > 0.0).all():
            at_m = float(np.argmin(v)) * ds
            raise ValueError(
                f"at station {at_m:.1f} m the engine can't move the bike: less slope, more torque"
            )
        flying = IdealLap(v, _times(v, step))
    if initial_speed_m_s is None:
        return flying
    # The flying lap is the fastest from which all that comes can still be braked for: the bound of any start.
    most = flying.speed
    if not 0.0 <= initial_speed_m_s <= most[0]:
        raise ValueError(
            f"initial_speed_m_s: expected 0 to {most[0]:.3f} m/s, the most from which what comes can be "
            f"ridden, got {initial_speed_m_s}"
        )
    v = most.copy()
    v[0] = initial_speed_m_s
    _forwards(bike, at, step, most, v, 0, False)
    if not (v[1:] > 0.0).all():
        raise ValueError("from this initial speed the engine can't move the bike: less slope, or more torque")
    return IdealLap(v, _times(v, step))


def _rate(values: Array, ds: float, closed: bool) -> Array:
    """Central difference quotient along the line, over the lap end where there is one."""
    if not closed:
        return np.asarray(np.gradient(values, ds))
    inner = values[:-1]
    rate = (np.roll(inner, -1) - np.roll(inner, 1)) / (2.0 * ds)
    return np.append(rate, rate[0])


def _times(v: Array, ds: Array | float) -> Array:
    """Time since the first sample [s], at constant acceleration between samples."""
    return np.concatenate([[0.0], np.cumsum(2.0 * ds / (v[:-1] + v[1:]))])


def sector_ends(length_m: float, marks_m: tuple[float, ...] = ()) -> tuple[float, ...]:
    """Stations [m] at which the sectors end, the last one at the lap's end; without marks three equal ones.

    Raises ValueError for marks that don't rise or are not inside the lap.
    """
    if not marks_m:
        return tuple(length_m * (k + 1) / _DEFAULT_SECTORS for k in range(_DEFAULT_SECTORS))
    ends = (*marks_m, length_m)
    if ends[0] <= 0.0 or any(b <= a for a, b in pairwise(ends)):
        raise ValueError(
            f"sector marks: expected rising stations above 0 and below {length_m:.1f} m, got "
            + ", ".join(f"{mark:g}" for mark in marks_m)
        )
    return ends


def sector_times(line: Line, lap: IdealLap, ends_m: tuple[float, ...]) -> tuple[float, ...]:
    """Time [s] in each sector; constant acceleration between samples, so they add up to the lap's time."""
    ds = line.length / (line.station.size - 1)
    crossed = [0.0]
    for end in ends_m:
        i = min(int(end / ds), line.station.size - 2)
        part = end / ds - i
        v0, v1 = lap.speed[i], lap.speed[i + 1]
        there = math.sqrt(v0 * v0 + part * (v1 * v1 - v0 * v0))
        whole = lap.time[i + 1] - lap.time[i]
        crossed.append(float(lap.time[i] + whole * part * (v0 + v1) / (v0 + there)))
    return tuple(b - a for a, b in pairwise(crossed))


def planned_lap(line: Line) -> IdealLap:
    """The lap at the line's own target speed, in the same form. Raises ValueError where it has none."""
    if not (line.target_speed > 0.0).all():
        raise ValueError("the line has no target speed above 0 everywhere")
    return IdealLap(line.target_speed, _times(line.target_speed, line.length / (line.station.size - 1)))
