"""One tick of everything the loop computes: frames in, bike, senses, delay lines, frames out.

Pure and free of allocation; the same function runs in the loop process and, as fast as it can, in the
virtual stage. Order within a tick n (time n * 1 ms):

1. robot frames are checked and decoded; the state machine moves
2. scenario events start and end
3. samples that are old enough leave as frames with counter and CRC
4. actuators follow; grip under each tyre; the truth at n (first derivative of the step)
   fills its part of the row of recorded signals, and is sensed
5. outputs that are due to be sampled take their values from that truth, faults act on them
6. the rest of the row is filled
7. while RUNNING the bike moves on to n + 1

Where a sample may leave in the tick it is taken in, or one may have to give way to it, 3 comes behind 5: see
``samples_wait``. Whoever sends in real time computes a tick in two parts and sends between them.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.axes import rotate
from emulator.core.compiled import Record, jit
from emulator.core.frame_buffer import FrameBuffer
from emulator.core.signals import (
    ARMED,
    R_GEAR,
    RUNNING,
    STANDBY,
    TICK_NS,
    TRIPPED,
    V_EMULATED,
    V_FORK_ANGLE,
    V_GNSS,
    V_GNSS_FIX,
    V_GNSS_X,
    V_GNSS_Y,
    V_HEARTBEAT,
    V_STATE,
    V_TIME,
    V_TRIP,
)
from emulator.events.actuator_faults import GEAR, STEERING
from emulator.events.frame_faults import FROM_ROBOT, TO_ROBOT, copy_frames
from emulator.events.progress import NEVER
from emulator.events.sample_faults import sample_fault
from emulator.events.table import FAULT
from emulator.plant.bus import apply_frame_faults, inject_overload, received
from emulator.plant.commands import SHIFT_DONE, SHIFT_FAILED, RobotFrames, actuate, receive, shift
from emulator.plant.electronics import ignition_cut, slip_clutch, step_electronics, tell_units
from emulator.plant.events import SENSOR_GNSS, SENSOR_IMU, SENSOR_LEAN, grip_factor, step_events
from emulator.plant.fall_causes import emit_event, watch
from emulator.plant.fork import measured_angle
from emulator.plant.outputs import (
    N_SENSES,
    feel_motion,
    measure,
    measure_gnss,
    sense,
    sense_analogue,
    sense_lean,
    stand_still,
    to_rest,
    turn_rings,
)
from emulator.plant.plausibility import COMMAND_LIMIT, N_MONITORS, STEERING_ANGLE, beyond_limit, follow, off
from emulator.plant.pulses import turn_pulses
from emulator.plant.row import fill_rest, fill_truth
from emulator.plant.states import (
    CAUGHT,
    COUNTDOWN_TICKS,
    EV_CATCH,
    EV_ENABLE,
    EV_END,
    EV_GEAR,
    EV_HOLD,
    EV_LAP,
    EV_MISSED_GEAR,
    EV_MONITOR,
    EV_PERMISSIVE,
    EV_RELEASE,
    EV_STATE,
    EV_TRIP,
    FREE,
    HELD,
    N_PERMISSIVES,
    NOT_AWAITED,
    PRESSED,
    next_state,
    rest_share,
)
from emulator.road.line import Line, Surface, continue_station, grip_at, locate
from emulator.road.shape import RoadProfile, plane_under
from emulator.sensors.imu import restart
from emulator.sensors.sampling import MOST_VALUES, DelayLines, enter, forget, is_due, next_frame, pop, ready
from emulator.vehicle.imposed_angle import impose
from emulator.vehicle.integrate import begin, finish
from emulator.vehicle.state import (
    ENGINE,
    FRONT,
    N_X,
    OMEGA,
    POSITION,
    REAR,
    T_X,
    T_Y,
    T_Z,
    U_CLUTCH,
    U_ENGINE_CUT,
    U_GEAR,
    U_GRIP_FRONT,
    U_GRIP_REAR,
    U_ROAD_FRONT,
    U_ROAD_REAR,
    U_SUPPORT,
    U_THROTTLE,
    U_TOW_HEADING,
    U_TOW_SPEED,
    VELOCITY,
    Scratch,
)
from emulator.wire.can_frames import FrameCodec, append_packed

_TICK_S = TICK_NS * 1e-9
WHOLE, TO_SEND, REST = range(3)
"""Of a tick: all of it, what comes before its frames can be sent, what comes behind that."""
_REACH = math.sin(math.radians(20.0))  # lean from which legs still push a bike upright; no source


class Plant(NamedTuple):
    """Everything a tick works on; built by :mod:`emulator.assembly.plant`, written only by :func:`tick`.

    body, tyre   (1,), (2,)  vehicle records
    rig, run     (1,), (1,)  RIG_DTYPE, RUN_DTYPE
    memory       (1,)        MEMORY_DTYPE
    x, last_valid_state, u   (N_X,), (N_X,), (N_U,) state, last finite state, inputs
    work         (1,)        scratch of the vehicle
    line, road, road_profile target path, grip, shape of the road
    codec, robot             frame layouts; the robot's side of them
    out, lines   (M,)        outputs and their delay lines; the last one is GNSS
    actuators    (6,)        ACTUATOR_DTYPE, by channel
    events       (N,)        the scenario's EVENT_DTYPE table
    triggers     (T,)        TRIGGER_DTYPE, what starts them
    frame_faults  (G,)        GATE_DTYPE, those that act on frames
    past         (N, 2, PAST) what delays remember: samples, and speeds of the rings behind pulse frames
    inbox, scratch_frames    room for frames on their way through the gates
    streams, streams_0       random streams, and what they start the ride with
    imu          (1,)        inertial unit
    electronics  (1,)        ELECTRONICS_DTYPE, the bike's own
    rings        (4,)        tone rings front, rear; then those behind the pulse frames
    """

    body: NDArray[np.void]
    tyre: NDArray[np.void]
    rig: NDArray[np.void]
    run: NDArray[np.void]
    memory: NDArray[np.void]
    x: NDArray[np.float64]
    last_valid_state: NDArray[np.float64]
    u: NDArray[np.float64]
    work: NDArray[np.void]
    line: Line
    road: Surface
    road_profile: RoadProfile
    codec: FrameCodec
    robot: RobotFrames
    out: NDArray[np.void]
    lines: DelayLines
    actuators: NDArray[np.void]
    events: NDArray[np.void]
    triggers: NDArray[np.void]
    frame_faults: NDArray[np.void]
    past: NDArray[np.float64]
    inbox: FrameBuffer
    scratch_frames: FrameBuffer
    streams: NDArray[np.uint64]
    streams_0: NDArray[np.uint64]
    rings: NDArray[np.void]
    imu: NDArray[np.void]
    electronics: NDArray[np.void]


@jit
def _place(
    run: Record,
    s: Scratch,
    x: NDArray[np.float64],
    u: NDArray[np.float64],
    line: Line,
    road: Surface,
    road_profile: RoadProfile,
    events: NDArray[np.void],
) -> None:
    """Station and offset of the bike; grip and road plane under each tyre for the tick that begins.

    Where the tyres touch is known from the derivative last taken, at the end of the tick before.
    """
    px, py = x[POSITION], x[POSITION + 1]
    if not math.isfinite(px + py + x[VELOCITY] + x[VELOCITY + 1] + x[VELOCITY + 2]):
        return  # the divergence guard's business; a road that is not a number would outlive it
    station, run.offset, _ = locate(line, px, py, run.station)
    run.station = continue_station(line, station, run.station)
    R = s.R
    vx, vy, _ = rotate(
        (R[0], R[1], R[2], R[3], R[4], R[5], R[6], R[7], R[8]), x[VELOCITY], x[VELOCITY + 1], x[VELOCITY + 2]
    )
    for which in (REAR, FRONT):
        gx, gy, gz = s.tyre[which, T_X], s.tyre[which, T_Y], s.tyre[which, T_Z]
        tx = px + R[0] * gx + R[1] * gy + R[2] * gz
        ty = py + R[3] * gx + R[4] * gy + R[5] * gz
        st, offset, _ = locate(line, tx, ty, run.station)
        factor = grip_factor(events, run.scenario_tick, line, st, offset)
        u[U_GRIP_REAR if which == REAR else U_GRIP_FRONT] = factor * grip_at(road, line, st, offset)
        if road_profile.uneven:
            i = U_ROAD_REAR if which == REAR else U_ROAD_FRONT
            u[i], u[i + 1], u[i + 2] = plane_under(road_profile, line, st, offset, tx, ty, vx, vy, _TICK_S)


@jit
def _measured(
    rig: Record,
    run: Record,
    m: Record,
    tyre: NDArray[np.void],
    rings: NDArray[np.void],
    imu: NDArray[np.void],
    events: NDArray[np.void],
    past: NDArray[np.float64],
    streams: NDArray[np.uint64],
    o: Record,
    share: float,
    samples: NDArray[np.float64],
) -> None:
    """Output ``o`` measures now; faults act, fading as ``share`` nears 1; ``samples`` takes the result."""
    for k in range(o.family.shape[0]):
        first = o.family[k]
        if first < 0:
            break
        if first == V_HEARTBEAT:
            run.heartbeat_out = (run.heartbeat_out + 1.0) % 65536.0
            m.values[V_HEARTBEAT] = run.heartbeat_out
            m.values[V_STATE] = run.state
            m.values[V_TRIP] = run.trip_reason
            m.values[V_EMULATED] = 1.0
            m.values[V_TIME] = max(0.0, run.scenario_tick * _TICK_S)
        elif first == V_GNSS:
            measure_gnss(rig, run, m.senses, streams, run.tick * TICK_NS, events, m.values)
        else:
            measure(rig, tyre, rings, imu, m.senses, streams, first, m.values)
    for k in range(MOST_VALUES):
        v = o.value_of[k]
        if v < 0:
            break
        value = np.nan if o.absent[k] != 0 else m.values[v]
        for i in range(events.shape[0]):
            e = events[i]
            # the fork's angle was measured, and faulted, before it was imposed
            if e.kind == FAULT and e.signal == v and v != V_FORK_ANGLE:
                value = sample_fault(e, value, past[i, 0], run.scenario_tick, share, streams)
        samples[k] = value


@jit
def _wake(run: Record, out: NDArray[np.void], imu: NDArray[np.void]) -> None:
    """Sensors in ``run.woken`` have their power again: counters and filters begin anew."""
    for i in range(out.shape[0]):
        if out[i].sensors & run.woken:
            out[i].alive = 0
    if run.woken >> SENSOR_IMU & 1:
        restart(imu[0])
    if run.woken >> SENSOR_LEAN & 1:
        run.lean_begun = 0
    if run.woken >> SENSOR_GNSS & 1:
        run.gnss_progress = 0


@jit
def _gnss_epoch(
    run: Record, m: Record, o: Record, samples: NDArray[np.float64], due: int, valid: int
) -> None:
    """The epoch that is due goes to the port; the loop turns it into sentences.

    A stale receiver says the last one again, with its time.
    """
    if run.gnss_stale == 0 or run.gnss_reported_ns == NEVER:
        run.gnss_reported_ns = valid
        for k in range(MOST_VALUES):
            v = o.value_of[k]
            if v < 0:
                break
            m.gnss[v] = samples[k]
            if m.row_of[v] >= 0:
                m.row[m.row_of[v]] = samples[k]
    if np.isnan(m.gnss[V_GNSS_X]) or np.isnan(m.gnss[V_GNSS_Y]) or np.isnan(m.gnss[V_GNSS_FIX]):
        m.row[m.row_of[V_GNSS_FIX]] = 0.0
    run.gnss_ready += 1
    run.gnss_due_ns = due
    run.gnss_valid_ns = valid


@jit
def _frame(
    codec: FrameCodec,
    o: Record,
    samples: NDArray[np.float64],
    due: int,
    valid: int,
    tx: FrameBuffer,
) -> None:
    """A due sample becomes a frame."""
    n = tx.count[0]
    if n >= tx.can_id.shape[0]:
        return
    append_packed(codec, o.frame, samples, o.alive, tx)
    o.alive = (o.alive + 1) % codec.counters[o.frame]
    tx.time_ns[n] = due
    tx.valid_ns[n] = valid


@jit
def _finite(x: NDArray[np.float64]) -> bool:
    for i in range(x.shape[0]):  # noqa: SIM110 - compiled code knows no generators in all()
        if not math.isfinite(x[i]):
            return False
    return True


@jit
def _same(a: NDArray[np.float64], b: NDArray[np.float64]) -> bool:
    """Whether both are the same bit for bit; a NaN is nothing's like."""
    differ = 0  # counted, not left at the first: so it takes several at a time
    for i in range(a.shape[0]):
        differ += (a[i] != b[i]) | (math.copysign(1.0, a[i]) != math.copysign(1.0, b[i]))
    return differ == 0


