"""What the sensors would show at this tick: a vector of clean senses, and the values put into frames."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from emulator.core.axes import Vec3, rotate, rotate_back
from emulator.core.compiled import Record, jit
from emulator.core.random_streams import normal, step_gauss_markov
from emulator.core.signals import (
    ANALOGUE,
    ANALOGUE_OF,
    V_ANALOGUE,
    V_ENGINE,
    V_FORCE,
    V_FORK_ANGLE,
    V_GEAR,
    V_GNSS_COURSE,
    V_GNSS_FIX,
    V_GNSS_IN_USE,
    V_GNSS_SATELLITES,
    V_GNSS_SPEED,
    V_GNSS_X,
    V_GNSS_Y,
    V_GNSS_Z,
    V_LEAN,
    V_PULSE_AGE,
    V_PULSE_COUNT,
    V_PULSE_FREQUENCY,
    V_RATE,
    V_REACTION,
    V_STEER,
    V_STEER_RATE,
    V_THROTTLE,
    V_WHEELS,
)
from emulator.events.gnss_faults import position_bias
from emulator.events.table import GNSS
from emulator.sensors import analogue
from emulator.sensors.gnss import moving, position_fix
from emulator.sensors.gnss_fix import QUALITY_OF_RANK, dilution_factor
from emulator.sensors.imu import FORCE, RATES, feel, reading
from emulator.sensors.imu import STREAMS as IMU_STREAMS
from emulator.sensors.lean import follow, reference_lean, told_speed
from emulator.sensors.motion_at_point import specific_force_at, velocity_at
from emulator.sensors.wheel_speed import (
    bring_to_rest,
    edge_age,
    edge_count,
    edge_frequency,
    turn,
    wheel_speed,
)
from emulator.vehicle.state import (
    ENGINE,
    FRONT,
    FRONT_WHEEL,
    JOINT,
    JOINT_RATE,
    OMEGA,
    POSITION,
    REAR,
    REAR_WHEEL,
    STEER,
    SWINGARM,
    U_THROTTLE,
    VELOCITY,
    Scratch,
)

_SENSORS = len(ANALOGUE)
A_SHOCK, A_CHAIN = ANALOGUE.index("shock_travel_m"), ANALOGUE.index("chain_torque_Nm")

# Clean senses, before noise: wheel spins, IMU, lean (filtered), fork, engine, antenna in W, analogue ones.
S_WHEEL_FRONT, S_WHEEL_REAR, S_RATE, S_FORCE = 0, 1, 2, 5
S_LEAN, S_STEER, S_STEER_RATE, S_ENGINE, S_GEAR, S_THROTTLE = 8, 9, 10, 11, 12, 13
S_ANTENNA, S_ANTENNA_VELOCITY = 14, 17
S_REACTION, S_FORK_ANGLE = 20, 21
S_ANALOGUE = 22
N_SENSES = S_ANALOGUE + _SENSORS

STREAM_NAMES = (
    *("wheel_front", "wheel_rear", "imu_rates", "imu_force", "lean", "fork", "gnss", "gnss_speed"),
    *("gnss_drift", "gnss_course"),
    *IMU_STREAMS[2:],  # its first two stand above
    *("lean_rates", "lean_force"),
    *(f"analogue/{name}" for name in ANALOGUE),
)
(N_WHEEL_FRONT, N_WHEEL_REAR, _, _, N_LEAN, N_FORK, N_GNSS, N_GNSS_SPEED) = range(8)
N_LEAN_RATES, N_LEAN_FORCE = STREAM_NAMES.index("lean_rates"), STREAM_NAMES.index("lean_force")
N_ANALOGUE = STREAM_NAMES.index(f"analogue/{ANALOGUE[0]}")
N_GNSS_DRIFT, N_GNSS_COURSE = STREAM_NAMES.index("gnss_drift"), STREAM_NAMES.index("gnss_course")


@jit
def _felt_at(x: NDArray[np.float64], gravity: float, s: Scratch, p: NDArray[np.float64]) -> Vec3:
    """Specific force [m/s^2] at a place ``p`` (3,) of the main frame, in its components."""
    return specific_force_at(
        (x[OMEGA], x[OMEGA + 1], x[OMEGA + 2]),
        (x[VELOCITY], x[VELOCITY + 1], x[VELOCITY + 2]),
        (s.rhs[0], s.rhs[1], s.rhs[2]),
        (s.rhs[3], s.rhs[4], s.rhs[5]),
        (gravity * s.R[6], gravity * s.R[7], gravity * s.R[8]),
        (p[0], p[1], p[2]),
    )


@jit
def sense(
    c: Record,
    r: Record,
    x: NDArray[np.float64],
    u: NDArray[np.float64],
    gravity: float,
    s: Scratch,
    senses: NDArray[np.float64],
) -> None:
    """Fill ``senses`` but lean and analogue ones from the truth that the derivative at x left in ``s``."""
    R = (s.R[0], s.R[1], s.R[2], s.R[3], s.R[4], s.R[5], s.R[6], s.R[7], s.R[8])
    w = (x[OMEGA], x[OMEGA + 1], x[OMEGA + 2])
    v = (x[VELOCITY], x[VELOCITY + 1], x[VELOCITY + 2])
    senses[S_WHEEL_FRONT] = x[JOINT_RATE + FRONT_WHEEL]
    senses[S_WHEEL_REAR] = x[JOINT_RATE + REAR_WHEEL]
    f = _felt_at(x, gravity, s, c.imu_position)
    for k in range(3):
        senses[S_RATE + k] = w[k]
        senses[S_FORCE + k] = f[k]
    senses[S_STEER] = x[JOINT + STEER]
    senses[S_STEER_RATE] = x[JOINT_RATE + STEER]
    senses[S_ENGINE] = x[ENGINE]
    senses[S_GEAR] = r.gear
    senses[S_THROTTLE] = u[U_THROTTLE]
    senses[S_REACTION] = min(c.reaction_limit, max(-c.reaction_limit, s.reaction))
    senses[S_FORK_ANGLE] = r.fork_angle
    a = c.antenna_position
    ox, oy, oz = rotate(R, a[0], a[1], a[2])
    senses[S_ANTENNA] = x[POSITION] + ox
    senses[S_ANTENNA + 1] = x[POSITION + 1] + oy
    senses[S_ANTENNA + 2] = x[POSITION + 2] + oz
    bx, by, bz = velocity_at(w, v, (a[0], a[1], a[2]))
    vx, vy, vz = rotate(R, bx, by, bz)
    senses[S_ANTENNA_VELOCITY] = vx
    senses[S_ANTENNA_VELOCITY + 1] = vy
    senses[S_ANTENNA_VELOCITY + 2] = vz


@jit
def sense_lean(
    c: Record,
    r: Record,
    x: NDArray[np.float64],
    gravity: float,
    s: Scratch,
    streams: NDArray[np.uint64],
    tick_s: float,
    senses: NDArray[np.float64],
) -> None:
    """Lean into ``senses``: the true roll or what the sensor computes of it, through its lag; every tick."""
    lean = math.atan2(s.R[7], s.R[8])
    if c.lean_computed != 0:
        f = _felt_at(x, gravity, s, c.lean_position)
        a = c.lean_axes
        axes = (a[0], a[1], a[2], a[3], a[4], a[5], a[6], a[7], a[8])
        wx, wy, wz = rotate_back(axes, x[OMEGA], x[OMEGA + 1], x[OMEGA + 2])
        _, fy, fz = rotate_back(axes, f[0], f[1], f[2])
        wx += c.lean_rate_bias[0] + c.lean_rate_sigma * normal(streams, N_LEAN_RATES)
        wy += c.lean_rate_bias[1] + c.lean_rate_sigma * normal(streams, N_LEAN_RATES)
        wz += c.lean_rate_bias[2] + c.lean_rate_sigma * normal(streams, N_LEAN_RATES)
        fy += c.lean_force_bias[1] + c.lean_force_sigma * normal(streams, N_LEAN_FORCE)
        fz += c.lean_force_bias[2] + c.lean_force_sigma * normal(streams, N_LEAN_FORCE)
        spin, before = x[JOINT_RATE + FRONT_WHEEL], r.lean_estimate if r.lean_begun != 0 else 0.0
        lean = reference_lean(wy, wz, fy, fz, told_speed(spin, c.lean_radius, c.lean_crown, before))
        if r.lean_begun == 0:
            r.lean_begun, r.lean_filter = 1, lean
        else:
            lean = follow(before, r.lean_rate, wx, lean, c.lean_pull, tick_s)
        r.lean_estimate, r.lean_rate = lean, wx
    r.lean_filter += c.lean_gain * (lean - r.lean_filter)
    senses[S_LEAN] = r.lean_filter


@jit
def stand_still(s: Scratch, rates: NDArray[np.float64]) -> None:
    """The physics stands still, whatever would pull at the bike: no torque drives.

    rates  (6,) of angular velocity and velocity [rad/s^2], [m/s^2]: zero but for a motion put on the bike
    """
    for k in range(6):
        s.rhs[k] = rates[k]
    s.chain_torque = s.reaction = 0.0


@jit
def analogue_truth(
    k: int, body: Record, x: NDArray[np.float64], s: Scratch, row: NDArray[np.float64]
) -> float:
    """What analogue sensor ``k``, a place in ANALOGUE, would show if it were perfect, in its signal's unit.

    ``row``: this instant's, whose truth most of them measure. What is not recorded: the shock absorber's own
    stroke [m] from full extension, the chain's torque [N m].
    """
    if ANALOGUE_OF[k] >= 0:
        return row[ANALOGUE_OF[k]]
    if k == A_SHOCK:
        return body.shock_lever * x[JOINT + SWINGARM] + body.shock_design_travel
    if k == A_CHAIN:
        return s.chain_torque
    return math.nan


@jit
def sense_analogue(
    c: Record,
    r: Record,
    body: Record,
    x: NDArray[np.float64],
    s: Scratch,
    row: NDArray[np.float64],
    senses: NDArray[np.float64],
) -> None:
    """What stands behind the readings of the analogue sensors into ``senses``; every tick."""
    for k in range(_SENSORS):
        true = analogue_truth(k, body, x, s, row)
        r.analogue[k] = analogue.lagged(r.analogue[k], true, c.analogue[k, 1])
        senses[S_ANALOGUE + k] = r.analogue[k]


@jit
def to_rest(
    c: Record, senses: NDArray[np.float64], held: NDArray[np.float64], share: float, gravity: float
) -> None:
    """Blend the senses held when the ride ended towards those of a bike at rest where it stopped."""
    keep = 1.0 - share
    for k in range(N_SENSES):
        senses[k] = keep * held[k]
    senses[S_FORCE + 2] += share * gravity
    senses[S_GEAR] = held[S_GEAR]
    for k in range(_SENSORS):
        senses[S_ANALOGUE + k] += share * c.analogue_at_rest[k]
    for k in range(3):
        senses[S_ANTENNA + k] = held[S_ANTENNA + k]


@jit
def turn_rings(rings: NDArray[np.void], senses: NDArray[np.float64], now_ns: int, ending: bool) -> None:
    """Turn the tone rings (front, rear) on to this tick's wheel spins; call every tick.

    ``ending``: the senses are on their way to rest, and the readings have to be there with them.
    """
    for k in range(2):
        turn(rings[k], senses[S_WHEEL_FRONT + k], now_ns)
        bring_to_rest(rings[k], ending)


@jit
def feel_motion(
    imu: NDArray[np.void], senses: NDArray[np.float64], streams: NDArray[np.uint64], at_rest: bool
) -> None:
    """The inertial unit feels this tick's senses; call every tick.

    ``at_rest``: after a ride the senses have come to rest, and so has the unit.
    """
    r, f = S_RATE, S_FORCE
    feel(
        imu[0],
        (senses[r], senses[r + 1], senses[r + 2]),
        (senses[f], senses[f + 1], senses[f + 2]),
        senses[S_ENGINE],
        senses[S_WHEEL_FRONT],
        streams,
        at_rest,
    )


@jit
def measure(
    c: Record,
    tyre: NDArray[np.void],
    rings: NDArray[np.void],
    imu: NDArray[np.void],
    senses: NDArray[np.float64],
    streams: NDArray[np.uint64],
    first: int,
    v: NDArray[np.float64],
) -> None:
    """One instance of what is measured together with output value ``first``: senses plus noise into ``v``."""
    if first == V_WHEELS:
        for k in range(2):
            if rings[k].teeth > 0:
                v[V_WHEELS + k] = wheel_speed(rings[k])
                continue
            value = senses[S_WHEEL_FRONT + k] * tyre[FRONT if k == 0 else REAR].radius
            value = abs(value) + c.wheel_sigma * normal(streams, N_WHEEL_FRONT + k)
            v[V_WHEELS + k] = value if value > c.wheel_lowest else 0.0
    elif first == V_RATE:
        for k in range(3):
            v[V_RATE + k] = reading(imu[0], RATES, k, streams)
    elif first == V_FORCE:
        for k in range(3):
            v[V_FORCE + k] = reading(imu[0], FORCE, k, streams)
    elif first == V_LEAN:
        v[V_LEAN] = senses[S_LEAN] + c.lean_sigma * normal(streams, N_LEAN)
    elif first == V_STEER:
        v[V_STEER] = senses[S_STEER] + c.fork_sigma * normal(streams, N_FORK)
        v[V_STEER_RATE] = senses[S_STEER_RATE]
    elif first == V_ENGINE:
        v[V_ENGINE] = max(0.0, senses[S_ENGINE])
        v[V_GEAR] = senses[S_GEAR]
        v[V_THROTTLE] = senses[S_THROTTLE]
    elif first == V_PULSE_FREQUENCY:
        for k in range(2):
            v[V_PULSE_FREQUENCY + k] = edge_frequency(rings[2 + k])
            v[V_PULSE_COUNT + k] = edge_count(rings[2 + k])
            v[V_PULSE_AGE + k] = edge_age(rings[2 + k])
    elif first == V_REACTION:
        v[V_REACTION], v[V_FORK_ANGLE] = senses[S_REACTION], senses[S_FORK_ANGLE]
    elif V_ANALOGUE <= first < V_ANALOGUE + _SENSORS:
        k = first - V_ANALOGUE
        v[first] = analogue.reading(c.analogue[k], senses[S_ANALOGUE + k], streams, N_ANALOGUE + k)


@jit
def measure_gnss(
    c: Record,
    r: Record,
    senses: NDArray[np.float64],
    streams: NDArray[np.uint64],
    now_ns: int,
    events: NDArray[np.void],
    v: NDArray[np.float64],
) -> None:
    """One epoch of the GNSS receiver at ``now_ns`` (loop's time) into ``v``, with the fix it has now.

    As many random numbers are drawn with any fix and with none.
    """
    quality = QUALITY_OF_RANK[r.gnss_rank]
    errors = c.gnss_errors[quality if quality > 0 else int(c.gnss_fix)]
    dilution = dilution_factor(c.gnss_satellites, r.gnss_in_use)
    interval = (now_ns - r.gnss_drift_ns) * 1e-9 if r.gnss_drift_ns >= 0 else -1.0
    step_gauss_markov(r.gnss_drift, interval, errors[2], streams, N_GNSS_DRIFT)
    r.gnss_drift_ns = now_ns
    a = S_ANTENNA
    east, north, up = position_fix(
        errors, r.gnss_drift, senses[a], senses[a + 1], senses[a + 2], streams, N_GNSS, dilution
    )
    for i in range(events.shape[0]):
        e = events[i]
        if e.kind == GNSS and e.live != 0:
            east, north = position_bias(e, east, north, r.scenario_tick, now_ns, streams)
    v[V_GNSS_X], v[V_GNSS_Y], v[V_GNSS_Z] = east, north, up
    v_east, v_north = senses[S_ANTENNA_VELOCITY], senses[S_ANTENNA_VELOCITY + 1]
    v[V_GNSS_SPEED], v[V_GNSS_COURSE] = moving(
        errors[5] * dilution,
        c.gnss_course_sigma,
        c.gnss_course_from,
        v_east,
        v_north,
        streams,
        N_GNSS_SPEED,
        N_GNSS_COURSE,
    )
    v[V_GNSS_FIX] = v[V_GNSS_IN_USE] = quality
    v[V_GNSS_SATELLITES] = r.gnss_in_use
    if quality == 0:
        v[V_GNSS_X] = v[V_GNSS_Y] = v[V_GNSS_Z] = v[V_GNSS_SPEED] = v[V_GNSS_COURSE] = math.nan
