"""Inertial unit: three rate gyroscopes and three accelerometers in one box on the main frame.

Every tick, from the true rates and specific force at the unit's place:

1. turned into the unit's axes; the vibration of the road is added to the force
2. scale and cross-axis errors, what a gyro feels of force, bias, drift, temperature, noise
3. a low-pass of second order, as the device runs inside, well above its output rate
4. the lines of the engine's vibration, as the low-pass leaves them

A sample is that value cut at the range and rounded to the resolution. Nothing is averaged between samples,
so what the low-pass lets through above half the output rate folds, as in the device.

Noise has the terms of IEEE Std 952 (formulas from memory), each an Allan deviation over tau:

- white noise of density N (two-sided): N / sqrt(tau)
- bias instability B, correlation time T: a Gauss-Markov process of one sigma s = B x 0.6643 / 0.6174, so that
  its largest Allan deviation, 0.6174 s at tau = 1.893 T, is the flat minimum sqrt(2 ln 2 / pi) B = 0.6643 B
  that the standard's flicker noise of B has. A data sheet that prints the minimum itself prints 0.6643 B
- random walk of the bias K: K sqrt(tau / 3)

With a low-pass white noise is drawn every tick and goes through it; what samples show of it at low
frequencies is N times the root of the summed |H|^2 at multiples of the output rate: 1.2 % more than N with
150 Hz at 500 Hz. Without one it is drawn with the sample, and its density is N whatever the output rate.

The low-pass has the poles of the analogue one carried over exactly (exp(pole x tick)) and the numerator that
gives its steady gain, its steady delay and its response at the corner (:func:`matched_low_pass`). Up to the
corner it is the analogue filter within 0.1 dB and 0.3 degrees for corners up to 200 Hz and damping 0.5 to 1
(0.25 dB and 1.1 degrees at 250 Hz); an input taken as linear between ticks would be 0.65 dB low at 150 Hz.
Towards 500 Hz it lets through up to 5 dB more than the analogue one.

A line of the engine lies at order x engine speed / 2 pi, easily above the 500 Hz that ticks can carry, and
would fold before the low-pass. It is therefore computed as a sine, with the analogue low-pass's gain and
phase at its true frequency, and folds with the samples only, as in the device. That is exact while the
engine speed changes little within the low-pass's settling time, a few milliseconds.

Neglected: overload of the elements before the low-pass (rectified vibration), hysteresis, non-linearity,
cross-coupling through temperature gradients, size effect (the elements are at one point), coning and
sculling within a tick.  Source: definitions; model common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.axes import Vec3, rotate
from emulator.core.compiled import Record, jit
from emulator.core.random_streams import normal, stream_start

RATES, FORCE = 0, 1
"""The two triads."""

STREAMS = (
    *("imu_rates", "imu_force", "imu_rate_drift", "imu_force_drift", "imu_rate_walk", "imu_force_walk"),
    "imu_road",
)
"""Its random streams, one an effect."""
_WHITE, _DRIFT, _WALK, _ROAD = 0, 2, 4, 6

MOST_ORDERS = 6
HIGHEST_CORNER_SHARE = 0.25
"""Highest corner over the tick rate: beyond it a filter run at ticks is no longer the analogue one."""

MARKOV_PEAK = 0.617364
"""Largest Allan deviation of a first-order Gauss-Markov process over its one sigma ..."""
MARKOV_PEAK_AT = 1.892618
"""... and the tau it is at, in correlation times; of the closed form (IEEE Std 952, from memory)."""
FLICKER_FLAT = math.sqrt(2.0 * math.log(2.0) / math.pi)
"""Flat Allan minimum over the bias instability B (IEEE Std 952, from memory)."""

_TURN = 2.0 * math.pi

IMU_DTYPE = np.dtype(
    [
        # the first index is the triad, rates and force; units below are rad/s and m/s^2
        ("stream", np.int64, (len(STREAMS),)),  # random streams in use
        ("mount", np.float64, (9,)),  # R_UB by rows: main frame to unit
        ("matrix", np.float64, (2, 3, 3)),  # 1 + scale + cross-axis errors
        ("force_felt", np.float64, (2, 3)),  # per m/s^2 along the own axis
        ("bias", np.float64, (2, 3)),  # fixed and turn-on
        ("bias_per_kelvin", np.float64, (2, 3)),
        ("scale_per_kelvin", np.float64, (2, 3)),
        ("noise_sample", np.float64, (2,)),  # white, one sigma drawn with a sample, or
        ("noise_tick", np.float64, (2,)),  # drawn every tick, before the low-pass
        ("drift_sigma", np.float64, (2,)),  # Gauss-Markov
        ("drift_keep", np.float64, (2,)),  # exp(-tick / correlation time)
        ("drift_step", np.float64, (2,)),  # one sigma of what a tick adds
        ("walk_step", np.float64, (2,)),  # one sigma of a tick
        ("filtered", np.int64, (2,)),
        ("numerator", np.float64, (2, 4)),
        ("poles", np.float64, (2, 2)),  # denominator 1 + poles[0] / z + poles[1] / z^2
        ("natural", np.float64, (2,)),  # [rad/s] of the analogue low-pass
        ("damping", np.float64, (2,)),
        ("limit", np.float64, (2,)),  # infinite: no range
        ("resolution", np.float64, (2,)),  # 0 none
        ("warm_start", np.float64),  # temperature over the calibrated one [K]
        ("warm_end", np.float64),
        ("warm_gain", np.float64),  # 1 - exp(-tick / time constant)
        ("orders", np.int64),
        ("order", np.float64, (MOST_ORDERS,)),
        ("shake", np.float64, (MOST_ORDERS, 2, 3)),  # line over engine speed squared, unit's axes
        ("road", np.float64, (3,)),  # m/s^2 over front wheel spin, main frame's axes
        ("road_keep", np.float64, (2, 2)),  # of the vibrating structure: a tick's motion ...
        ("road_kick", np.float64, (3,)),  # ... and its random part, lower triangle by rows
        ("tick_s", np.float64),
        # state
        ("fresh", np.int64),  # 1: begins anew with the next tick
        ("settled", np.int64),  # 1: the low-pass was brought to rest with the signals
        ("warm", np.float64),
        ("crank", np.float64),  # [rad] within two turns
        ("engine", np.float64),  # [rad/s]
        ("drift", np.float64, (2, 3)),
        ("walk", np.float64, (2, 3)),
        ("input", np.float64, (2, 3)),  # of the low-pass, last finite one
        ("memory", np.float64, (2, 3, 3)),  # of the low-pass
        ("shaking", np.float64, (3, 2)),
        ("value", np.float64, (2, 3)),  # what a sample would take, before range and resolution
    ]
)
"""One unit; records come from :func:`inertial_unit`."""


class Triad(NamedTuple):
    """Three gyroscopes [rad/s] or accelerometers [m/s^2]; U stands for the unit. Defaults are off.

    noise_density  [U/sqrt(Hz)] two-sided
    sample_hz      [Hz] rate its samples are taken at; only white noise without a low-pass needs it
    bias           [U] by axis; turn_on_bias [U] one sigma of what each run draws on top
    instability    [U] B of the bias instability; correlation_s [s]
    walk           [U/s/sqrt(Hz)] K
    scale_error    [1] by axis
    cross_axis     [rad] what x feels of y, x of z, y of x, y of z, z of x, z of y
    force_felt     [U per m/s^2] by axis, along itself
    bias_per_kelvin, scale_per_kelvin  [U/K], [1/K] by axis
    corner_hz      [Hz] natural frequency of the low-pass, None: no low-pass; damping [1]
    limit          [U] range, either way; resolution [U], 0 none
    """

    noise_density: float = 0.0
    sample_hz: float = 0.0
    bias: Sequence[float] = (0.0, 0.0, 0.0)
    turn_on_bias: float = 0.0
    instability: float = 0.0
    correlation_s: float = 100.0
    walk: float = 0.0
    scale_error: Sequence[float] = (0.0, 0.0, 0.0)
    cross_axis: Sequence[float] = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    force_felt: Sequence[float] = (0.0, 0.0, 0.0)
    bias_per_kelvin: Sequence[float] = (0.0, 0.0, 0.0)
    scale_per_kelvin: Sequence[float] = (0.0, 0.0, 0.0)
    corner_hz: float | None = None
    damping: float = 0.7
    limit: float = math.inf
    resolution: float = 0.0


_OFF = Triad()


class Warming(NamedTuple):
    """From start to end [K] over the calibrated temperature, exponentially with time constant [s]."""

    start: float = 0.0
    end: float = 0.0
    time_constant_s: float = 300.0


class EngineOrder(NamedTuple):
    """A line at ``order`` times the engine's speed.

    Amplitude [m/s^2] by axis of the main frame at ``at_rad_s``, growing with the square of engine speed.
    """

    order: float
    amplitude: Sequence[float]
    at_rad_s: float


class RoadBand(NamedTuple):
    """Noise around a frequency, as of a structure the road shakes; one sigma grows with wheel spin.

    per_spin      [m/s^2 over rad/s] by axis of the main frame, over front wheel spin
    centre_hz     [Hz] natural frequency of the structure; damping [1], below 1
    """

    per_spin: Sequence[float]
    centre_hz: float
    damping: float


RoadTick = tuple[NDArray[np.float64], list[float]]


def matched_low_pass(corner_hz: float, damping: float, tick_s: float) -> tuple[list[float], list[float]]:
    """Numerator (4) and denominator (3) in 1/z of the analogue w^2 / (s^2 + 2 d w s + w^2) run at ticks.

    Poles exactly those of the analogue filter; gain and delay at rest and the response at the corner are its
    own, too. Raises ValueError for a corner above a quarter of the tick rate.
    """
    if not 0.0 < corner_hz <= HIGHEST_CORNER_SHARE / tick_s:
        raise ValueError(
            f"expected a corner above 0 and up to {HIGHEST_CORNER_SHARE / tick_s:g} Hz, got {corner_hz:g}"
        )
    w = _TURN * corner_hz
    roots = np.roots([1.0, 2.0 * damping * w, w * w])
    a = np.real(np.poly(np.exp(roots * tick_s)))
    taps = np.arange(4)
    late = np.exp(-1j * w * tick_s)
    response = 1.0 / (2j * damping) * np.sum(a * late ** np.arange(3))  # of the numerator, at the corner
    delay = (2.0 * damping / w / tick_s + np.arange(3) @ a / a.sum()) * a.sum()
    rows = np.array([np.ones(4), taps, (late**taps).real, (late**taps).imag])
    b = np.linalg.solve(rows, [a.sum(), delay, response.real, response.imag])
    return b.tolist(), a.tolist()


def turned(roll: float, pitch: float, yaw: float) -> NDArray[np.float64]:
    """(3, 3) R_UB of a unit turned in the main frame by yaw, then pitch, then roll [rad]."""
    cr, sr, cp, sp = math.cos(roll), math.sin(roll), math.cos(pitch), math.sin(pitch)
    cy, sy = math.cos(yaw), math.sin(yaw)
    return (
        np.array([[1.0, 0.0, 0.0], [0.0, cr, sr], [0.0, -sr, cr]])
        @ np.array([[cp, 0.0, -sp], [0.0, 1.0, 0.0], [sp, 0.0, cp]])
        @ np.array([[cy, sy, 0.0], [-sy, cy, 0.0], [0.0, 0.0, 1.0]])
    )


def inertial_unit(
    rates: Triad = _OFF,
    force: Triad = _OFF,
    *,
    tick_s: float,
    seed: int = 0,
    mount: NDArray[np.float64] | None = None,
    warming: Warming | None = None,
    orders: Sequence[EngineOrder] = (),
    road: RoadBand | None = None,
    road_tick: RoadTick | None = None,
    streams: Sequence[int] = range(len(STREAMS)),
) -> NDArray[np.void]:
    """(1,) IMU_DTYPE: a unit that begins with its next tick, turn-on bias drawn from the seed.

    mount         (3, 3) R_UB; None: along the main frame
    road_tick     what a tick of that band is made of, if it is known already: :func:`tick_of_road`
    streams       its random streams, in the order of STREAMS
    Raises ValueError for more than MOST_ORDERS orders, and for corners a tick can't carry.
    """
    if len(orders) > MOST_ORDERS:
        raise ValueError(f"expected at most {MOST_ORDERS} engine orders, got {len(orders)}")
    unit = np.zeros(1, IMU_DTYPE)
    u = unit[0]
    turn = np.eye(3) if mount is None else mount
    u["stream"] = streams
    u["mount"], u["tick_s"], u["fresh"] = turn.ravel(), tick_s, 1
    for t, (triad, name) in enumerate(((rates, "rates"), (force, "force"))):
        xy, xz, yx, yz, zx, zy = triad.cross_axis
        cross = np.array([[0.0, xy, xz], [yx, 0.0, yz], [zx, zy, 0.0]])
        u["matrix"][t] = np.eye(3) + np.diag(triad.scale_error) + cross
        u["force_felt"][t] = triad.force_felt
        stream = np.array([stream_start(seed, f"imu_turn_on/{name}")], np.uint64)
        drawn = np.array([normal(stream, 0) for _ in range(3)])
        u["bias"][t] = np.asarray(triad.bias) + triad.turn_on_bias * drawn
        u["bias_per_kelvin"][t], u["scale_per_kelvin"][t] = triad.bias_per_kelvin, triad.scale_per_kelvin
        u["drift_sigma"][t] = triad.instability * FLICKER_FLAT / MARKOV_PEAK
        u["drift_keep"][t] = math.exp(-tick_s / triad.correlation_s)
        u["drift_step"][t] = math.sqrt(-math.expm1(-2.0 * tick_s / triad.correlation_s)) * u["drift_sigma"][t]
        u["walk_step"][t] = triad.walk * math.sqrt(tick_s)
        if triad.corner_hz is None:
            u["noise_sample"][t] = triad.noise_density * math.sqrt(triad.sample_hz)
        else:
            u["noise_tick"][t] = triad.noise_density / math.sqrt(tick_s)
            b, a = matched_low_pass(triad.corner_hz, triad.damping, tick_s)
            u["filtered"][t], u["numerator"][t], u["poles"][t] = 1, b, a[1:]
            u["natural"][t], u["damping"][t] = _TURN * triad.corner_hz, triad.damping
        u["resolution"][t] = triad.resolution
        steps = (
            math.floor(triad.limit / triad.resolution) if triad.resolution and triad.limit < math.inf else 0
        )
        u["limit"][t] = steps * triad.resolution if steps else triad.limit
    if warming is not None:
        u["warm_start"], u["warm_end"] = warming.start, warming.end
        u["warm_gain"] = -math.expm1(-tick_s / warming.time_constant_s)
    u["orders"] = len(orders)
    for i, line in enumerate(orders):
        felt = turn @ np.asarray(line.amplitude, float) / line.at_rad_s**2
        u["order"][i] = line.order
        u["shake"][i, RATES], u["shake"][i, FORCE] = u["force_felt"][RATES] * felt, u["matrix"][FORCE] @ felt
    if road is not None:
        u["road"] = road.per_spin
        u["road_keep"], u["road_kick"] = tick_of_road(road, tick_s) if road_tick is None else road_tick
    return unit


def tick_of_road(road: RoadBand, tick_s: float) -> RoadTick:
    """A tick of a damped oscillator under white noise, exactly; states w x and velocity, unit variance.

    (2, 2) what they keep, and how strongly two random numbers kick them: the first both, the second one.
    """

    from scipy.linalg import expm

    w = _TURN * road.centre_hz
    keep = expm(np.array([[0.0, w], [-w, -2.0 * road.damping * w]]) * tick_s)
    # In the stationary state both have unit variance and are uncorrelated: what a tick forgets comes anew.
    kick = np.linalg.cholesky(np.eye(3)[:2, :2] - keep @ keep.T)
    return keep, [kick[0, 0], kick[1, 0], kick[1, 1]]


@jit
def _settle(u: Record, t: int, k: int, value: float) -> None:
    """The low-pass of one axis as after a long time at ``value``."""
    b, a, m = u.numerator[t], u.poles[t], u.memory[t, k]
    m[2] = b[3] * value
    m[1] = (b[2] - a[1]) * value + m[2]
    m[0] = (b[1] - a[0]) * value + m[1]


@jit
def _axis(u: Record, t: int, k: int, w: Vec3, f: Vec3, streams: NDArray[np.uint64], settle: bool) -> None:
    """One element of triad ``t``: from motion ``w`` and force ``f`` along the unit's axes to ``u.value``."""
    row, own = u.matrix[t, k], w[k] if t == RATES else f[k]
    if t == RATES:
        value = row[0] * w[0] + row[1] * w[1] + row[2] * w[2] + u.force_felt[t, k] * f[k]
    else:
        value = row[0] * f[0] + row[1] * f[1] + row[2] * f[2]
    value += u.scale_per_kelvin[t, k] * u.warm * own + u.bias[t, k] + u.bias_per_kelvin[t, k] * u.warm
    sigma = u.drift_sigma[t]
    if sigma > 0.0:
        drawn = normal(streams, u.stream[_DRIFT + t])
        if u.fresh:
            u.drift[t, k] = sigma * drawn
        else:
            u.drift[t, k] = u.drift_keep[t] * u.drift[t, k] + u.drift_step[t] * drawn
        value += u.drift[t, k]
    if u.walk_step[t] > 0.0:
        u.walk[t, k] += u.walk_step[t] * normal(streams, u.stream[_WALK + t])
        value += u.walk[t, k]
    if not math.isfinite(value):
        value = u.input[t, k]
    u.input[t, k] = value
    if u.filtered[t]:
        if settle:
            _settle(u, t, k, value)
        if u.noise_tick[t] > 0.0:
            value += u.noise_tick[t] * normal(streams, u.stream[_WHITE + t])
        b, a, m = u.numerator[t], u.poles[t], u.memory[t, k]
        out = b[0] * value + m[0]
        m[0] = b[1] * value - a[0] * out + m[1]
        m[1] = b[2] * value - a[1] * out + m[2]
        m[2] = b[3] * value
        value = out
    u.value[t, k] = value


