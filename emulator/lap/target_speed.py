"""Quasi-steady target speed along a line: as fast as lean, grip, engine and brakes allow, and no faster.

The rider is a point mass that leans at once. At every station the lateral limit caps the speed; a pass
forwards bounds how fast speed may rise, a pass backwards how fast it may fall. What cornering leaves for
accelerating and braking is the friction ellipse: with lateral use u = |curvature| v^2 / lateral limit, the
share sqrt(1 - u^2) of the longitudinal limit is left.

A change from full drive to full brake in one step would ask for infinite jerk, so the result is averaged
over a window of riding time T. Three facts make that safe for every limit:

1. A minimum filter over T, then an average over T, never lies above the input: each minimum in the average
   is taken over a window that holds the point itself.
2. Done over tau, the riding time of the unsmoothed profile v (d tau = ds / v), the result w has the
   acceleration (w / v) times an average of the accelerations within T, and w <= v.
3. The ellipse's share is concave in v, so an average of shares is at most the share at the average speed,
   provided the curvature behind every share is at least the local one. The passes therefore
   take the greatest curvature, the least grip and the worst slope within T for the longitudinal limits.

Bank and slope change what grip allows: the lateral limit on a banked corner, the load, and the part of
gravity along the path. Signs as in ``ideal_lap``: bank positive right side down, slope positive uphill.
Bounds are kept simple and on the safe side: a crest lightens by the greatest speed the station allows
otherwise, a dip is not counted. The lean limit needs no change: lean against the vertical is set by
lateral acceleration alone.

Source: forward-backward pass and friction ellipse are common practice, no source; the bound above: derived
here, checked in tests/lap/test_target_speed.py.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import jit, jit_with_memory
from emulator.core.constants import GRAVITY as G
from emulator.road.line import Line

Array = NDArray[np.float64]

AIR_DENSITY = 1.225
"""Air density [kg/m^3] at sea level. Source: ISO 2533:1975, standard atmosphere."""
LOWEST_START = 1.0
"""With a jerk limit a start slower than this [m/s] would take for ever: see ``target_speed``."""


class SpeedLimits(NamedTuple):
    """What bounds the target speed.

    lateral_m_s2       lateral acceleration at full lean (g tan(lean) for a point-mass rider)
    braking_m_s2       deceleration upright, positive: brakes, stoppie, or what the team allows
    drive_m_s2         acceleration upright that tyre and front-wheel lift allow
    top_speed_m_s      never exceeded
    engine_speed_m_s   (k,) rising speeds of the engine's curve
    engine_m_s2        (k,) acceleration engine and drag leave at those speeds; not above it
    jerk_m_s3          greatest rate of change of acceleration; infinite = no smoothing
    """

    lateral_m_s2: float
    braking_m_s2: float
    drive_m_s2: float
    top_speed_m_s: float
    engine_speed_m_s: Array
    engine_m_s2: Array
    jerk_m_s3: float


def speed_limits(
    *,
    lean_rad: float,
    braking_m_s2: float,
    drive_m_s2: float,
    top_speed_m_s: float,
    engine_speed_m_s: Array | None = None,
    engine_m_s2: Array | None = None,
    jerk_m_s3: float = 30.0,
) -> SpeedLimits:
    """Limits from a greatest lean angle [rad]; without an engine curve only ``drive_m_s2`` bounds drive.

    Raises ValueError that names the number: lean outside 0..80 degrees, a limit not above 0, an engine
    curve whose speeds don't rise or whose lengths differ.
    """
    if not 0.0 < lean_rad < math.radians(80.0):
        raise ValueError(f"lean_rad: expected more than 0 and less than 80 degrees in rad, got {lean_rad}")
    for name, value in (
        ("braking_m_s2", braking_m_s2),
        ("drive_m_s2", drive_m_s2),
        ("top_speed_m_s", top_speed_m_s),
        ("jerk_m_s3", jerk_m_s3),
    ):
        if not value > 0.0 or (math.isinf(value) and name != "jerk_m_s3"):
            raise ValueError(f"{name}: expected a number above 0, got {value}")
    if engine_speed_m_s is None or engine_m_s2 is None:
        if engine_speed_m_s is not None or engine_m_s2 is not None:
            raise ValueError("engine curve: expected both engine_speed_m_s and engine_m_s2, or neither")
        engine_speed_m_s, engine_m_s2 = np.array([0.0, top_speed_m_s]), np.full(2, drive_m_s2)
    speeds = np.ascontiguousarray(engine_speed_m_s, np.float64)
    values = np.ascontiguousarray(engine_m_s2, np.float64)
    if (
        speeds.ndim != 1
        or speeds.shape != values.shape
        or speeds.size < 2
        or not np.all(np.diff(speeds) > 0.0)
    ):
        raise ValueError("engine curve: expected two or more speeds, rising, and as many accelerations")
    if not (np.isfinite(speeds).all() and np.isfinite(values).all()) or values[0] <= 0.0:
        raise ValueError("engine curve: expected finite numbers, the first acceleration above 0")
    return SpeedLimits(
        G * math.tan(lean_rad),
        braking_m_s2,
        drive_m_s2,
        top_speed_m_s,
        speeds,
        values,
        jerk_m_s3,
    )


def engine_curve(
    power_W: float, mass_kg: float, drag_area_m2: float, top_speed_m_s: float
) -> tuple[Array, Array]:
    """Acceleration that a constant power leaves after air drag: (speeds [m/s], accelerations [m/s^2]).

    P / (m v) - rho cd_a v^2 / (2 m) every 0.25 m/s from 1 m/s to a little past ``top_speed_m_s``.
    ``drag_area_m2`` is the drag coefficient times frontal area. Neglected: rolling resistance,
    the wheels' and the engine's inertia.
    """
    speed = np.arange(1.0, top_speed_m_s + 1.0, 0.25)
    drag = 0.5 * AIR_DENSITY * drag_area_m2 * speed**2
    return speed, (power_W / speed - drag) / mass_kg


@jit
def _interpolate(xs: Array, ys: Array, x: float) -> float:
    """Linear in the table, held at its ends."""
    if x <= xs[0]:
        first: float = ys[0]
        return first
    last = xs.size - 1
    if x >= xs[last]:
        end: float = ys[last]
        return end
    low, high = 0, last
    while high - low > 1:
        middle = (low + high) // 2
        if xs[middle] <= x:
            low = middle
        else:
            high = middle
    value: float = ys[low] + (x - xs[low]) / (xs[high] - xs[low]) * (ys[high] - ys[low])
    return value


@jit
def _share(curvature: float, lateral: float, v: float) -> float:
    """Part of the longitudinal limit the friction ellipse leaves at this speed [1]."""
    use = abs(curvature) * v * v / lateral
    return math.sqrt(1.0 - use * use) if use < 1.0 else 0.0


@jit
def _drive(limits: SpeedLimits, at: Array, v: float) -> float:
    """Greatest acceleration at speed v [m/s^2], at least 0; ``at`` as in ``_passes``."""
    tyre = min(limits.drive_m_s2, at[1]) * _share(at[2], min(limits.lateral_m_s2, at[0]), v)
    engine = _interpolate(limits.engine_speed_m_s, limits.engine_m_s2, v)
    return float(max(min(tyre, engine) - at[3], 0.0))


@jit
def _brake(limits: SpeedLimits, at: Array, v: float) -> float:
    """Greatest deceleration at speed v [m/s^2], at least 0."""
    tyre = min(limits.braking_m_s2, at[1]) * _share(at[2], min(limits.lateral_m_s2, at[0]), v)
    return float(max(tyre + at[4], 0.0))


@jit
def _reach(limits: SpeedLimits, here: Array, there: Array, v: float, ds: float, forward: bool) -> float:
    """Speed that is reached one step on; here and there are rows as in ``_passes``.

    The acceleration is bounded at both ends of the step; at the far end by the limit at the
    speed the near end's limit would give, which is never lower, so the bound holds.
    """
    a = _drive(limits, here, v) if forward else _brake(limits, here, v)
    far = math.sqrt(v * v + 2.0 * ds * a)
    b = _drive(limits, there, far) if forward else _brake(limits, there, far)
    return math.sqrt(v * v + 2.0 * ds * min(a, b))


@jit
def _passes(limits: SpeedLimits, v: Array, at: Array, ds: float, closed: bool) -> None:
    """Lower ``v`` (n+1,) in place until it can be ridden.

    at (n+1, 5): what grip allows across and along [m/s^2], curvature [1/m], gravity along the path, positive
    where it slows [m/s^2], for driving and for braking.

    Closed: ``v[n]`` is ``v[0]``, and each pass goes round twice from the slowest sample, which the other
    samples can't lower.
    """
    n = v.size - 1
    start = int(np.argmin(v[:n])) if closed else 0
    steps = 2 * n if closed else n
    for k in range(steps):
        i = (start + k) % n
        v[i + 1] = min(v[i + 1], _reach(limits, at[i], at[i + 1], v[i], ds, True))
        if closed and i + 1 == n:
            v[0] = min(v[0], v[n])
            v[n] = v[0]
    start = start if closed else n
    for k in range(steps):
        i = (start - k - 1) % n + 1
        v[i - 1] = min(v[i - 1], _reach(limits, at[i], at[i - 1], v[i], ds, False))
        if closed and i == 1:
            v[n] = min(v[0], v[n])
            v[0] = v[n]


@jit_with_memory
def _greatest(tau: Array, values: Array, half: float, outer: bool) -> Array:
    """Greatest of ``values`` (piecewise linear over rising tau) within ``half`` of each sample.

    ``outer``: also over the samples next outside the window, which bound every step that reaches into it.
    """
    out = np.empty_like(values)
    low = 0
    for i in range(tau.size):
        begin, end = tau[i] - half, tau[i] + half
        while tau[low] < begin:
            low += 1
        best = values[i]
        j = low
        while j < tau.size and tau[j] <= end:
            best = max(best, values[j])
            j += 1
        if low > 0:
            share = (begin - tau[low - 1]) / (tau[low] - tau[low - 1])
            edge = values[low - 1] + share * (values[low] - values[low - 1])
            best = max(best, values[low - 1] if outer else edge)
        if j < tau.size:
            share = (end - tau[j - 1]) / (tau[j] - tau[j - 1])
            edge = values[j - 1] + share * (values[j] - values[j - 1])
            best = max(best, values[j] if outer else edge)
        out[i] = best
    return out


def _riding_time(v: Array, ds: float) -> Array:
    """Time from the first sample to each [s], at constant acceleration between samples."""
    return np.concatenate([[0.0], np.cumsum(2.0 * ds / (v[:-1] + v[1:]))])


def _padded(tau: Array, values: Array, reach: float, closed: bool) -> tuple[Array, Array, slice]:
    """The arrays with what lies up to ``reach`` beyond both ends, and where the original stands.

    Closed: the neighbouring laps; open: the end values held.
    """
    n = tau.size - 1
    if not closed:
        tau2 = np.concatenate([[-reach - 1.0, -1e-9], tau, [tau[-1] + 1e-9, tau[-1] + reach + 1.0]])
        values2 = np.concatenate([values[[0, 0]], values, values[[-1, -1]]])
        return tau2, values2, slice(2, n + 3)
    laps = max(math.ceil(reach / float(tau[-1])) + 1, 1)
    tau2 = np.concatenate([tau[:-1] + k * tau[-1] for k in range(-laps, laps + 1)] + [tau[-1:] * (laps + 1)])
    values2 = np.concatenate([values[:-1]] * (2 * laps + 1) + [values[-1:]])
    return tau2, values2, slice(laps * n, laps * n + n + 1)


def _near_greatest(tau: Array, values: Array, half: float, closed: bool, *, outer: bool) -> Array:
    """``_greatest``, over the lap end where there is one."""
    tau2, values2, middle = _padded(tau, values, half, closed)
    return np.asarray(_greatest(tau2, values2, half, outer)[middle])


def _averaged(tau: Array, values: Array, window: float, closed: bool) -> Array:
    """Average of the piecewise linear ``values`` over ``window`` centred on each sample."""
    tau2, values2, middle = _padded(tau, values, window, closed)
    pieces = np.diff(tau2)
    area = np.concatenate([[0.0], np.cumsum(0.5 * (values2[1:] + values2[:-1]) * pieces)])
    slope = np.diff(values2) / pieces

    def integral(at: Array) -> Array:
        k = np.clip(np.searchsorted(tau2, at, side="right") - 1, 0, pieces.size - 1)
        u = at - tau2[k]
        return np.asarray(area[k] + u * (values2[k] + 0.5 * slope[k] * u))

    centre = tau2[middle]
    return (integral(centre + window / 2.0) - integral(centre - window / 2.0)) / window


def smoothed(line: Line, speed: Array, window_s: float) -> Array:
    """The speed (n+1,) [m/s], least within half a window of riding time, then averaged over the window.

    Nowhere above ``speed``, and its changes of acceleration are spread over the window.
    """
    tau = _riding_time(speed, line.length / (line.station.size - 1))
    # One step wider than half the window: between two samples the minimum is taken as linear, and both
    # of them must have looked at the point that the average is for.
    step = float(np.diff(tau).max())
    least = -_near_greatest(tau, -speed, window_s / 2.0 + step, line.closed, outer=False)
    # Rounding of the average alone can lie above it.
    smooth = np.minimum(_averaged(tau, least, window_s, line.closed), speed)
    if line.closed:
        smooth[-1] = smooth[0]
    return smooth


def acceleration(line: Line, speed: Array) -> Array:
    """Acceleration [m/s^2] in each of the line's n intervals that the speeds (n+1,) [m/s] mean."""
    return np.diff(speed**2) / (2.0 * line.length / (line.station.size - 1))


