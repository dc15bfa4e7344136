"""What the robot sends: checked, counted, decoded; and the actuators between that and the bike."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import Record, jit
from emulator.core.frame_buffer import FrameBuffer
from emulator.core.signals import (
    R_CLUTCH,
    R_FRONT_BRAKE,
    R_HEARTBEAT,
    R_REAR_BRAKE,
    R_STEER_ANGLE,
    R_STEER_TORQUE,
    R_THROTTLE,
    ROBOT_COMMANDS,
    RUNNING,
    TRIPPED,
)
from emulator.events.actuator_faults import CLUTCH, FRONT_BRAKE, REAR_BRAKE, STEERING, THROTTLE, move
from emulator.plant.states import N_PERMISSIVES, say_enable, say_permissive
from emulator.vehicle.driveline import TOP_GEAR
from emulator.vehicle.state import (
    U_BRAKE_FRONT,
    U_BRAKE_REAR,
    U_CLUTCH,
    U_STEER_TORQUE,
    U_THROTTLE,
)
from emulator.wire.can_frames import FrameCodec, check, find, unpack
from emulator.wire.e2e import BARE

N_ROBOT = len(ROBOT_COMMANDS)

ACCEPTED, LOST, REPEATED, DAMAGED = range(4)
"""Columns of the frame counts."""
HEARD, LONGEST, LONGEST_END = range(3)
"""Columns of the silences: tick it was last accepted in; longest time between two [ticks], and its end."""
WATCHES = ("heartbeat", "steering", "drive")
WATCH_HEARTBEAT, WATCH_STEERING, WATCH_DRIVE = range(len(WATCHES))
"""What has to arrive again and again, or the rig trips."""
CAME_DAMAGED, CAME_AGAIN, CAME_EMPTY, CAME_UNCHANGED, CAME_LAST, BUS_FAULTY = range(6)
"""How often a watched value came without being news: check failed, alive counter stood, not available, no
change; the tick it last came in that way; and ticks since then in which an event disturbed the bus."""
STRANGERS = 8
"""Identifiers nobody declared that are told one by one."""


class RobotFrames(NamedTuple):
    """What is received: the robot's side of the codec, and the bench's inputs.

    value_of  (F, K)  index into the ``robot`` vector of payload signal k of frame f, or its length plus that
                      of a permissive or, behind those, of the local enable; -1 not ours to read
    is_robot  (F,)    1 if the robot or the bench sends this frame
    alive     (F,)    last alive counter, -1 before the first
    counts    (F, 4)  accepted, lost, repeated, damaged
    silences  (F, 3)  while running: last heard, longest silence, its end; see HEARD
    carries   (F, 3)  1 if this frame carries the value of that watch
    since     (3, 6)  frames since a watch last had news, by how they came; see CAME_DAMAGED
    renewed   (3,)    tick of the first news of each watch after a trip, -1 for none
    stranger_ids  (8,) identifiers nobody declared, in the order they came
    strangers (9,)    how many frames of each; the last one: of all others
    inputs    (4,)    last values of the bench's inputs, permissives and enable; NaN: none, or 'not available'
    robot     (13,)   last valid values, ROBOT_COMMANDS; NaN before the first
    values    (K,)    scratch
    """

    value_of: NDArray[np.int64]
    is_robot: NDArray[np.int64]
    alive: NDArray[np.int64]
    counts: NDArray[np.int64]
    silences: NDArray[np.int64]
    carries: NDArray[np.int64]
    since: NDArray[np.int64]
    renewed: NDArray[np.int64]
    stranger_ids: NDArray[np.int64]
    strangers: NDArray[np.int64]
    inputs: NDArray[np.float64]
    robot: NDArray[np.float64]
    values: NDArray[np.float64]


@jit
def _stranger(r: RobotFrames, can_id: int) -> None:
    """Count a frame with an identifier that is in no DBC of ours."""
    for k in range(r.stranger_ids.shape[0]):
        if r.strangers[k] == 0:
            r.stranger_ids[k] = can_id
        if r.stranger_ids[k] == can_id:
            r.strangers[k] += 1
            return
    r.strangers[-1] += 1


@jit
def _no_news(r: RobotFrames, watch: int, how: int, tick: int) -> None:
    """The value of a watch came, or its frame did, and it is no news."""
    r.since[watch, how] += 1
    r.since[watch, CAME_LAST] = tick


@jit
def _spoilt(r: RobotFrames, f: int, how: int, tick: int) -> None:
    """Frame ``f`` came, and none of the values watched in it can be taken."""
    for watch in range(r.since.shape[0]):
        if r.carries[f, watch] != 0:
            _no_news(r, watch, how, tick)


@jit
def _news(r: RobotFrames, watch: int, state: Record) -> None:
    """The value of a watch came, and can be taken."""
    r.since[watch, :] = 0
    if state.state == TRIPPED and r.renewed[watch] < 0:
        r.renewed[watch] = state.tick
    if watch == WATCH_HEARTBEAT:
        state.heartbeat_tick = state.tick
    elif watch == WATCH_STEERING:
        state.steering_tick = state.tick
    else:
        state.drive_tick = state.tick


@jit
def _end_silence(r: RobotFrames, f: int, state: Record) -> None:
    """Frame ``f`` was accepted: how long it had been missing, as far as the ride goes."""
    if state.state == RUNNING:
        silent = state.tick - max(r.silences[f, HEARD], state.start_tick)
        if silent > r.silences[f, LONGEST]:
            r.silences[f, LONGEST] = silent
            r.silences[f, LONGEST_END] = state.tick
    r.silences[f, HEARD] = state.tick


@jit
def receive(codec: FrameCodec, r: RobotFrames, rx: FrameBuffer, c: Record, state: Record) -> None:
    """Take in a tick's frames. A damaged or repeated frame changes nothing.

    Nor does a value "not available" from the robot; an input of the bench that is not available is withdrawn.
    """
    if state.bus_faulty != 0:
        for watch in range(r.since.shape[0]):
            r.since[watch, BUS_FAULTY] += 1
    for i in range(rx.count[0]):
        f = find(codec, rx.can_id[i])
        if f < 0:
            _stranger(r, rx.can_id[i])
            continue
        if r.is_robot[f] == 0:
            continue
        counter = check(codec, f, rx.data[i], rx.length[i])
        if counter < 0:
            r.counts[f, DAMAGED] += 1
            _spoilt(r, f, CAME_DAMAGED, state.tick)
            continue
        if codec.profile[f] != BARE:
            if counter == r.alive[f]:
                r.counts[f, REPEATED] += 1
                _spoilt(r, f, CAME_AGAIN, state.tick)
                continue
            if r.alive[f] >= 0:
                r.counts[f, LOST] += (counter - r.alive[f] - 1) % codec.counters[f]
            r.alive[f] = counter
        r.counts[f, ACCEPTED] += 1
        _end_silence(r, f, state)
        unpack(codec, f, rx.data[i], r.values)
        for k in range(codec.first[f + 1] - codec.first[f]):
            v = r.value_of[f, k]
            if v >= N_ROBOT:
                if v == N_ROBOT + N_PERMISSIVES:
                    say_enable(c, state, r.values[k])
                else:
                    # only a 1 permits: neither 0, nor "not available", nor a code beyond the range
                    say_permissive(state, v - N_ROBOT, r.values[k] == 1.0)
                r.inputs[v - N_ROBOT] = r.values[k]
                continue
            if v < 0:
                continue
            watch = -1
            if v == R_HEARTBEAT:
                watch = WATCH_HEARTBEAT
            elif v == (R_STEER_ANGLE if c.angle_driven != 0 else R_STEER_TORQUE):
                watch = WATCH_STEERING
            elif v == R_THROTTLE:
                watch = WATCH_DRIVE
            if np.isnan(r.values[k]):
                if watch >= 0:
                    _no_news(r, watch, CAME_EMPTY, state.tick)
                continue
            if watch == WATCH_HEARTBEAT and r.values[k] == r.robot[v]:
                _no_news(r, watch, CAME_UNCHANGED, state.tick)
            elif watch >= 0:
                _news(r, watch, state)
            r.robot[v] = r.values[k]


@jit
def actuate(
    c: Record,
    robot: NDArray[np.float64],
    actuators: NDArray[np.void],
    u: NDArray[np.float64],
) -> None:
    """Move the actuators one tick towards what the robot asks; what they deliver acts through ``u``.

    Angle-driven steering is not among them: emulator.plant.fork.
    """
    no_limit = np.inf
    if c.angle_driven == 0:
        commanded = robot[R_STEER_TORQUE]
        if not np.isnan(commanded):
            commanded = min(c.steer_limit, max(-c.steer_limit, commanded))
        u[U_STEER_TORQUE] = move(
            actuators[STEERING], commanded, c.steer_gain, c.steer_step, -c.steer_limit, c.steer_limit
        )
    u[U_THROTTLE] = move(actuators[THROTTLE], robot[R_THROTTLE], c.throttle_gain, no_limit, 0.0, 1.0)
    u[U_BRAKE_FRONT] = actuators[FRONT_BRAKE].fade * move(
        actuators[FRONT_BRAKE], robot[R_FRONT_BRAKE], c.front_brake_gain, no_limit, 0.0, c.front_brake_limit
    )
    u[U_BRAKE_REAR] = actuators[REAR_BRAKE].fade * move(
        actuators[REAR_BRAKE], robot[R_REAR_BRAKE], c.rear_brake_gain, no_limit, 0.0, c.rear_brake_limit
    )
    u[U_CLUTCH] = move(actuators[CLUTCH], robot[R_CLUTCH], c.clutch_gain, no_limit, 0.0, 1.0)


SHIFT_NONE, SHIFT_DONE, SHIFT_FAILED = range(3)
"""What :func:`shift` returns: nothing new, a gear is in, the change failed."""
SHIFT_CLUTCH, SHIFT_THROTTLE = 0.5, 0.05
"""The dogs let go with the clutch pulled further than the one, or the throttle less open than the other."""


@jit
def shift(r: Record, request: float, clutch: float, throttle: float, shift_time: float, tick_s: float) -> int:
    """Sequential gear change, one gear at a time: neutral for ``shift_time`` [s], then the next gear.

    The dogs let go by SHIFT_CLUTCH and SHIFT_THROTTLE only. ``r.shift_effect`` 1: they
    do not let go at all (missed), 2: they find no gear (false neutral); then nothing moves until another
    request than the failed one has come.
    """
    if r.shift_left > 0.0:
        r.shift_left -= tick_s
        if r.shift_left > 0.0:
            return SHIFT_NONE
        if r.shift_ends_neutral != 0:
            r.shift_ends_neutral = 0
            return SHIFT_FAILED
        r.gear = r.gear_target
        return SHIFT_DONE
    if np.isnan(request):
        return SHIFT_NONE
    wanted = int(min(float(TOP_GEAR), max(0.0, request)))
    if wanted != r.shift_refused:
        r.shift_refused = -1
    if wanted == r.gear or r.shift_refused >= 0 or not (clutch > SHIFT_CLUTCH or throttle < SHIFT_THROTTLE):
        return SHIFT_NONE
    if r.shift_effect > 0:
        r.shift_refused = wanted
    if r.shift_effect == 1:
        return SHIFT_FAILED
    # out of a false neutral the drum goes on to the gear it was turned to
    between = r.gear == 0 and r.gear_target > 0
    r.gear_target = r.gear_target if between else r.gear + (1 if wanted > r.gear else -1)
    r.gear = 0
    r.shift_left = shift_time
    r.shift_ends_neutral = 1 if r.shift_effect == 2 else 0
    return SHIFT_NONE
