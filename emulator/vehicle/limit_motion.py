"""How hard the plant can turn, drive and brake: quasi-steady motions in which nothing more is to be had.

At a speed, a road grip and an acceleration the bike leans further until a tyre gives no more. Short of its
full friction that is often a fold: what a rear tyre gains sideways by slipping more, it loses to the drive
that the slip then costs. So a tyre's use is the parameter, not the lean, and the greatest lateral
acceleration along it is the limit; a lean beyond which pegs touch may come first. The wheels share the work
as serves best:

- ``BOTH``: both brake, and both tyres are used alike.
- ``FRONT_BRAKES``: the rear tyre only turns, the front one turns and brakes.
- ``REAR_LIMITS``, ``FRONT_LIMITS``: the front brake is left alone; the rear wheel drives or brakes.

Upright the limits of driving and braking are a tyre's friction, at the slip where it holds most, or a wheel
that lifts. Where the front tyre is what limits the drive, its wheel's spin is left behind: what hardly
presses is not worth being spun up.

The force along is told as ``f``: path acceleration and air drag together, over gravity. Between the braking
and the driving end of f, angles run from 0 to pi with f's place (1 - cos) / 2: an ellipse of f and lateral
acceleration is then a sine.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.vehicle.quasi_steady import (
    ACCELERATION,
    EQUAL_USE,
    FRONT_BRAKE,
    FRONT_LOAD,
    FRONT_RATE,
    FRONT_USE,
    N_STEER,
    N_UNKNOWNS,
    REAR_LOAD,
    REAR_RATE,
    REAR_ROLLS,
    REAR_TORQUE,
    REAR_USE,
    ROLL,
    STRAIN,
    YAW_RATE,
    Machine,
    solve,
    start,
)
from emulator.vehicle.state import FRONT, REAR, T_CAP_X

Array = NDArray[np.float64]


class UprightLimits(NamedTuple):
    """Straight on at a speed: accelerations along the path [m/s^2], and what ends them.

    driving, braking            greatest, negative for braking, by a torque at the wheels: the engine is not
                                asked, nor how hard a lever can be pulled
    front_lifts, rear_lifts     a wheel leaves the road; otherwise the tyres' friction is used up
    """

    driving: float
    braking: float
    front_lifts: bool
    rear_lifts: bool


BOTH, FRONT_BRAKES, REAR_LIMITS, FRONT_LIMITS = range(4)

FULL_USE = 2.95
"""Use of a tyre that counts as all of it: by the brush model's cubic 1 - 5e-6 of the friction."""

_LIFTED = 1.0  # [N] load below which a wheel counts as off the road
_WIDTH = 0.25  # of a tyre's use, between the three motions that a greatest one is looked for among
_LEAN_STEP = 0.08  # [rad] on a road of grip 1
_ON_THE_WAY = 1.2  # use of a tyre up to which the lean is raised in steps: no fold lies a step beyond
_BRISK = 8.0  # [m/s] below, steering changes so much with lean that steps are shorter
_FROM = 2.0  # use of a tyre that a greatest lateral acceleration is looked for from
_RELIEVED = (0.95, 0.85, 0.7, 0.55, 0.4, 0.28, 0.18, 0.1, 0.05, 0.02, 0.0)  # of the load, until a wheel lifts
_ALL_BUT_LIFTED = 0.03  # of the load: the last two hundredths may be left to a tyre that is used up
_LEAP = 0.6  # of a tyre's use, from one relieved load to the next: more is another branch
_PARTS = 6  # short steps on the way to a neighbour that is too far off
_HARDLY = 0.25  # of the load: a front wheel that presses so little is not worth being spun up
_TRIFLE = 0.05  # of a tyre's friction along: costs a thousandth of that across
_TRIFLE_Nm = 5.0
_SHORT = 0.12  # of a tyre's use, step by step, as long as it serves


def _find(
    c: Machine,
    speed: float,
    grip: float,
    engine: float,
    spins: bool,
    kind_1: int,
    value_1: float,
    kind_2: int,
    value_2: float,
    kind_3: int,
    value_3: float,
    n: Array,
) -> bool:
    kinds, values = np.array([kind_1, kind_2, kind_3]), np.array([value_1, value_2, value_3])
    return solve(c, speed, grip, engine, spins, kinds, values, n)


