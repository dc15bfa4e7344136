"""The quasi-steady lap: as fast along a line as the plant's equilibria, the engine and the roll rate allow.

At every station the bike is in the quasi-steady motion of that instant, looked up in what the plant can do
(:mod:`emulator.lap.steady_limits`): grip of both tyres, wheel lift, lean. The engine drives it in its best
gear, changed in no time. The way from one lean to another takes no more roll rate than the steering torque
gives; the roll acceleration is left out, as are tyre relaxation and what the suspension does in between. So
it is a yardstick and no bound: what is left out may help as well as hinder. What a robot is asked to ride is
``target_speed``.

Road axes: the road's plane is turned by heading (about z), by ``slope`` and by ``bank``. ``slope`` is
positive uphill (the opposite of ISO 8855 pitch, which is positive nose down); ``bank`` is positive by the
right-hand rule about x: right side down, as roll is. Per unit of mass the road gives, forward, left and
along its normal (k curvature, s slope, b bank, a acceleration along the path)::

    x = a + g sin s
    y = k_h cos b + k_v sin b + g cos s sin b         k_h = k (v cos s)^2
    n = k_v cos b - k_h sin b + g cos s cos b         k_v = v^2 cos s ds/d(station)

With these the table is entered. As load transfer is all but affine in the acceleration and a norm is convex,
the accelerations that can be had at a station and speed are one interval, whose ends bisection finds.

Roll is bank less lean. Along the path it changes with the station and, by the speed, with the acceleration:
d(roll)/dt = v d(roll)/d(station) + a d(roll)/dv. The roll rate bounds it either way, so it may forbid braking
out of a lean that has to be kept, and ask for braking where curvature grows fast. The bound itself falls with
speed: see ``roll_rates``.

Source: the forward-backward pass is common practice, no source.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import jit
from emulator.lap.steady_limits import (
    SteadyLimits,
    cell,
    drag_of,
    drive_at,
    driving,
    entered,
    lateral_at,
    lateral_limit,
    lean_of,
    roll_rates,
)
from emulator.road.line import Line, Surface, grip_at
from emulator.vehicle.driveline import engine_torque, overall_ratio
from emulator.vehicle.equilibrium import AIR_DENSITY
from emulator.vehicle.params import Vehicle

Array = NDArray[np.float64]

GEARS = 6
TABLE_ERROR = 1e-3
"""Share of the lap's time by which it moves when the table of limits has twice the rows and columns;
measured."""
_MOST = 100.0  # [m/s^2] where the search for a limit starts: more than any tyre on any road
_HALVINGS = 36  # leaves 100 / 2^36 = 1.5e-9 m/s^2
_ENGINE_HALVINGS = 26  # 1.5e-6 m/s^2
_SCAN = 2.0  # [m/s] step in which the greatest speed of a station is first looked for
_DEFAULT_SECTORS = 3
_AHEAD = 0.5  # [m] either way, over which the lean's change along the line is taken
_FASTER = 0.01  # of the speed, over which its change with speed is taken


class Bike(NamedTuple):
    """A vehicle as the quasi-steady lap needs it, robot merged in.

    limits                     what it can do, see ``SteadyLimits``
    drag           [1/m]       deceleration by the air over speed squared
    gravity        [m/s^2]
    radius, crown  [m]         of the rear tyre: its lever shrinks with lean
    lean_limit     [rad]       against the road's normal; it is in the limits already
    wheel_speed    (k,)        [rad/s] rising speeds of the rear wheel
    wheel_torque   (6, k)      [N m] full-throttle torque at the rear wheel, by gear
    gear_inertia   (6,)        [kg m2] crankshaft's moment of inertia seen at the rear wheel
    roll_rate      (v,)        [rad/s] greatest roll rate at the speeds of the limits
    """

    limits: SteadyLimits
    drag: float
    gravity: float
    radius: float
    crown: float
    lean_limit: float
    wheel_speed: Array
    wheel_torque: Array
    gear_inertia: Array
    roll_rate: Array


class IdealLap(NamedTuple):
    """The quasi-steady lap along a line of n intervals.

    speed    (n+1,) [m/s]  along the path
    time     (n+1,) [s]    since station 0
    error_s         [s]    by how much line and table, were they finer, would move the lap's time either way;
                           0 of a lap that is given
    """

    speed: Array
    time: Array
    error_s: float


def bike_of(
    vehicle: Vehicle,
    limits: SteadyLimits,
    *,
    steer_torque_Nm: float | None = None,
    lean_limit_rad: float | None = None,
    air_density: float = AIR_DENSITY,
) -> Bike:
    """The quasi-steady bike of a vehicle's record.

    limits           made of the same vehicle, lean limit and air, see ``emulator.lap.steady_limits``
    steer_torque_Nm  [N m]     that there is to roll with; None: any roll rate
    lean_limit_rad   [rad]     None takes the angle at which a footpeg touches the road
    air_density      [kg/m^3]  as the plant has it
    """
    body, rear = vehicle.body[0], vehicle.tyre[0]
    speeds, torque, inertia = _gears(vehicle)
    rates = np.full(limits.speeds.size, math.inf)
    if steer_torque_Nm is not None:
        rates = roll_rates(vehicle, steer_torque_Nm, limits.speeds)
    return Bike(
        limits=limits,
        drag=drag_of(vehicle, air_density),
        gravity=float(body["gravity"]),
        radius=float(rear["radius"]),
        crown=float(rear["crown_radius"]),
        lean_limit=float(body["fall_peg_angle"]) if lean_limit_rad is None else lean_limit_rad,
        wheel_speed=speeds,
        wheel_torque=torque,
        gear_inertia=inertia,
        roll_rate=rates,
    )


def _gears(vehicle: Vehicle) -> tuple[Array, Array, Array]:
    """Rear wheel speeds (k,), full-throttle torque there by gear (6, k), crankshaft inertia by gear (6,).

    In first gear the clutch may slip: up to the speed it grips at, the engine gives the best it has at any
    speed above, as far as the clutch holds it.
    """
    body = vehicle.body[0]
    ratio = np.array([overall_ratio(body, gear) for gear in range(1, GEARS + 1)])
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
def _needs(
    bike: Bike, curvature: float, bank: float, slope: float, bend: float, v: float
) -> tuple[float, float]:
    """``needs`` at a station given number by number."""
    cb, sb, cs = math.cos(bank), math.sin(bank), math.cos(slope)
    across = curvature * (v * cs) ** 2
    upward = v * v * cs * bend
    y = across * cb + upward * sb + bike.gravity * cs * sb
    return y, upward * cb - across * sb + bike.gravity * cs * cb


@jit
def needs(bike: Bike, at: Array, v: float) -> tuple[float, float]:
    """(y, n): what the road has to give sideways (left positive) and along its normal [m/s^2].

    at (7,): curvature [1/m], bank [rad], slope [rad], slope per station [rad/m], grip [1], and curvature and
    bank per station [1/m^2], [rad/m].
    """
    y, n = _needs(bike, at[0], at[1], at[2], at[3], v)
    return y, n


@jit
def _lean(bike: Bike, curvature: float, bank: float, slope: float, bend: float, v: float) -> float:
    """``lean_at`` at a station given number by number."""
    y, n = _needs(bike, curvature, bank, slope, bend, v)
    if n <= 0.0:
        return math.copysign(0.5 * math.pi, y)
    return float(lean_of(bike.limits, v * math.sqrt(bike.gravity / n), y / n))


@jit
def lean_at(bike: Bike, at: Array, v: float) -> float:
    """Lean [rad] against the road's normal, positive to the left, of the steady motion at a speed [m/s]."""
    return float(_lean(bike, at[0], at[1], at[2], at[3], v))