@jit
def _copy(a: NDArray[np.float64], to: NDArray[np.float64]) -> None:
    for i in range(a.shape[0]):
        to[i] = a[i]


@jit
def _watch(
    c: Record,
    run: Record,
    body: Record,
    m: Record,
    x: NDArray[np.float64],
    last_valid_state: NDArray[np.float64],
    s: Scratch,
) -> None:
    """After the step: divergence, what the support does, what happened to the bike."""
    fast = spinning = False
    for i in range(3):
        fast = fast or abs(x[VELOCITY + i]) > c.divergence_speed
        spinning = spinning or abs(x[OMEGA + i]) > c.divergence_rate
    if fast or spinning or not _finite(x):
        for i in range(N_X):
            x[i] = last_valid_state[i]
        run.diverged = 1
        return
    for i in range(N_X):
        last_valid_state[i] = x[i]
    if run.support == HELD:
        lets_go = x[VELOCITY] >= c.release_speed or run.scenario_tick >= c.release_tick
    else:
        lets_go = run.support == CAUGHT and x[VELOCITY] >= c.let_go_speed
    if lets_go:
        run.support = FREE
        emit_event(m, EV_RELEASE, 0, x[VELOCITY])
    elif run.support == FREE and run.fallen_tick < 0 and x[VELOCITY] < c.catch_speed and abs(s.R[7]) < _REACH:
        run.support = CAUGHT
        emit_event(m, EV_CATCH, 0, x[VELOCITY])
    watch(c, run, body, m, s, x[VELOCITY], x[ENGINE])