def _shared(
    c: Machine,
    way: int,
    kind: int,
    value: float,
    speed: float,
    grip: float,
    engine: float,
    a: float,
    n: Array,
) -> bool:
    """The motion at acceleration ``a`` in which the wheels share the work in this way, and one more
    condition."""
    if way == BOTH:
        return _find(c, speed, grip, engine, True, ACCELERATION, a, EQUAL_USE, 0.0, kind, value, n)
    if way == FRONT_BRAKES:
        return _find(c, speed, grip, engine, True, ACCELERATION, a, REAR_ROLLS, 0.0, kind, value, n)
    spins = way == REAR_LIMITS
    return _find(c, speed, grip, engine, spins, ACCELERATION, a, FRONT_BRAKE, 0.0, kind, value, n)


def _serves(c: Machine, way: int, n: Array) -> bool:
    """Whether the wheels could not share the work of the motion last found any better, but for a trifle."""
    if max(c.uses) > FULL_USE + 1e-6:
        return False
    along = float(n[STRAIN] / c.work[0]["tyre"][REAR, T_CAP_X])  # of the rear tyre: braking is positive
    if way == BOTH:
        return n[FRONT_BRAKE] >= -_TRIFLE_Nm and along >= -_TRIFLE
    if way == FRONT_BRAKES:
        return bool(n[FRONT_BRAKE] >= -_TRIFLE_Nm)
    if way == REAR_LIMITS:
        return along <= _TRIFLE
    return bool(c.uses[FRONT] >= c.uses[REAR])


def _turns(speed: float, n: Array) -> float:
    """Lateral acceleration of the rear contact's path [m/s^2], to the right."""
    return float(-speed * n[YAW_RATE])


def _greatest(
    c: Machine,
    way: int,
    speed: float,
    grip: float,
    engine: float,
    a: float,
    use: float,
    n: Array,
    by_lean: bool = False,
) -> float:
    """Move ``n`` to the greatest lateral acceleration, searched from a tyre's ``use`` on; returns that use.

    by_lean: to the greatest lean instead. Negative: none was found.
    """
    kind = FRONT_USE if way == FRONT_LIMITS else REAR_USE

    def reached(m: Array) -> float:
        return float(m[ROLL]) if by_lean else _turns(speed, m)

    at = min(use, FULL_USE)
    if not _shared(c, way, kind, at, speed, grip, engine, a, n):
        return -1.0
    here = reached(n)
    low, high = n.copy(), n.copy()
    for _ in range(16):
        low[:] = n
        if not _shared(c, way, kind, at - _WIDTH, speed, grip, engine, a, low):
            return -1.0
        below, above = reached(low), -math.inf
        up = min(at + _WIDTH, FULL_USE)
        if up > at:
            high[:] = n
            if _shared(c, way, kind, up, speed, grip, engine, a, high):
                above = reached(high)
        if below > here and at > 2.0 * _WIDTH:
            n[:] = low
            at, here = at - _WIDTH, below
        elif above > here:
            n[:] = high
            at, here = up, above
        else:
            break
    if up > at and above > -math.inf:
        # The parabola through the three has its top between them.
        left, right = at - _WIDTH, up
        d_low, d_high = (here - below) / (at - left), (above - here) / (right - at)
        curve = (d_high - d_low) / (right - left)
        if curve < 0.0:
            at = min(max(0.5 * (left + at) - 0.5 * d_low / curve, left), right)
    if not _shared(c, way, kind, at, speed, grip, engine, a, n):
        return -1.0
    return at


def _held_up(
    c: Machine,
    way: int,
    speed: float,
    grip: float,
    engine: float,
    a: float,
    lean: float,
    use: float,
    n: Array,
) -> bool:
    """From the greatest lateral acceleration, at a tyre's ``use``, back to a lean that is not exceeded."""
    kind = FRONT_USE if way == FRONT_LIMITS else REAR_USE
    # By use, since the same lean is also had beyond the fold.
    while n[ROLL] > lean and use > 2.0 * _WIDTH:
        use -= _WIDTH
        if not _shared(c, way, kind, use, speed, grip, engine, a, n):
            return False
    return _shared(c, way, ROLL, lean, speed, grip, engine, a, n)