@jit
def _along(bike: Bike, at: Array, n: float, v: float, a: float) -> float:
    """The force along, air drag included, over the load that belongs to the normal need ``n``."""
    return (a + bike.gravity * math.sin(at[2]) + bike.drag * v * v) / n


@jit
def _can(bike: Bike, at: Array, y: float, n: float, v: float, a: float) -> bool:
    """Whether tyres, wheel lift and lean allow the acceleration."""
    like = v * math.sqrt(bike.gravity / n)
    return abs(y) / n <= lateral_limit(bike.limits, at[4], like, _along(bike, at, n, v, a))


@jit
def can_hold(bike: Bike, at: Array, v: float) -> bool:
    """Whether tyres, wheel lift and lean allow to hold the speed; the engine is not asked."""
    y, n = needs(bike, at, v)
    return n > 0.0 and _can(bike, at, y, n, v, 0.0)


@jit
def _engine(bike: Bike, at: Array, y: float, n: float, v: float) -> float:
    """Acceleration the engine gives in its best gear [m/s^2]; negative where it can't hold the speed.

    The torque that a force along takes, and the wheel's rate with its slip, are those upright; with lean the
    wheel rolls on a smaller radius. What a turn's side forces cost besides is left out.
    """
    like = v * math.sqrt(bike.gravity / n)
    lever = 1.0 - bike.crown * (1.0 - math.cos(lean_of(bike.limits, like, y / n))) / bike.radius
    place = driving(bike.limits, like)
    best = place[2] * n - bike.gravity * math.sin(at[2]) - bike.drag * v * v
    free = best
    for gear in range(bike.gear_inertia.size):
        # What the engine has left falls with the acceleration: more of it slips the wheel towards the
        # limiter. So of a gear that has nothing left at the best of those before nothing has to be known.
        if not _drives(bike, at, n, v, place, lever, gear, best):
            continue
        low, high = free, free + _MOST
        for _ in range(_ENGINE_HALVINGS):
            a = 0.5 * (low + high)
            # At the best it drives, so below it, too.
            if a <= best or _drives(bike, at, n, v, place, lever, gear, a):
                low = a
            else:
                high = a
        best = max(best, low)
    return float(best)