@jit
def _add_lines(u: Record) -> None:
    """The engine's lines as the low-pass leaves them at this engine speed."""
    squared = u.engine * u.engine
    for i in range(u.orders):
        c, s = math.cos(u.order[i] * u.crank), math.sin(u.order[i] * u.crank)
        for t in range(2):
            part = squared * c
            if u.filtered[t]:
                # analogue: H = 1 / (1 - r^2 + 2 j d r)
                r = u.order[i] * u.engine / u.natural[t]
                re, im = 1.0 - r * r, 2.0 * u.damping[t] * r
                part = squared * (re * c + im * s) / (re * re + im * im)
            for k in range(3):
                u.value[t, k] += u.shake[i, t, k] * part


@jit
def feel(
    u: Record, w: Vec3, f: Vec3, engine: float, spin: float, streams: NDArray[np.uint64], at_rest: bool
) -> None:
    """One tick of the unit; call every tick.

    w, f     [rad/s], [m/s^2] rates and specific force at the unit's place, main frame's axes
    engine   [rad/s] of the crankshaft; spin [rad/s] of the front wheel
    at_rest  the signals are at rest after a ride: the low-pass is with them at once
    An input that is not a number is taken as the last one.
    """
    if u.fresh:
        u.warm, u.crank, u.engine = u.warm_start, 0.0, engine
        u.walk[:] = 0.0
    else:
        u.warm += u.warm_gain * (u.warm_end - u.warm)
    if not math.isfinite(engine):
        engine = u.engine
    # A working cycle is two turns: half orders come round with it.
    u.crank = (u.crank + 0.5 * (u.engine + engine) * u.tick_s) % (2.0 * _TURN)
    u.engine = engine
    fx, fy, fz = f
    if u.road[0] != 0.0 or u.road[1] != 0.0 or u.road[2] != 0.0:
        for k in range(3):
            n, v = u.shaking[k], normal(streams, u.stream[_ROAD])
            z = normal(streams, u.stream[_ROAD])
            if u.fresh:
                n[0], n[1] = v, z
            else:
                x = n[0]
                n[0] = u.road_keep[0, 0] * x + u.road_keep[0, 1] * n[1] + u.road_kick[0] * v
                n[1] = (
                    u.road_keep[1, 0] * x + u.road_keep[1, 1] * n[1] + u.road_kick[1] * v + u.road_kick[2] * z
                )
        size = abs(spin)
        fx += u.road[0] * size * u.shaking[0, 1]
        fy += u.road[1] * size * u.shaking[1, 1]
        fz += u.road[2] * size * u.shaking[2, 1]
    m = u.mount
    R = (m[0], m[1], m[2], m[3], m[4], m[5], m[6], m[7], m[8])
    w_u, f_u = rotate(R, w[0], w[1], w[2]), rotate(R, fx, fy, fz)
    settle = u.fresh != 0 or (at_rest and u.settled == 0)
    for t in range(2):
        for k in range(3):
            _axis(u, t, k, w_u, f_u, streams, settle)
    u.fresh = 0
    u.settled = int(at_rest)
    _add_lines(u)


@jit
def restart(u: Record) -> None:
    """Begin anew with the next tick: cold, steady, drift drawn from its stream again."""
    u.fresh = 1


@jit
def reading(u: Record, t: int, k: int, streams: NDArray[np.uint64]) -> float:
    """A sample of axis ``k`` of triad ``t``: cut at the range, in steps of the resolution.

    Draws the white noise of a unit without a low-pass.
    """
    value = u.value[t, k]
    if u.noise_sample[t] > 0.0:
        value += u.noise_sample[t] * normal(streams, u.stream[_WHITE + t])
    if u.resolution[t] > 0.0:
        value = float(np.rint(value / u.resolution[t])) * u.resolution[t]
    return min(u.limit[t], max(-u.limit[t], value))