def jerk(line: Line, speed: Array) -> Array:
    """Rate of change of acceleration [m/s^3] between neighbouring intervals.

    At the inner samples (n-1,); on a closed line (n,), the last one over the lap end.
    """
    a = acceleration(line, speed)
    times = np.diff(_riding_time(speed, line.length / (line.station.size - 1)))
    if line.closed:
        a, times = np.append(a, a[0]), np.append(times, times[0])
    return np.diff(a) / (0.5 * (times[1:] + times[:-1]))


def braked(from_m_s: float, to_m_s: float, deceleration_m_s2: float, jerk_m_s3: float) -> tuple[Array, Array]:
    """Braking in a straight line: ways (k,) [m] from its beginning and speeds (k,) [m/s], last ``to_m_s``.

    The deceleration is built up at the jerk, held and let go at the jerk; where the speeds are too near for
    that it stays below the one given. Source: definition (trapezium in time), integrated in closed form.
    """
    gone = from_m_s - to_m_s
    most = min(deceleration_m_s2, math.sqrt(gone * jerk_m_s3))
    ramp = most / jerk_m_s3
    whole = gone / most + ramp  # [s], of which both ramps take their part
    t = np.unique(np.concatenate([np.linspace(0.0, whole, 2001), [ramp, whole - ramp]]))
    up, down = np.minimum(t, ramp), np.maximum(t - (whole - ramp), 0.0)
    held = np.clip(t - ramp, 0.0, None)
    # integrals of: rising from 0 for ``ramp``, held since, falling from ``whole - ramp`` on
    lost = 0.5 * jerk_m_s3 * up**2 + most * held - 0.5 * jerk_m_s3 * down**2
    short = (
        jerk_m_s3 * up**3 / 6.0 + 0.5 * most * ramp * held + 0.5 * most * held**2 - jerk_m_s3 * down**3 / 6.0
    )
    return from_m_s * t - short, from_m_s - lost