@jit
def _drives(
    bike: Bike,
    at: Array,
    n: float,
    v: float,
    place: tuple[int, float, float, float],
    lever: float,
    gear: int,
    a: float,
) -> bool:
    """Whether the engine gives an acceleration in a gear; ``place``: of the speed, by ``driving``."""
    need, _, turns = drive_at(bike.limits, place, _along(bike, at, n, v, a))
    turns /= lever
    last = bike.wheel_speed.size - 1
    wheel = turns * v / bike.wheel_speed[1]
    k = min(int(wheel), last - 1)
    share = min(wheel - k, 1.0)
    pull = bike.wheel_torque[gear, k] * (1.0 - share) + bike.wheel_torque[gear, k + 1] * share
    # Without torque the gear is not engaged: its crankshaft is no burden.
    return bool(
        pull > 0.0 and pull - bike.gear_inertia[gear] * turns * a >= lever * (n / bike.gravity) * need
    )


@jit
def _held_rolling(bike: Bike, at: Array, v: float) -> float:
    """Roll rate [rad/s] at a held speed."""
    if v <= 0.0:
        return 0.0
    k, bank = at[0] + _AHEAD * at[5], at[1] + _AHEAD * at[6]
    change = bank - _lean(bike, k, bank, at[2], at[3], v)
    k -= 2.0 * _AHEAD * at[5]
    bank -= 2.0 * _AHEAD * at[6]
    change -= bank - _lean(bike, k, bank, at[2], at[3], v)
    return float(v * change / (2.0 * _AHEAD))


@jit
def _quickened_rolling(bike: Bike, at: Array, v: float) -> float:
    """What an acceleration of 1 m/s^2 adds to the roll rate [rad/s]."""
    if v <= 0.0:
        return 0.0
    faster = lean_at(bike, at, v * (1.0 + _FASTER)) - lean_at(bike, at, v * (1.0 - _FASTER))
    return float(-faster / (2.0 * _FASTER * v))