def _limit(
    c: Machine,
    first: int,
    speed: float,
    grip: float,
    engine: float,
    a: float,
    lean: float,
    use: float,
    n: Array,
) -> tuple[int, float]:
    """Move ``n`` to the limit at acceleration ``a`` and no more than ``lean`` [rad]; (way, use).

    The ways of sharing are tried from ``first`` on; -1: none serves.
    """
    m = n.copy()
    for k in range(4):
        way = (first + k) % 4
        m[:] = n
        found = _greatest(c, way, speed, grip, engine, a, use if k == 0 else min(use, _FROM), m)
        if found < 0.0:
            continue
        if m[ROLL] > lean and not _held_up(c, way, speed, grip, engine, a, lean, found, m):
            continue
        if _serves(c, way, m):
            n[:] = m
            return way, found
    return -1, use


def _lean_in(c: Machine, speed: float, grip: float, engine: float, a: float, lean: float, n: Array) -> bool:
    """From an upright motion at acceleration ``a`` lean over until a tyre is well used, or to ``lean``."""
    while n[ROLL] < lean and max(c.uses[REAR], c.uses[FRONT]) < _ON_THE_WAY:
        roll = min(n[ROLL] + _LEAN_STEP * min(grip, 1.0), lean)
        if not _find(c, speed, grip, engine, True, ACCELERATION, a, FRONT_BRAKE, 0.0, ROLL, roll, n):
            return False
    return True


def _over_the_top(
    c: Machine,
    speed: float,
    grip: float,
    engine: float,
    spins: bool,
    kind: int,
    value: float,
    which: int,
    sign: float,
    n: Array,
) -> bool:
    """Raise a tyre's use (``which``: REAR_USE, FRONT_USE) upright from that of ``n`` to the greatest
    acceleration, or with ``sign`` -1 deceleration.

    kind, value  one more condition
    That is at its full use, or at the peak of a friction that falls with sliding: there the parabola through
    three uses has its top. Steps are short, since a wheel that all but lifts is near.
    """

    def gained_at(use: float, m: Array) -> float:
        found = _find(c, speed, grip, engine, spins, ROLL, 0.0, kind, value, which, use, m)
        return sign * float(m[ACCELERATION]) if found else -math.inf

    use = min(float(c.uses[REAR if which == REAR_USE else FRONT]), FULL_USE)
    left, below, here = use, -math.inf, gained_at(use, n)
    m = n.copy()
    while here > -math.inf and use < FULL_USE:
        m[:] = n
        right = min(use + _SHORT, FULL_USE)
        above = gained_at(right, m)
        if above > here:
            left, use, below, here = use, right, here, above
            n[:] = m
            continue
        if min(above, below) > -math.inf:
            d_low, d_high = (here - below) / (use - left), (above - here) / (right - use)
            m[:] = n
            top = 0.5 * (left + use) - 0.5 * d_low * (right - left) / (d_high - d_low)
            if gained_at(top, m) > here:
                use, n[:] = top, m
        break
    return here > -math.inf and gained_at(use, n) > -math.inf


def _hardest_drive(c: Machine, speed: float, grip: float, engine: float, n: Array) -> bool:
    """From coasting upright to the hardest drive: the front wheel lifts or the rear tyre is used up."""
    rolling = float(c.loads[FRONT])
    m, safe = n.copy(), n.copy()
    use = 0.0
    for part in _RELIEVED:
        left = max(part * rolling, _LIFTED)
        if not _find(c, speed, grip, engine, False, ROLL, 0.0, FRONT_BRAKE, 0.0, FRONT_LOAD, left, m):
            break
        if c.uses[REAR] > min(use + _LEAP, FULL_USE):  # beyond the tyre's peak, where it gives the same again
            break
        use = c.uses[REAR]
        if use < _ON_THE_WAY:
            safe[:] = m
    else:
        n[:] = m
        return True
    # Before it lifts the rear tyre holds most.
    for spins in (True, False) if left > _HARDLY * rolling else (False,):
        a = float(safe[ACCELERATION])
        m[:] = safe
        if _find(
            c, speed, grip, engine, spins, ROLL, 0.0, FRONT_BRAKE, 0.0, ACCELERATION, a, m
        ) and _over_the_top(c, speed, grip, engine, spins, FRONT_BRAKE, 0.0, REAR_USE, 1.0, m):
            n[:] = m
            return True
    return False