def lap_time(line: Line, speed: Array | None = None) -> float:
    """Time [s] for the line at its target speed, or at ``speed`` (n+1,): sum of ds / v."""
    v = line.target_speed if speed is None else speed
    return float(_riding_time(v, line.length / (line.station.size - 1))[-1])


def target_speed(
    line: Line,
    limits: SpeedLimits,
    *,
    grip: float | Array = math.inf,
    initial_speed_m_s: float | None = None,
    bank: float | Array | None = None,
    slope: float | Array | None = None,
) -> Array:
    """Target speed [m/s] at each sample (n+1,) of the line; ``target_speed`` of a line that has them.

    line               closed: periodic over the lap
    limits             see ``SpeedLimits``
    grip               [1] friction coefficient, one number or (n+1,): caps lateral, drive and braking
    initial_speed_m_s  speed at station 0, for an open line or the first lap of a closed one; without it
                       an open line starts as fast as the limits allow. With a jerk limit it must be 1 m/s
                       or more (a bench start is towed); with infinite jerk 0 is a standing start
    bank               [rad] positive right side down, one number or (n+1,); None takes the line's
    slope              [rad] positive uphill; None takes the line's. Station counts as the way ridden (0.5 %
                       short on a slope of 10 %)

    Every limit holds on every sample and in every step. The smoothing window is (drive + braking) / jerk,
    which kept the jerk in every case tried; the result is checked.
    Raises ValueError if a grip is not above 0, bank or slope ask for more than there is, the initial speed
    can't be had, or the jerk can't be met.
    """
    n = line.station.size - 1
    grips = np.broadcast_to(np.asarray(grip, np.float64), (n + 1,))
    banks = np.broadcast_to(np.asarray(line.bank if bank is None else bank, np.float64), (n + 1,))
    slopes = np.broadcast_to(np.asarray(line.slope if slope is None else slope, np.float64), (n + 1,))
    if line.closed and initial_speed_m_s is not None:
        # Two laps laid out straight on: the first one then ends as the second one has to begin.
        both = line._replace(
            station=np.concatenate([line.station[:-1], line.station + line.length]),
            curvature=np.concatenate([line.curvature[:-1], line.curvature]),
            length=2.0 * line.length,
            closed=False,
        )
        twice = [np.concatenate([lap[:-1], lap]) for lap in (grips, banks, slopes)]
        return target_speed(
            both,
            limits,
            grip=twice[0],
            bank=twice[1],
            slope=twice[2],
            initial_speed_m_s=initial_speed_m_s,
        )[: n + 1].copy()
    ds = line.length / n
    if not (grips > 0.0).all():
        raise ValueError(f"grip: expected numbers above 0, got {float(np.min(grips)):g}")
    closed = line.closed
    curvature = np.abs(line.curvature)
    across, along, crest = _allowed(line, limits, grips, banks, slopes)
    uphill = G * np.sin(slopes)
    cap = _greatest_speed(limits, curvature, np.minimum(limits.lateral_m_s2, across), along, uphill)
    cap = np.minimum(cap, crest)
    if initial_speed_m_s is not None:
        lowest = 0.0 if math.isinf(limits.jerk_m_s3) else LOWEST_START
        if not lowest <= initial_speed_m_s <= cap[0]:
            raise ValueError(
                f"initial_speed_m_s: expected {lowest:g} to {cap[0]:.3f} m/s (the limit at station 0), "
                f"got {initial_speed_m_s}"
            )
        cap[0] = initial_speed_m_s

    def ridden(*at: Array) -> Array:
        v = cap.copy()
        _passes(limits, v, np.ascontiguousarray(np.column_stack(at)), ds, closed)
        if initial_speed_m_s is not None and v[0] < initial_speed_m_s - 1e-9:
            raise ValueError(
                f"initial_speed_m_s: {initial_speed_m_s} is too fast to brake for the first corner; "
                f"expected at most {v[0]:.3f}"
            )
        return v

    rough = ridden(across, along, curvature, uphill, uphill)
    if math.isinf(limits.jerk_m_s3):
        return rough
    tau0 = _riding_time(rough, ds)
    step = float(np.diff(tau0).max())
    window = (limits.braking_m_s2 + limits.drive_m_s2) / limits.jerk_m_s3

    def greatest_near(values: Array) -> Array:
        return _near_greatest(tau0, values, window + 2.0 * step, closed, outer=True)

    v = ridden(
        -greatest_near(-across),
        -greatest_near(-along),
        greatest_near(curvature),
        greatest_near(uphill),
        -greatest_near(-uphill),
    )
    smooth = smoothed(line, v, window)
    worst = float(np.abs(jerk(line, smooth)).max())
    if worst > limits.jerk_m_s3:
        raise ValueError(
            f"jerk_m_s3: {limits.jerk_m_s3:g} can't be met on this line, it would be {worst:.3g}; allow more"
        )
    return smooth