@jit
def most_roll(bike: Bike, v: float) -> float:
    """Greatest roll rate [rad/s] at a speed [m/s]."""
    i, part = cell(bike.limits.speeds, v)
    return float(bike.roll_rate[i] + part * (bike.roll_rate[i + 1] - bike.roll_rate[i]))


@jit
def _while_rolling(bike: Bike, at: Array, v: float) -> tuple[float, float]:
    """Least and greatest acceleration [m/s^2] that the roll rate allows; the least above the greatest:
    none."""
    if math.isinf(bike.roll_rate[0]):
        return -math.inf, math.inf
    held, more = _held_rolling(bike, at, v), _quickened_rolling(bike, at, v)
    most = most_roll(bike, v)
    if abs(more) * _MOST < 1e-3 * most:  # next to no lean: the speed alone decides
        if abs(held) <= most:
            return -math.inf, math.inf
        return math.inf, -math.inf
    one, two = (-most - held) / more, (most - held) / more
    return min(one, two), max(one, two)


@jit
def _limit(bike: Bike, at: Array, v: float, forward: bool) -> float:
    """Greatest acceleration, or deceleration, at a speed [m/s^2].

    Where the roll rate asks for the opposite it is negative.
    """
    y, n = needs(bike, at, v)
    slowest, fastest = _while_rolling(bike, at, v)
    high = min(_MOST, fastest if forward else -slowest)
    if forward:
        high = min(high, _engine(bike, at, y, n, v))
    if high <= 0.0:
        return high
    # What the search changes is the acceleration alone.
    place = entered(bike.limits, at[4], v * math.sqrt(bike.gravity / n))
    needed = abs(y) / n
    if needed <= lateral_at(bike.limits, place, _along(bike, at, n, v, high if forward else -high)):
        return high
    low = 0.0
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        if needed <= lateral_at(bike.limits, place, _along(bike, at, n, v, middle if forward else -middle)):
            low = middle
        else:
            high = middle
    return low


@jit
def _can_ride(bike: Bike, at: Array, v: float) -> bool:
    """Whether a station can be passed at a speed, held or with the acceleration that the roll rate asks
    for."""
    if not can_hold(bike, at, v):
        return False
    if math.isinf(bike.roll_rate[0]) or abs(_held_rolling(bike, at, v)) <= most_roll(bike, v):
        return True
    slowest, fastest = _while_rolling(bike, at, v)
    if slowest > fastest:
        return False
    y, n = needs(bike, at, v)
    return _can(bike, at, y, n, v, slowest if slowest > 0.0 else fastest)


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
            if not _can_ride(bike, at[i], v):
                high = v
                break
            low = v
        if low < high:
            for _ in range(_HALVINGS):
                middle = 0.5 * (low + high)
                if _can_ride(bike, at[i], middle):
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
    there_most = _limit(bike, there, far, forward)
    if need <= there_most:
        return far
    # Slower it is more, as a rule: then what is sought lies in between.
    low, high, halvings = max(there_most, -0.5 * v * v / ds), need, _HALVINGS // 3
    if low > _limit(bike, there, math.sqrt(v * v + 2.0 * ds * low), forward):
        low, halvings = max(min(need, 0.0) - _MOST, -0.5 * v * v / ds), _HALVINGS
    for _ in range(halvings):
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