@jit
def _supervise(
    rig: Record, run: Record, m: Record, robot: NDArray[np.float64], torque: float, before: int
) -> None:
    """Monitors and the state machine; tells what moved it. ``before`` is the state last told."""
    # What a robot makes of a bike that is down is not compared: its estimates are for riding.
    due = follow(rig, run, robot, m.row, torque, before == RUNNING and run.fallen_tick < 0)
    for i in range(N_MONITORS):
        if due >> i & 1:
            value = 0.0
            if i == COMMAND_LIMIT:
                value = float(beyond_limit(rig, robot))
            elif i >= STEERING_ANGLE:
                value = off(robot, m.row, i)
            emit_event(m, EV_MONITOR, i, value)
    next_state(rig, run)
    if run.enable == PRESSED:
        emit_event(m, EV_ENABLE, 0, 0.0)
        run.enable = NOT_AWAITED
    if run.arm_requested > 0 and run.missing != run.missing_told and before in (STANDBY, ARMED, RUNNING):
        for i in range(N_PERMISSIVES):
            if (run.missing ^ run.missing_told) >> i & 1:
                emit_event(m, EV_PERMISSIVE, i, 0.0 if run.missing >> i & 1 else 1.0)
        run.missing_told = run.missing
    if run.hold != run.hold_told:
        emit_event(m, EV_HOLD, run.hold, 0.0)
        run.hold_told = run.hold


