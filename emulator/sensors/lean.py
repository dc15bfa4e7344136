"""Lean as a lean sensor computes it: its own gyros for what is quick, a reference lean for what lasts.

A gyro integrates to the roll angle without delay, but its bias integrates, too. An accelerometer knows
which way is down, but a turn presses it towards the bike's own down, and so does a roll that quickens. The
sensor takes the turn away from what it measures and lets the integral be drawn to what is left
(complementary filter):

    g_up = f - w x v,  v = (v_s, 0, 0):     reference = atan2(f_y - v_s w_z, f_z + v_s w_y)
    d(lean)/dt = w_x + (reference - lean) / T

f and w are what its accelerometers and gyros say, v_s the speed it takes from the front wheel. Nothing in it
looks at the true roll; these errors come out by themselves:

- v_s wrong by e: atan(e |turn rate| / g) too much lean in a steady turn. A leaning tyre rolls on a smaller
  radius, R - t (1 - cos lean), so a sensor told a wrong t errs in long turns; so does one that sits high up,
  where the bike's speed is less by height times turn rate times sin(lean)
- a gyro's roll bias b: T b. A bike that pitches by p (nose down) in a turn: T times turn rate times sin(p)
- mounted turned about x: by that angle, always; about z by y: atan(a sin(y) / g) under an acceleration a
- a locked or slipping front wheel: v_s is wrong, and the lean follows it within about T
- the side acceleration of its own place beyond the turn's, u' of the side speed u there: a lag, as follows

With a right reference the filter passes the roll as it is, (s + 1/T) / (s + 1/T) = 1: no lag. But
f_y = u' + w_z v + g sin(lean), so upright the reference is lean + u' / g. At z over the ground and x ahead of
the rear contact u = u_0 + x w_z - z lean', u_0 the rear contact's own side speed. Of lean alone, turning as
its lean makes it turn (w_z = -lean g / v):

    H(s) = lean sensed / lean = 1 - (z s^2 / g + x s / v - (u_0 / lean) s / g) / (1 + s T)

Where the roll swings within T the second derivative, drawn in over T, is a lag of about z / (g T): 21 ms for
0.62 m and 3 s, twice that for 1.5 s. How w_z and u_0 follow the lean is the bike's affair:
emulator.config.rig.lean_response takes them from the linearised plant.

Source: complementary filter and centripetal correction of an accelerometer, common practice (from memory);
derived above from rigid-body kinematics. Neglected: scale errors, g-sensitivity and bandwidth of its gyros,
age of the wheel speed it is told.
"""

from __future__ import annotations

import math
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from emulator.core.axes import wrapped
from emulator.core.compiled import jit

Complex: TypeAlias = NDArray[np.complex128]


@jit
def told_speed(spin: float, radius: float, crown: float, lean: float) -> float:
    """Speed [m/s] from a wheel's ``spin`` [rad/s], its radius [m] less what the leaning tread takes away.

    radius, crown  [m] what the sensor was told: upright rolling radius, radius of the tread's section
    lean           [rad] the sensor's own
    """
    return spin * (radius - crown * (1.0 - math.cos(lean)))


@jit
def reference_lean(rate_y: float, rate_z: float, force_y: float, force_z: float, speed: float) -> float:
    """Lean [rad] of a bike that turns as it is and neither rolls nor slides sideways.

    rate_y, rate_z    [rad/s]   measured, axes of the sensor
    force_y, force_z  [m/s^2]   measured specific force
    speed             [m/s]     along the sensor's x
    """
    return math.atan2(force_y - speed * rate_z, force_z + speed * rate_y)


@jit
def follow(
    lean: float, rate_before: float, rate: float, reference: float, pull: float, step_s: float
) -> float:
    """The lean [rad] a step later: the trapezium of the roll rate, then some of the way to the reference.

    rate_before, rate  [rad/s] at the step's two ends
    pull               [1]     share of the way to the reference, 1 - exp(-step / T)
    A lasting difference b of the rate from the truth ends at b step (1 - pull) / pull, which is T b for
    small steps.
    """
    lean += 0.5 * (rate_before + rate) * step_s
    return wrapped(lean + pull * wrapped(reference - lean))


@jit
def run_sensor(
    rates: NDArray[np.float64],
    force: NDArray[np.float64],
    spin: NDArray[np.float64],
    radius: float,
    crown: float,
    pull: float,
    step_s: float,
    lean: NDArray[np.float64],
) -> None:
    """``lean`` (n,) [rad] of a sensor that begins at its reference and measures ``rates`` and ``force``.

    rates, force  (n, 3) [rad/s], [m/s^2] axes of the sensor
    spin          (n,) [rad/s] of the front wheel; radius, crown as in :func:`told_speed`
    """
    before = 0.0
    for n in range(lean.shape[0]):
        speed = told_speed(spin[n], radius, crown, before)
        to = reference_lean(rates[n, 1], rates[n, 2], force[n, 1], force[n, 2], speed)
        lean[n] = to if n == 0 else follow(before, rates[n - 1, 0], rates[n, 0], to, pull, step_s)
        before = lean[n]


def filtered(
    s: complex | Complex,
    rate: complex | Complex,
    reference: complex | Complex,
    pull: float,
    step_s: float,
    again: float = 0.0,
) -> Complex:
    """Lean, complex amplitude, the filter makes of a roll rate and a reference at ``s`` [1/s]; any shape.

    again  [1] how much of the lean of the step before is in the reference, by the speed it makes of the tyre
    From :func:`follow`, with z = exp(-s step):
    lean (1 - (1 - pull + pull again) z) = (1 - pull) step (1 + z) / 2 rate + pull reference
    """
    z = np.exp(-np.asarray(s, complex) * step_s)
    drawn = (1.0 - pull) * 0.5 * step_s * (1.0 + z) * rate + pull * np.asarray(reference)
    return np.asarray(drawn / (1.0 - (1.0 - pull + pull * again) * z))