def _hardest_braking(c: Machine, speed: float, grip: float, engine: float, n: Array) -> bool:
    """From coasting upright to the greatest deceleration: the rear wheel lifts, or both tyres are used up."""
    rolling = float(c.loads[REAR])
    m, safe, nearly = n.copy(), n.copy(), n.copy()
    use, pressed = 0.0, rolling
    for part in _RELIEVED:
        left = max(part * rolling, _LIFTED)
        if not _find(c, speed, grip, engine, True, ROLL, 0.0, REAR_ROLLS, 0.0, REAR_LOAD, left, m):
            break
        if c.uses[FRONT] > min(
            use + _LEAP, FULL_USE
        ):  # beyond the tyre's peak, where it gives the same again
            break
        use, pressed = c.uses[FRONT], left
        nearly[:] = m
        if use < _ON_THE_WAY:
            safe[:] = m
    else:
        n[:] = m
        return True
    # The hardest of: a rear wheel that all but lifts, both tyres used alike, and the front tyre alone.
    hardest, kind, which, value = float(nearly[ACCELERATION]), REAR_ROLLS, REAR_LOAD, pressed
    n[:] = nearly
    for shared, used in ((EQUAL_USE, REAR_USE), (REAR_ROLLS, FRONT_USE)):
        a = float(safe[ACCELERATION])
        m[:] = safe
        if (
            _find(c, speed, grip, engine, True, ROLL, 0.0, shared, 0.0, ACCELERATION, a, m)
            and _over_the_top(c, speed, grip, engine, True, shared, 0.0, used, -1.0, m)
            and m[ACCELERATION] < hardest
        ):
            hardest, kind, which = float(m[ACCELERATION]), shared, used
            value = float(c.uses[REAR if used == REAR_USE else FRONT])
            n[:] = m
    return _find(c, speed, grip, engine, True, ROLL, 0.0, kind, 0.0, which, value, n)


def upright_limits(c: Machine, speed: float, grip: float) -> UprightLimits | None:
    """The hardest driving and braking straight on at ``speed`` [m/s]; None where it was not found."""
    found: list[tuple[float, bool]] = []
    n = np.empty(N_UNKNOWNS)
    for hardest, wheel in ((_hardest_drive, FRONT), (_hardest_braking, REAR)):
        start(c, speed, n)
        if not _find(c, speed, grip, 0.0, True, ROLL, 0.0, FRONT_BRAKE, 0.0, REAR_TORQUE, 0.0, n):
            return None
        rolling = float(c.loads[wheel])
        if not hardest(c, speed, grip, 0.0, n):
            return None
        found.append((float(n[ACCELERATION]), bool(c.loads[wheel] < _ALL_BUT_LIFTED * rolling)))
    (driving, front_lifts), (braking, rear_lifts) = found
    return UprightLimits(driving, braking, front_lifts, rear_lifts)


