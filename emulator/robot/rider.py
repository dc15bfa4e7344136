"""The reference robot as one compiled step: frames in, estimate, ride, frames out, every 2 ms.

It knows its vehicle, its line with target speeds, and the DBC; of the ride it knows what arrives on the
buses. When signals it needs stop coming, GNSS is elsewhere for good or the throttle sticks open, it brakes to
a stop along the line with what it still has, its clutch pulled.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import Record, jit
from emulator.core.frame_buffer import FrameBuffer
from emulator.core.signals import (
    R_CLUTCH,
    R_FRONT_BRAKE,
    R_GEAR,
    R_HEADING,
    R_HEARTBEAT,
    R_REAR_BRAKE,
    R_ROLL,
    R_SPEED,
    R_STEER_ANGLE,
    R_STEER_TORQUE,
    R_THROTTLE,
    R_X,
    R_Y,
    RUNNING,
)
from emulator.road.line import Line
from emulator.robot.design import Design
from emulator.robot.estimator import (
    align,
    doubted_too_long,
    expect_anything,
    position_sigma,
    predict,
    see_gnss,
    see_lean,
    see_wheels,
)
from emulator.robot.records import (
    Z_FX,
    Z_LEAN,
    Z_P,
    Z_STATE,
    Z_STEER,
    Z_WHEEL_FRONT,
    Z_WHEEL_REAR,
)
from emulator.robot.ride import balance, drive, follow_path, throttle_sticks
from emulator.robot.tuning import STEP
from emulator.wire.can_frames import FrameCodec, append_packed, find, sound_and_new, unpack

EMERGENCIES = (
    "none",
    "inertial unit silent",
    "place not known",
    "wheel speeds lost",
    "bench silent",
    "GNSS elsewhere",
    "throttle sticks open",
)
"""Reasons for an emergency stop by number."""

_IMU_LIMIT, _WHEEL_LIMIT, _BENCH_LIMIT = 0.05, 3.0, 0.3  # [s] of silence it rides through
_POSITION_LIMIT = 0.7  # [m] one sigma it gives its own place, with which it still follows its line

# Robot frames in the order of the codec's part for the robot, and how many steps lie between them.
COMMANDS = ("steering", "drive", "gear", "estimate_pose", "estimate_motion")
_EVERY = np.array([1, 5, 10, 5, 5])


class Rider(NamedTuple):
    """Everything the rider works on.

    known, mind  (1,), (1,)  KNOWN_DTYPE, MIND_DTYPE
    body         (1,)        the vehicle it believes in
    design, line             tables; target path
    codec                    all frames of the DBC in use
    seen         (15,)       last values by SEEN; kept while not available
    seen_of      (F, K)      place in ``seen`` of payload signal k of frame f; -1 not of interest
    received     (15,)       step each value last arrived at
    alive        (F,)        last alive counter of a received frame; -1 none
    frame_of     (5,)        codec frame of each command; -1: this bench takes none
    sent_of      (5, K)      place in ROBOT_COMMANDS of each payload signal
    beats        (5,)        1 if the heartbeat is in it
    counter      (5,)        next alive counter
    values       (13,)       by ROBOT_COMMANDS
    payload      (K,)        scratch
    """

    known: NDArray[np.void]
    mind: NDArray[np.void]
    body: NDArray[np.void]
    design: Design
    line: Line
    codec: FrameCodec
    seen: NDArray[np.float64]
    seen_of: NDArray[np.int64]
    received: NDArray[np.int64]
    alive: NDArray[np.int64]
    frame_of: NDArray[np.int64]
    sent_of: NDArray[np.int64]
    beats: NDArray[np.int64]
    counter: NDArray[np.int64]
    values: NDArray[np.float64]
    payload: NDArray[np.float64]


@jit
def _hear(
    codec: FrameCodec,
    alive: NDArray[np.int64],
    seen_of: NDArray[np.int64],
    seen: NDArray[np.float64],
    received: NDArray[np.int64],
    payload: NDArray[np.float64],
    rx: FrameBuffer,
    step: int,
) -> None:
    """Take in frames; damaged or repeated ones and values "not available" change nothing."""
    for i in range(rx.count[0]):
        f = find(codec, rx.can_id[i])
        if f < 0 or seen_of[f, 0] == -2:
            continue
        if not sound_and_new(codec, f, rx.data[i], rx.length[i], alive):
            continue
        unpack(codec, f, rx.data[i], payload)
        for k in range(codec.first[f + 1] - codec.first[f]):
            z = seen_of[f, k]
            if z >= 0 and not np.isnan(payload[k]):
                seen[z] = payload[k]
                received[z] = step


@jit
def _send(
    codec: FrameCodec,
    frame: int,
    sent_of: NDArray[np.int64],
    values: NDArray[np.float64],
    payload: NDArray[np.float64],
    counter: int,
    tx: FrameBuffer,
) -> None:
    for k in range(codec.first[frame + 1] - codec.first[frame]):
        payload[k] = values[sent_of[k]]
    append_packed(codec, frame, payload, counter, tx)


@jit
def _in_need(e: Record, received: NDArray[np.int64], sticking: bool) -> int:
    """Why to stop: which needed signal has been missing for too long, or what is wrong; 0 nothing."""
    now = e.steps
    if (now - received[Z_P]) * STEP > _IMU_LIMIT:
        return 1
    if position_sigma(e) > _POSITION_LIMIT:
        return 2
    if (now - e.wheel_ok) * STEP > _WHEEL_LIMIT:
        return 3
    if (now - received[Z_STATE]) * STEP > _BENCH_LIMIT:
        return 4
    if doubted_too_long(e):
        return 5
    return 6 if sticking else 0


@jit
def step(r: Rider, rx: FrameBuffer, tx: FrameBuffer) -> int:
    """One control period of 2 ms; returns the emergency reason, 0 while all is well."""
    e, k = r.mind[0], r.known[0]
    tx.count[0] = 0
    _hear(r.codec, r.alive, r.seen_of, r.seen, r.received, r.payload, rx, e.steps)

    running = r.seen[Z_STATE] == RUNNING
    v = r.values
    v[R_STEER_TORQUE] = v[R_THROTTLE] = v[R_FRONT_BRAKE] = v[R_REAR_BRAKE] = 0.0
    v[R_STEER_ANGLE] = r.seen[Z_STEER]
    v[R_CLUTCH] = 1.0
    v[R_GEAR] = max(1, e.gear)
    if e.started == 0 and r.received[Z_P] == e.steps and r.received[Z_FX] == e.steps:
        align(k, e, r.seen)
    if running:
        if e.started == 0:
            e.started = 1
            e.wheel_ok = e.steps
        predict(r.design, k, e, r.seen)
        if r.received[Z_LEAN] == e.steps:
            see_lean(k, e, r.seen[Z_LEAN])
        front, rear = r.received[Z_WHEEL_FRONT] == e.steps, r.received[Z_WHEEL_REAR] == e.steps
        if (front or rear) and see_wheels(r.design, k, e, r.seen, front, rear):
            e.wheel_ok = e.steps
        sticking = throttle_sticks(k, r.body[0], e, r.seen)
        if e.emergency == 0:
            e.emergency, e.emergency_steps = _in_need(e, r.received, sticking), e.riding_steps
        lateral = follow_path(r.design, r.line, k, e)
        e.command = min(k.command_limit, max(-k.command_limit, balance(r.design, k, e, lateral)))
        drive(k, r.body[0], r.line, e, r.seen, e.emergency != 0)
        e.riding_steps += 1
        if k.by_angle != 0:
            v[R_STEER_ANGLE] = e.command
        else:
            v[R_STEER_TORQUE] = e.command
        v[R_THROTTLE], v[R_CLUTCH], v[R_GEAR] = e.throttle, e.clutch, e.gear
        v[R_FRONT_BRAKE], v[R_REAR_BRAKE] = e.front_brake, e.rear_brake
    v[R_X], v[R_Y], v[R_HEADING] = e.x, e.y, e.heading
    v[R_ROLL], v[R_SPEED] = e.roll, e.speed

    for i in range(5):
        frame = r.frame_of[i]
        if frame >= 0 and e.steps % _EVERY[i] == 0:
            if r.beats[i] != 0:
                e.heartbeat = (e.heartbeat + 1.0) % 65536.0
                v[R_HEARTBEAT] = e.heartbeat
            _send(r.codec, frame, r.sent_of[i], v, r.payload, r.counter[i], tx)
            r.counter[i] = (r.counter[i] + 1) % r.codec.counters[frame]
    e.steps += 1
    return int(e.emergency)


@jit
def miss(r: Rider, rx: FrameBuffer, periods: int) -> None:
    """Control periods that the rider was held up for: it has moved on meanwhile, and sent nothing.

    ``rx`` came in them, and is heard here; the next step has its samples for fresh ones. The estimate goes on
    with what was heard last for the first half, with the newest for the other. A rider that started anew
    instead would think itself where it was: 40 ms at 50 m/s are 2 m, and GNSS would seem to have jumped.
    """
    e, k = r.mind[0], r.known[0]
    e.steps += periods
    riding = periods if e.started != 0 and r.seen[Z_STATE] == RUNNING else 0
    e.riding_steps += riding
    for _ in range(riding // 2):
        predict(r.design, k, e, r.seen)
    _hear(r.codec, r.alive, r.seen_of, r.seen, r.received, r.payload, rx, e.steps)
    for _ in range(riding - riding // 2):
        predict(r.design, k, e, r.seen)
    rx.count[0] = 0


@jit
def hear_gnss(
    r: Rider,
    east: float,
    north: float,
    up: float,
    speed: float,
    course: float,
    quality: int,
    age: float,
) -> None:
    """An epoch with a fix: see :func:`emulator.robot.estimator.see_gnss`."""
    e = r.mind[0]
    if e.started != 0:
        if r.seen[Z_STATE] != RUNNING:
            expect_anything(e)
        see_gnss(r.known[0], e, east, north, up, speed, course, quality, age)