def _allowed(
    line: Line, limits: SpeedLimits, grips: Array, banks: Array, slopes: Array
) -> tuple[Array, Array, Array]:
    """What road and grip allow at each sample (n+1,).

    Acceleration towards the inner side and along the path [m/s^2], and the speed [m/s] at which a crest takes
    half the load. The lateral limit on a road banked by b towards the inner side is
    g (mu + tan b) / (1 - mu tan b); of the ellipse the bank itself takes a part at every speed.
    """
    ds = line.length / (line.station.size - 1)
    if not (np.isfinite(banks).all() and np.isfinite(slopes).all()):
        raise ValueError("bank, slope: expected finite numbers")
    if not (banks.any() or slopes.any()):
        return grips * G, grips * G, np.full(grips.shape, math.inf)
    rate = np.gradient(slopes, ds)
    if line.closed:
        rate[[0, -1]] = (slopes[1] - slopes[-2]) / (2.0 * ds)
    falling = np.minimum(rate, 0.0)
    crest = np.sqrt(0.5 * G * np.cos(slopes) / np.maximum(-falling, 1e-12))
    # On a straight the bank is against whatever comes.
    inner_down = np.where(line.curvature == 0.0, -np.abs(banks), -np.sign(line.curvature) * banks)
    endless = np.isinf(grips)
    mu = np.where(endless, 1.0, grips)
    tan = np.tan(inner_down)
    hold = 1.0 - mu * tan
    gravity = G * np.cos(slopes) + falling * np.minimum(crest, limits.top_speed_m_s) ** 2
    for _ in range(2):  # the second time at the speed that the first one leaves, which lightens less
        across = np.where(hold > 0.0, gravity * (mu + tan) / np.where(hold > 0.0, hold, 1.0), math.inf)
        lateral = np.minimum(limits.lateral_m_s2, np.where(endless, math.inf, across))
        with np.errstate(divide="ignore"):
            fast = np.sqrt(np.maximum(lateral, 1e-9) / np.abs(line.curvature))
        fast = np.minimum(np.minimum(fast, limits.top_speed_m_s), crest)
        gravity = G * np.cos(slopes) + falling * fast**2
    load = gravity * np.cos(banks) - np.where(inner_down < 0.0, lateral * np.abs(np.sin(banks)), 0.0)
    whole, taken = mu * load, gravity * np.abs(np.sin(banks))
    bad = ~endless & ((across <= 0.0) | (whole <= taken))
    if bad.any():
        i = int(np.argmax(bad))
        raise ValueError(
            f"bank: {math.degrees(banks[i]):.1f} degrees at station {line.station[i]:.1f} m leave nothing "
            f"of a grip of {grips[i]:g}; expected less bank or more grip"
        )
    # Against the bank the ellipse leaves less than both shares multiplied, at most by whole/(whole + taken).
    less = np.where(inner_down < 0.0, whole / np.maximum(whole + taken, 1e-9), 1.0)
    rest = np.sqrt(np.maximum((whole**2 - taken**2) * less, 0.0))
    return np.where(endless, math.inf, across), np.where(endless, math.inf, rest), crest