COMPILED = (_greatest_speeds, _forwards, _ride)
"""What of this module is compiled and called from the plain Python below."""


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
    """The quasi-steady lap along the line: the fastest within the limits.

    line               closed: a flying lap, periodic; station is measured in the plan
    grip               [1]    friction coefficient, one number or (n+1,), see ``grip_along``
    bank               [rad]  positive right side down, one number or (n+1,); None takes the line's
    slope              [rad]  positive uphill; None takes the line's. Its difference quotient along the line
                              counts: crests lighten, dips load
    initial_speed_m_s  [m/s]  at station 0, 0 for a standing start; None: flying (an open line starts as fast
                              as the limits allow)
    flying             the flying lap with the same arguments, which a given initial speed would compute again

    The limits hold at both ends of every step, so the time comes out long, in proportion to the step. The
    error is what steps twice as long add to it, which is what is left to steps without length, and
    ``TABLE_ERROR``. Of a standing start it is the flying lap's.
    Raises ValueError where the bike can't even stand (bank or slope beyond grip), where the initial speed
    can't be had, and for arrays of another length.
    """
    n = line.station.size - 1
    shape = (n + 1,)
    banks = np.broadcast_to(np.asarray(line.bank if bank is None else bank, np.float64), shape)
    slopes = np.broadcast_to(np.asarray(line.slope if slope is None else slope, np.float64), shape)
    grips = np.broadcast_to(np.asarray(grip, np.float64), shape)
    ds = line.length / n
    rates = [_rate(values, ds, line.closed) for values in (slopes, line.curvature, banks)]
    at = np.column_stack([line.curvature, banks, slopes, rates[0], grips, *rates[1:]])
    if not np.isfinite(at).all() or not (grips > 0.0).all():
        raise ValueError("grip, bank, slope: expected finite numbers, grip above 0")
    way = np.concatenate([[0.0], np.cumsum(ds / np.cos(0.5 * (slopes[:-1] + slopes[1:])))])
    if flying is None:
        top = min(top_speed_m_s, float(bike.wheel_speed[-1]) * bike.radius)
        every = np.arange(n + 1)
        v, time = _flying(bike, line, at, way, every, top)
        _, rough = _flying(bike, line, at, way, np.union1d(every[::2], [n]), top)
        error = abs(float(rough[-1] - time[-1])) + TABLE_ERROR * float(time[-1])
        flying = IdealLap(v, time, error)
    if initial_speed_m_s is None:
        return flying
    # From the flying lap's speeds all that comes can still be braked for: the most of any start.
    most = flying.speed
    if not 0.0 <= initial_speed_m_s <= most[0]:
        raise ValueError(
            f"initial_speed_m_s: expected 0 to {most[0]:.3f} m/s, the most from which what comes can be "
            f"ridden, got {initial_speed_m_s}"
        )
    v = most.copy()
    v[0] = initial_speed_m_s
    step = np.diff(way)
    _forwards(bike, at, step, most, v, 0, False)
    if not (v[1:] > 0.0).all():
        raise ValueError("from this initial speed the engine can't move the bike: less slope, or more torque")
    return IdealLap(v, _times(v, step), flying.error_s)


def _flying(
    bike: Bike, line: Line, at: Array, way: Array, rows: NDArray[np.int64], top: float
) -> tuple[Array, Array]:
    """Speed [m/s] and time [s] of the flying lap at these samples of the line, ``way`` [m] along it."""
    at, step = np.ascontiguousarray(at[rows]), np.diff(way[rows])
    cap = np.empty(rows.size)
    stuck = int(_greatest_speeds(bike, at, top, cap))
    if stuck >= 0:
        raise ValueError(
            f"at station {line.station[rows[stuck]]:.1f} m the bike can't stand: bank "
            f"{math.degrees(at[stuck, 1]):.1f} and slope {math.degrees(at[stuck, 2]):.1f} degrees at grip "
            f"{at[stuck, 4]:g}; expected less bank and slope, or more grip"
        )
    v = cap.copy()
    _ride(bike, at, step, cap, v, line.closed)
    if not (v > 0.0).all():
        raise ValueError(
            f"at station {line.station[rows[int(np.argmin(v))]]:.1f} m the engine can't move the bike: "
            "less slope, more torque"
        )
    return v, _times(v, step)


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
    return IdealLap(line.target_speed, _times(line.target_speed, line.length / (line.station.size - 1)), 0.0)
