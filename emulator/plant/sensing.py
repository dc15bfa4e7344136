"""What the sensors would show at this tick: a vector of clean senses, and the values put into frames."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from emulator.compiled import Record, jit
from emulator.frames import rotate
from emulator.sensors.fix import QUALITY_OF_RANK, thinned
from emulator.sensors.gnss import moving, positioned, reflected, wander
from emulator.sensors.imu import FORCE, RATES, feel, reading
from emulator.sensors.imu import STREAMS as IMU_STREAMS
from emulator.sensors.noise import normal
from emulator.sensors.wheel_speed import (
    bring_to_rest,
    edge_age,
    edge_count,
    edge_frequency,
    turn,
    wheel_speed,
)
from emulator.timeline import ACTIVE, GNSS, MULTIPATH, swell
from emulator.truth import specific_force_at, velocity_at
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
    U_THROTTLE,
    VELOCITY,
    Scratch,
)

# Clean senses, before noise: wheel spins, IMU, lean (filtered), fork, engine, antenna in W.
S_WHEEL_FRONT, S_WHEEL_REAR, S_RATE, S_FORCE = 0, 1, 2, 5
S_LEAN, S_STEER, S_STEER_RATE, S_ENGINE, S_GEAR, S_THROTTLE = 8, 9, 10, 11, 12, 13
S_ANTENNA, S_ANTENNA_VELOCITY = 14, 17
N_SENSES = 20

OUTPUT_VALUES = (
    "wheel_front_m_s",
    "wheel_rear_m_s",
    "rate_x_rad_s",
    "rate_y_rad_s",
    "rate_z_rad_s",
    "force_x_m_s2",
    "force_y_m_s2",
    "force_z_m_s2",
    "lean_rad",
    "steering_angle_rad",
    "steering_rate_rad_s",
    "engine_rad_s",
    "gear",
    "throttle",
    "gnss_x_m",
    "gnss_y_m",
    "gnss_z_m",
    "gnss_speed_m_s",
    "gnss_course_rad",
    "gnss_fix",
    "gnss_fix_in_use",
    "gnss_satellites",
    "heartbeat",
    "state",
    "trip_reason",
    "emulated",
    "scenario_time_s",
    "wheel_front_hz",
    "wheel_rear_hz",
    "wheel_front_edges",
    "wheel_rear_edges",
    "wheel_front_edge_age_s",
    "wheel_rear_edge_age_s",
)
"""Everything an output frame or the GNSS port can carry; DBC signal names are these.