def _greatest_speed(
    limits: SpeedLimits, curvature: Array, lateral: Array, along: Array, uphill: Array
) -> Array:
    """Greatest speed (n+1,) [m/s] that can be held.

    The ellipse must leave what gravity takes along the path; uphill the engine must hold it, too.
    """
    most = np.minimum(np.where(uphill > 0.0, limits.drive_m_s2, limits.braking_m_s2), along)
    pull = np.abs(uphill) / most
    if (pull >= 1.0).any():
        i = int(np.argmax(pull))
        raise ValueError(
            f"slope: {math.degrees(math.asin(min(abs(uphill[i]) / G, 1.0))):.1f} degrees take "
            f"{abs(uphill[i]):.2f} m/s^2 of the {most[i]:.2f} there are; expected a smaller slope"
        )
    with np.errstate(divide="ignore"):
        cap = np.minimum(np.sqrt(lateral * np.sqrt(1.0 - pull**2) / curvature), limits.top_speed_m_s)
    if not (uphill > 0.0).any():
        return np.asarray(cap)
    fine = np.linspace(0.0, limits.top_speed_m_s, 2001)
    engine = np.minimum.accumulate(np.interp(fine, limits.engine_speed_m_s, limits.engine_m_s2))
    held = np.searchsorted(-engine, -np.maximum(uphill, 0.0), side="right") - 1
    if (held[uphill > 0.0] <= 0).any():
        raise ValueError("slope: the engine can't climb it; expected a smaller slope or more power")
    return np.where(uphill > 0.0, np.minimum(cap, fine[np.maximum(held, 0)]), cap)