# --- the parts of a tick, in their order ----------------------------------------------------------------


@jit
def take_in(p: Plant, rx: FrameBuffer) -> None:
    """Frames of the robot pass the faults on them and are decoded; then the state machine moves."""
    run, rig, m = p.run[0], p.rig[0], p.memory[0]
    copy_frames(rx, p.inbox)
    apply_frame_faults(run, p.frame_faults, p.events, p.streams, FROM_ROBOT, p.inbox, p.scratch_frames)
    if run.bus_off != 0:
        p.inbox.count[0] = 0
    receive(p.codec, p.robot, p.inbox, rig, run)
    before = run.reported_state  # the operator moves the state between ticks
    _supervise(rig, run, m, p.robot.robot, p.actuators[STEERING].state, before)
    if run.state != before:
        emit_event(m, EV_STATE, before, run.state)
        run.reported_state = run.state
        if run.state == TRIPPED:
            emit_event(m, EV_TRIP, run.trip_reason, run.trip_missing)
        elif before == RUNNING:
            emit_event(m, EV_END, run.end_reason, 0.0)
    if run.start_tick > 0 and run.tick == run.start_tick - COUNTDOWN_TICKS:
        # The ride's random numbers do not depend on how long the robot was waited for.
        for i in range(p.streams.shape[0]):
            p.streams[i] = p.streams_0[i]
        run.gnss_drift_ns = -1
        restart(p.imu[0])
        run.lean_begun = 0
        for i in range(p.events.shape[0]):
            p.events[i].past_n = p.events[i].past_turning_n = 0


