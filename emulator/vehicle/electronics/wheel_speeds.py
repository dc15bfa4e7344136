"""What units know of the wheels' speeds and of the bike's, from two pick-ups and an accelerometer.

A braked wheel is slower than the bike, so the faster of both tells its speed as long as one hardly slips;
while both slip, the speed is carried on by the deceleration felt. What the accelerometer feels of a nose that
dives and its bias lets it fall a little too fast, which the next wheel that runs up puts right. Nobody
brakes: the front wheel tells it, whichever way it goes.

A wheel that reads standstill for ``fault_time`` while the other one runs switches the units off for the ride.
Until then they act on what is read.

Source: U. Kiencke and L. Nielsen, *Automotive Control Systems* (2000), chapter on vehicle speed from wheel
speeds, from memory; that it is carried on by the accelerometer is common practice, no source.
"""

from __future__ import annotations

import math

from emulator.core.compiled import Record, jit

FRONT, REAR = 0, 1

_MARGIN = 0.6  # [m/s^2] it may fall faster than felt: bias, and what the accelerometer lags behind
_UNTOLD = 11.0  # [m/s^2] it may fall where nothing is felt: dry asphalt
_RISE = 40.0  # [m/s^2] a wheel that runs up takes it along at most
RATE_LAG = 0.01
"""[s] that a wheel's filtered rate lags behind its speed."""
_FILTER = 0.1  # share of the way in a tick to the newest change of a wheel's speed: that lag
_STANDS = 0.3  # [m/s] below, a wheel reads standstill


@jit
def at_axle(reading: float, radius: float, crown: float, lean: float) -> float:
    """Speed [m/s] of a wheel that reads ``reading`` of its upright radius [m], leaned over by ``lean`` [rad].

    A torus rolls on a smaller radius when it leans: radius - crown (1 - cos lean).
    """
    return reading * (1.0 - crown * (1.0 - math.cos(lean)) / radius)


@jit
def along(full_lean: float, lean: float) -> float:
    """Share of the tyres' friction that a turn at ``lean`` [rad] leaves along: the friction ellipse."""
    return math.sqrt(max(0.0, 1.0 - (math.tan(lean) / math.tan(full_lean)) ** 2))


@jit
def follow_wheels(b: Record, front_reading: float, rear_reading: float, lean: float, dt: float) -> None:
    """The wheels' newest speeds into ``b.speed``, their rates, low-pass filtered, into ``b.rate``; the watch.

    reading  [m/s] by the upright radius
    lean     [rad]; NaN: unknown, taken as upright. Into ``b.tilt``, its size
    """
    b.tilt = 0.0 if math.isnan(lean) else min(abs(lean), b.full_lean)
    _follow(b, FRONT, at_axle(front_reading, b.radius[FRONT], b.crown[FRONT], b.tilt), dt)
    _follow(b, REAR, at_axle(rear_reading, b.radius[REAR], b.crown[REAR], b.tilt), dt)
    runs = max(b.speed[FRONT], b.speed[REAR]) > 2.0 * b.lowest_speed
    for k in range(2):
        b.stood[k] = b.stood[k] + dt if runs and b.speed[k] < _STANDS else 0.0
        if b.stood[k] > b.fault_time:
            b.failed = 1


@jit
def _follow(b: Record, k: int, speed: float, dt: float) -> None:
    b.rate[k] += _FILTER * ((speed - b.speed[k]) / dt - b.rate[k])
    b.speed[k] = speed


@jit
def follow_bike(b: Record, braking: bool, felt: float, dt: float) -> None:
    """Move ``b.reference`` [m/s] one tick on; call after :func:`follow_wheels`.

    braking  whether a brake is on
    felt     [m/s^2] specific force forward, NaN while unknown
    """
    if not braking:
        b.reference = b.speed[FRONT]
        return
    fastest = max(b.speed[FRONT], b.speed[REAR])
    falls = _UNTOLD if math.isnan(felt) else max(0.0, -felt) + _MARGIN
    carried = max(0.0, b.reference - falls * dt)
    b.reference = carried if fastest < carried else min(fastest, b.reference + _RISE * dt)