def fill_limits(
    c: Machine,
    speeds: Array,
    engines: Array,
    angles: Array,
    grip: float,
    lean: float,
    drag: float,
    gravity: float,
    ends: Array,
    lateral: Array,
    leans: Array,
    torque: Array,
    spin: Array,
) -> int:
    """Fill the limits on one grip; returns how many motions were not found, -1 if not even coasting was.

    speeds, engines  (v,)         rising [m/s]; crankshaft [rad/s] there
    angles           (k,)   [rad] rising, between 0 and pi, as in the module's text
    lean                    [rad] never leaned further
    drag                    [1/m] deceleration by the air over speed squared
    ends             (v, 2)       out: f at the hardest braking and driving, upright
    lateral, leans   (v, k)       out: greatest lateral acceleration over gravity, and the lean [rad] there
    torque, spin     (v, p)       out: rear wheel's torque [N m] and rate over speed [1/m], upright, at p
                                  values of f from coasting to the hardest driving; ends[:, 2] is f coasting
    What was not found is NaN.
    """
    missing = 0
    coasting, n = np.empty(N_UNKNOWNS), np.empty(N_UNKNOWNS)
    low, high = np.empty(N_UNKNOWNS), np.empty(N_UNKNOWNS)
    start(c, speeds[0], coasting)
    for i in range(speeds.size):
        v, engine = speeds[i], engines[i]
        if i > 0:
            coasting[[REAR_RATE, FRONT_RATE]] *= v / speeds[i - 1]
        if not _find(c, v, grip, engine, True, ROLL, 0.0, FRONT_BRAKE, 0.0, REAR_TORQUE, 0.0, coasting):
            start(c, v, coasting)  # where the neighbour's motion is too far off
            if not _find(c, v, grip, engine, True, ROLL, 0.0, FRONT_BRAKE, 0.0, REAR_TORQUE, 0.0, coasting):
                return -1
        air = drag * v * v
        low[:], high[:] = coasting, coasting
        if not _hardest_drive(c, v, grip, engine, high):
            return -1
        if not _find(c, v, grip, engine, True, ROLL, 0.0, FRONT_BRAKE, 0.0, REAR_TORQUE, 0.0, coasting):
            return -1
        if not _hardest_braking(c, v, grip, engine, low):
            return -1
        ends[i, 0] = (low[ACCELERATION] + air) / gravity
        ends[i, 1] = (high[ACCELERATION] + air) / gravity
        ends[i, 2] = (coasting[ACCELERATION] + air) / gravity
        n[:] = coasting
        last = torque.shape[1] - 1
        for j in range(last + 1):
            a = coasting[ACCELERATION] + (high[ACCELERATION] - coasting[ACCELERATION]) * j / last
            if j == last:
                n[:] = high
            elif not _find(c, v, grip, engine, True, ROLL, 0.0, FRONT_BRAKE, 0.0, ACCELERATION, a, n):
                n[:] = math.nan
                missing += 1
            torque[i, j], spin[i, j] = n[REAR_TORQUE], n[REAR_RATE] / v
            if math.isnan(n[ROLL]):
                n[:] = coasting
        missing += _fill_row(
            c, v, engine, angles, grip, lean, air, gravity, ends[i], coasting, lateral[i], leans[i]
        )
    return missing


def _fill_row(
    c: Machine,
    v: float,
    engine: float,
    angles: Array,
    grip: float,
    lean: float,
    air: float,
    gravity: float,
    ends: Array,
    coasting: Array,
    lateral: Array,
    leans: Array,
) -> int:
    """One speed's part of :func:`fill_limits`: from the middle to both ends, each limit from its
    neighbour's."""
    lateral[:], leans[:] = math.nan, math.nan
    missing = 0
    middle = 0
    for j in range(angles.size):
        if _acceleration(angles[j], ends, air, gravity) < coasting[ACCELERATION]:
            middle = j
    middle_limit = n = np.empty(N_UNKNOWNS)
    last, last_way, last_use, last_a = np.empty(N_UNKNOWNS), -1, _FROM, 0.0
    of_middle = last_way, last_use, last_a
    for side in (1, -1):
        n = middle_limit.copy()
        way, use = -1, _FROM
        last[:], (last_way, last_use, last_a) = n, of_middle
        j = middle if side > 0 else middle - 1
        while 0 <= j < angles.size:
            a = _acceleration(angles[j], ends, air, gravity)
            found = -1
            if way >= 0 or j == middle - 1:
                found, use = _limit(c, max(way, BOTH), v, grip, engine, a, lean, use, n)
            if found < 0:  # not from its neighbour: from upright
                n[:], use = coasting, _FROM
                if _find(
                    c, v, grip, engine, True, ROLL, 0.0, FRONT_BRAKE, 0.0, ACCELERATION, a, n
                ) and _lean_in(c, v, grip, engine, a, lean, n):
                    found, use = _limit(
                        c, REAR_LIMITS if side > 0 else BOTH, v, grip, engine, a, lean, use, n
                    )
            if found < 0 <= last_way:  # nor from there: from the last one found, in short steps
                n[:], found, use = last, last_way, last_use
                for k in range(1, _PARTS + 1):
                    at = last_a + (a - last_a) * k / _PARTS
                    found, use = _limit(c, found, v, grip, engine, at, lean, use, n)
                    if found < 0:
                        break
            if found >= 0:
                lateral[j], leans[j] = _turns(v, n) / gravity, n[ROLL]
                last[:], last_way, last_use, last_a = n, found, use, a
            else:
                missing += 1
            if j == middle:
                middle_limit, of_middle = n.copy(), (found, use, a)
            way = found
            j += side
    return missing