@jit
def move_events(p: Plant) -> None:
    """The scenario's events start, act and end; sensors that have their power again begin anew."""
    run = p.run[0]
    step_events(
        p.rig[0], run, p.events, p.triggers, p.actuators, p.electronics[0], p.memory[0], p.u, p.streams
    )
    if run.woken != 0:
        _wake(run, p.out, p.imu)


@jit
def act(p: Plant, riding: bool) -> None:
    """Actuators follow what is asked; gearbox, support and tow with them."""
    run, rig, m = p.run[0], p.rig[0], p.memory[0]
    actuate(rig, p.robot.robot, p.actuators, p.u)
    step_electronics(p.electronics[0], p.actuators, p.rings, m.row, p.u, _TICK_S)
    if rig.angle_driven != 0:
        run.fork_angle = measured_angle(
            rig, run, p.robot.robot, p.actuators, p.events, p.past, p.streams, riding
        )
        impose(run.fork_angle, p.x, p.u)
    cut = False
    if riding:
        lever = p.actuators[GEAR]
        still = lever.silent != 0 or not math.isnan(lever.stuck_at)
        request = math.nan if still else p.robot.robot[R_GEAR]
        shift_time = p.body[0].gearbox_shift_time * lever.slow
        cut = ignition_cut(p.electronics[0], run, p.actuators, m.row, request, _TICK_S)
        carried = 0.0 if cut else p.u[U_THROTTLE]
        shifted = shift(run, request, p.u[U_CLUTCH], carried, shift_time, _TICK_S)
        if shifted == SHIFT_DONE:
            emit_event(m, EV_GEAR, run.gear, 0.0)
        elif shifted == SHIFT_FAILED:
            emit_event(m, EV_MISSED_GEAR, run.gear, 0.0)
    p.u[U_GEAR] = run.gear
    down = run.fallen_tick >= 0 and p.body[0].parts > 0  # its tip-over switch
    p.u[U_ENGINE_CUT] = 1.0 if down or cut else 0.0
    slip_clutch(p.electronics[0], p.body[0], p.x, p.u)
    if riding:
        tell_units(p.electronics[0], m)
    if run.support == CAUGHT:
        # Legs hold it upright and where it points, and neither tow nor brake.
        if p.u[U_SUPPORT] == 0.0:
            p.u[U_TOW_HEADING] = math.atan2(p.work[0].R[3], p.work[0].R[0])
        p.u[U_TOW_SPEED] = p.x[VELOCITY]
    else:
        p.u[U_TOW_SPEED] = rig.tow_acceleration * max(0, run.scenario_tick) * _TICK_S if riding else 0.0
    p.u[U_SUPPORT] = 0.0 if run.support == FREE else 1.0