``gnss_fix`` is the quality the receiver says, which a fault may change; ``gnss_fix_in_use`` the one it has.
"""

(
    V_WHEEL_FRONT,
    V_WHEEL_REAR,
    V_RATE,
    _,
    _,
    V_FORCE,
    _,
    _,
    V_LEAN,
    V_STEER,
    V_STEER_RATE,
    V_ENGINE,
    V_GEAR,
    V_THROTTLE,
    V_GNSS_X,
    V_GNSS_Y,
    V_GNSS_Z,
    V_GNSS_SPEED,
    V_GNSS_COURSE,
    V_GNSS_FIX,
    V_GNSS_IN_USE,
    V_GNSS_SATELLITES,
    V_HEARTBEAT,
    V_STATE,
    V_TRIP,
    V_EMULATED,
    V_TIME,
    V_PULSES,
    _,
    _,
    _,
    _,
    _,
) = range(len(OUTPUT_VALUES))

STREAM_NAMES = (
    *("wheel_front", "wheel_rear", "imu_rates", "imu_force", "lean", "fork", "gnss", "gnss_speed"),
    *("gnss_drift", "gnss_course"),
    *IMU_STREAMS[2:],  # its first two stand above
)
(N_WHEEL_FRONT, N_WHEEL_REAR, _, _, N_LEAN, N_FORK, N_GNSS, N_GNSS_SPEED) = range(8)
N_GNSS_DRIFT, N_GNSS_COURSE = STREAM_NAMES.index("gnss_drift"), STREAM_NAMES.index("gnss_course")


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
    """Fill ``senses`` (20,) from the truth that the derivative at x left in ``s``."""
    R = (s.R[0], s.R[1], s.R[2], s.R[3], s.R[4], s.R[5], s.R[6], s.R[7], s.R[8])
    w = (x[OMEGA], x[OMEGA + 1], x[OMEGA + 2])
    v = (x[VELOCITY], x[VELOCITY + 1], x[VELOCITY + 2])
    senses[S_WHEEL_FRONT] = x[JOINT_RATE + FRONT_WHEEL]
    senses[S_WHEEL_REAR] = x[JOINT_RATE + REAR_WHEEL]
    p = c.imu_position
    f = specific_force_at(
        w,
        v,
        (s.rhs[0], s.rhs[1], s.rhs[2]),
        (s.rhs[3], s.rhs[4], s.rhs[5]),
        (gravity * s.R[6], gravity * s.R[7], gravity * s.R[8]),
        (p[0], p[1], p[2]),
    )
    for k in range(3):
        senses[S_RATE + k] = w[k]
        senses[S_FORCE + k] = f[k]
    r.lean_filter += c.lean_gain * (math.atan2(s.R[7], s.R[8]) - r.lean_filter)
    senses[S_LEAN] = r.lean_filter
    senses[S_STEER] = x[JOINT + STEER]
    senses[S_STEER_RATE] = x[JOINT_RATE + STEER]
    senses[S_ENGINE] = x[ENGINE]
    senses[S_GEAR] = r.gear
    senses[S_THROTTLE] = u[U_THROTTLE]
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
def to_rest(senses: NDArray[np.float64], held: NDArray[np.float64], share: float, gravity: float) -> None:
    """Blend the senses held when the ride ended towards those of a bike at rest where it stopped."""
    keep = 1.0 - share
    for k in range(N_SENSES):
        senses[k] = keep * held[k]
    senses[S_FORCE + 2] += share * gravity
    senses[S_GEAR] = held[S_GEAR]
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
    """One instance of the family of outputs that begins at value ``first``: senses plus noise into ``v``."""
    if first in (V_WHEEL_FRONT, V_WHEEL_REAR):
        for k in range(2):
            if rings[k].teeth > 0:
                v[V_WHEEL_FRONT + k] = wheel_speed(rings[k])
                continue
            value = senses[S_WHEEL_FRONT + k] * tyre[FRONT if k == 0 else REAR].radius
            value = abs(value) + c.wheel_sigma * normal(streams, N_WHEEL_FRONT + k)
            v[V_WHEEL_FRONT + k] = value if value > c.wheel_lowest else 0.0
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
    elif first in (V_ENGINE, V_GEAR):
        v[V_ENGINE] = max(0.0, senses[S_ENGINE])
        v[V_GEAR] = senses[S_GEAR]
        v[V_THROTTLE] = senses[S_THROTTLE]
    elif first == V_PULSES:
        for k in range(2):
            v[V_PULSES + k] = edge_frequency(rings[k])
            v[V_PULSES + 2 + k] = edge_count(rings[k])
            v[V_PULSES + 4 + k] = edge_age(rings[k])


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
    dilution = thinned(c.gnss_satellites, r.gnss_in_use)
    interval = (now_ns - r.gnss_drift_ns) * 1e-9 if r.gnss_drift_ns >= 0 else -1.0
    wander(r.gnss_drift, interval, errors[2], streams, N_GNSS_DRIFT)
    r.gnss_drift_ns = now_ns
    a = S_ANTENNA
    east, north, up = positioned(
        errors, r.gnss_drift, senses[a], senses[a + 1], senses[a + 2], streams, N_GNSS, dilution
    )
    for i in range(events.shape[0]):
        e = events[i]
        if e.kind == GNSS and e.effect == MULTIPATH and e.state == ACTIVE:
            interval = (now_ns - e.wander_ns) * 1e-9 if e.wander_ns >= 0 else -1.0
            bias_east, bias_north = reflected(
                e.value, e.heading, e.wander, interval, e.correlation, streams, e.stream
            )
            e.wander_ns = now_ns
            share = swell(e, r.scenario_tick)
            east += share * bias_east
            north += share * bias_north
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
        for k in range(V_GNSS_X, V_GNSS_FIX):
            v[k] = math.nan