def _acceleration(angle: float, ends: Array, air: float, gravity: float) -> float:
    f = ends[0] + (ends[1] - ends[0]) * 0.5 * (1.0 - math.cos(angle))
    return float(f * gravity - air)


def fill_turns(
    c: Machine, speeds: Array, engines: Array, leans: Array, grip: float, gravity: float, lateral: Array
) -> None:
    """Fill ``lateral`` (v, l): lateral acceleration over gravity of a coasting turn at each lean [rad].

    leans  (l,)  rising from above 0. Where a turn was not found it is NaN.
    """
    n = np.empty(N_UNKNOWNS)
    lateral[:] = math.nan
    for i in range(speeds.size):
        v = float(speeds[i])
        start(c, v, n)
        for j, lean in enumerate((0.0, *leans)):
            if not _find(c, v, grip, engines[i], True, ROLL, lean, FRONT_BRAKE, 0.0, REAR_TORQUE, 0.0, n):
                break
            if j > 0:
                lateral[i, j - 1] = _turns(v, n) / gravity


def fill_held(
    c: Machine,
    speeds: Array,
    engines: Array,
    grip: float,
    gravity: float,
    leans: Array,
    lateral: Array,
    stopped: Array,
) -> None:
    """Fill the greatest lean of a steady turn at each speed, and where the steering stop is what ends it.

    speeds   (v,) [m/s]
    leans    (v,) [rad]  out: the fold; NaN where the speed can't be held. Beyond it slip alone still adds
                         some thousandths of lateral acceleration, at less lean
    lateral  (v,)        out: lateral acceleration over gravity there
    stopped  (v,)        out: 1 where the steering comes to its stop first, else 0
    """
    n, m = np.empty(N_UNKNOWNS), np.empty(N_UNKNOWNS)
    leans[:], lateral[:], stopped[:] = math.nan, math.nan, 0.0
    stop = float(c.body[0]["steering_stop_angle"])
    for i in range(speeds.size):
        v, engine = speeds[i], engines[i]
        start(c, v, n)
        if not _find(c, v, grip, engine, True, ROLL, 0.0, FRONT_BRAKE, 0.0, REAR_TORQUE, 0.0, n) or not _find(
            c, v, grip, engine, True, ROLL, 0.0, FRONT_BRAKE, 0.0, ACCELERATION, 0.0, n
        ):
            continue
        fits = True
        while fits and max(c.uses[REAR], c.uses[FRONT]) < _ON_THE_WAY and abs(n[N_STEER]) < stop:
            m[:] = n
            roll = n[ROLL] + _LEAN_STEP * min(grip, 1.0) * (1.0 if v > _BRISK else 0.25)
            fits = _find(c, v, grip, engine, True, ROLL, roll, FRONT_BRAKE, 0.0, ACCELERATION, 0.0, n)
        if not fits:
            continue
        if abs(n[N_STEER]) < stop:
            m[:] = n
            way, use = _limit(c, REAR_LIMITS, v, grip, engine, 0.0, math.inf, _FROM, n)
            if way < 0 or _greatest(c, way, v, grip, engine, 0.0, use, n, by_lean=True) < 0.0:
                continue
        if abs(n[N_STEER]) >= stop:
            side = math.copysign(stop, n[N_STEER])
            n[:] = m
            if not _find(c, v, grip, engine, True, N_STEER, side, FRONT_BRAKE, 0.0, ACCELERATION, 0.0, n):
                continue
            stopped[i] = 1.0
        leans[i], lateral[i] = n[ROLL], _turns(v, n) / gravity