@jit
def place(p: Plant) -> None:
    """Station and offset of the bike; grip and road plane under each tyre for the tick that begins."""
    _place(p.run[0], p.work[0], p.x, p.u, p.line, p.road, p.road_profile, p.events)


@jit
def begin_step(p: Plant, riding: bool) -> bool:
    """The truth of this tick, the first derivative of its step; False: there is none to be sensed."""
    run, m, s = p.run[0], p.memory[0], p.work[0]
    sound = True
    if riding or not (run.stood != 0 and _same(m.stood_x, p.x) and _same(m.stood_u, p.u)):
        begin(p.body, p.tyre, p.x, p.u, p.work)
        run.stood = 0
    if riding and not (_finite(p.x) and _finite(s.k[0])):
        run.diverged = 1
        sound = False  # nothing is sensed from such a state: the last senses stay
        for i in range(N_X):
            p.x[i] = p.last_valid_state[i]
        begin(p.body, p.tyre, p.x, p.u, p.work)
    elif not riding:
        stand_still(s, run.imposed_rates)
        if run.stood == 0:
            _copy(p.x, m.stood_x)
            _copy(p.u, m.stood_u)
            run.stood = 1
    if p.line.closed:
        lap = run.lap
        run.lap = 1 + int((run.station - p.rig[0].start_station) / p.line.length)
        if run.lap > lap > 0:
            emit_event(p.memory[0], EV_LAP, lap, 0.0)
    return sound


@jit
def sense_motion(p: Plant, sensed: bool) -> float:
    """Clean senses of the truth and what moves every tick in the sensors; returns the share gone to rest."""
    run, rig, m, s, body = p.run[0], p.rig[0], p.memory[0], p.work[0], p.body[0]
    now_ns = run.tick * TICK_NS
    if sensed:
        sense(rig, run, p.x, p.u, body.gravity, s, m.senses)
        sense_lean(rig, run, p.x, body.gravity, s, p.streams, _TICK_S, m.senses)
        sense_analogue(rig, run, body, p.x, s, m.row, m.senses)
        for i in range(N_SENSES):
            m.held[i] = m.senses[i]
    share = rest_share(rig, run)
    if share > 0.0:
        to_rest(rig, m.senses, m.held, share, body.gravity)
    turn_rings(p.rings, m.senses, now_ns, share > 0.0)
    feel_motion(p.imu, m.senses, p.streams, share >= 1.0)
    turn_pulses(run, p.rings, p.events, p.past, m.senses, p.streams, now_ns, share)
    return share


@jit
def sample_outputs(p: Plant, share: float) -> None:
    """Outputs whose turn it is measure, and their samples enter the delay lines."""
    run, rig, m = p.run[0], p.rig[0], p.memory[0]
    for i in range(p.out.shape[0]):
        o = p.out[i]
        if is_due(o, run.tick, TICK_NS):
            slot = enter(o, i, p.lines, run.tick * TICK_NS, p.streams)
            samples = p.lines.values[i, slot]
            _measured(rig, run, m, p.tyre, p.rings, p.imu, p.events, p.past, p.streams, o, share, samples)
            if o.sensors & run.dark:
                forget(o)


@jit
def samples_wait(p: Plant) -> bool:
    """Whether all that leaves at this tick was measured before it, whatever is measured in it.

    On a bus of known bit rate what is taken in changes who goes first. A device without power forgets what is
    on its way when it would measure again.
    """
    return p.rig[0].samples_wait != 0 and p.run[0].dark == 0


@jit
def send(p: Plant, tx: FrameBuffer) -> None:
    """Samples that are old enough leave as frames, through the faults on them."""
    run = p.run[0]
    now_ns = run.tick * TICK_NS
    # Everything outside counts in scenario time: tick 0 is when the ride starts.
    origin_ns = (run.tick - run.scenario_tick) * TICK_NS
    i = next_frame(p.out, now_ns, run.wire_free_ns, TICK_NS)
    while i >= 0:
        o = p.out[i]
        slot = pop(o, i, p.lines)
        samples = p.lines.values[i, slot]
        due, valid = p.lines.due_ns[i, slot], p.lines.valid_ns[i, slot]
        run.wire_free_ns = max(now_ns, run.wire_free_ns) + o.wire_ns
        _frame(p.codec, o, samples, due - origin_ns, valid - origin_ns, tx)
        i = next_frame(p.out, now_ns, run.wire_free_ns, TICK_NS)
    if p.frame_faults.shape[0] > 0 or run.bus_off != 0 or run.overload_owed > 0.0:
        apply_frame_faults(run, p.frame_faults, p.events, p.streams, TO_ROBOT, tx, p.scratch_frames)
        if run.bus_off != 0:
            tx.count[0] = 0
        if run.overload_owed > 0.0:
            inject_overload(run, tx, p.scratch_frames)


@jit
def arrive(p: Plant, tx: FrameBuffer) -> None:
    """What receivers have of the frames is recorded; a sample that is old enough leaves as an epoch."""
    run, m = p.run[0], p.memory[0]
    received(m, p.codec, p.out, tx, p.frame_faults.shape[0] == 0 and run.bus_faulty == 0)
    i = p.out.shape[0] - 1  # GNSS. The port takes one epoch a tick: another one that is due goes in the next
    o = p.out[i]
    slot = ready(o, i, p.lines, run.tick * TICK_NS)
    if slot >= 0:
        samples = p.lines.values[i, slot]
        _gnss_epoch(run, m, o, samples, p.lines.due_ns[i, slot], p.lines.valid_ns[i, slot])


@jit
def move_on(p: Plant) -> None:
    """The bike rides on to the next tick; what happens to it is told."""
    run, s = p.run[0], p.work[0]
    finish(p.body, p.tyre, p.x, p.u, _TICK_S, p.work)
    _watch(p.rig[0], run, p.body[0], p.memory[0], p.x, p.last_valid_state, s)
    if run.diverged != 0:
        # what is recorded from now on belongs to the last good state
        begin(p.body, p.tyre, p.x, p.u, p.work)


@jit
def tick(p: Plant, rx: FrameBuffer, tx: FrameBuffer, lateness_us: float, compute_us: float, part: int) -> int:
    """One tick; returns the bench state. ``tx`` holds the frames to send, ``p.memory`` row and events.

    part  WHOLE, or TO_SEND and then REST: the same tick, with its frames in ``tx`` behind the first part
          already if ``samples_wait``
    """
    run, m = p.run[0], p.memory[0]
    if part != REST:
        tx.count[0] = 0
        m.event_count = 0
        run.gnss_ready = 2 if run.tick >= run.gnss_held_tick else 0
        take_in(p, rx)
        move_events(p)
        if samples_wait(p):
            send(p, tx)
    if part == TO_SEND:
        return int(run.state)

    riding = run.state == RUNNING
    act(p, riding)
    sensed = run.state in (STANDBY, ARMED) or riding
    if sensed:
        place(p)
        sensed = begin_step(p, riding)
    fill_truth(m.row, run, p.body[0], p.x, p.u, p.actuators, p.work[0])
    share = sense_motion(p, sensed)
    sample_outputs(p, share)
    if not samples_wait(p):
        send(p, tx)
    arrive(p, tx)
    fill_rest(m.row, run, p.robot.robot, p.electronics[0], p.line, lateness_us, compute_us)
    if riding and run.diverged == 0:
        move_on(p)
    run.tick += 1
    return int(run.state)
