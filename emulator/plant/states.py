"""The bench's states and what moves it between them.

    STANDBY --arm asked, every permissive given--> ARMED --not held, countdown over--> RUNNING
    RUNNING --laps done | time limit | stop asked | fall over--> STOPPING --ramp over--> STANDBY (finished)
    any --trip--> TRIPPED --ramp over--> finished; the reason stays until it is acknowledged
    TRIPPED --acknowledged, at rest, cause gone--> STANDBY (finished: another ride takes another plant)

Permissives are a fresh robot heartbeat and the bench's inputs that the rig names. Each is given only by a
fresh one that says so: absent, stale, "not available", any value but 1 is not permitted. Losing one while
ARMED or RUNNING trips. Where the rig names a button as its local enable, arming is asked for by pressing it,
and only after it was seen released while that was awaited. The table of states and events:
emulator/guide/design/states.md.

In every state but RUNNING the physics stands still. On the way out of RUNNING every emulated signal is
blended to what a bike at rest shows within the rig's ramp time. This is orderly behaviour of software, not
a safety function: the hardware emergency stop and the guards are.
"""

from __future__ import annotations

from emulator.core.compiled import Record, jit
from emulator.core.signals import ARMED, RUNNING, STANDBY, STOPPING, TRIPPED, UNARMED_TICK
from emulator.core.trip_reasons import TripReason
from emulator.plant.plausibility import N_MONITORS

STATE_NAMES = ("standby", "armed", "running", "stopping", "tripped")

HEARTBEAT, ESTOP, GUARD = range(3)
PERMISSIVES = ("robot_heartbeat", "estop_released", "guard_closed")
"""Bits of a mask of permissives. The first is always asked for, the others are signals of bench_inputs."""
N_PERMISSIVES = len(PERMISSIVES)
PERMISSIVE_TEXTS = ("robot heartbeat", "emergency stop released", "guard closed")
NOT_AWAITED, AWAITED, PRESSED = range(3)
"""The bench's button for the local enable, in a ride."""
MISSING_ENABLE = 1 << N_PERMISSIVES
"""Bit in the recorded mask of what is missing, while that button is awaited."""

NOT_ENDED, END_COMPLETE, END_TIME_LIMIT, END_STOPPED, END_FALLEN, END_TRIPPED = range(6)
END_NAMES = ("crashed", "complete", "time_limit", "stopped", "fallen", "tripped")
"""How a run ended, as the verdict reads it; a run without an end crashed."""


FREE, HELD, CAUGHT = range(3)
"""What the support does: nothing, hold and tow the bike from the start on, hold one that it caught."""

START_GRID_TICKS = 1000  # rides start on a whole second of the output schedules: same phases every run
COUNTDOWN_TICKS = 300  # least time armed, so that the robot has seen every signal at rest

# Codes of the event buffer.
(
    EV_NONE,
    EV_STATE,
    EV_TRIP,
    EV_RELEASE,
    EV_LAP,
    EV_FALL,
    EV_GEAR,
    EV_END,
    EV_MISSED_GEAR,
    EV_SLIDE,
    EV_LIFT,
    EV_PEG,
    EV_RUN_OFF,
    EV_STALL,
    EV_PERMISSIVE,
    EV_HOLD,
    EV_MONITOR,
    EV_REST,
    EV_ENABLE,
    EV_CATCH,
    EV_UNIT,
) = range(21)
EV_BEGAN, EV_ENDED, EV_SPARED = 100, 200, 300
"""Of the scenario's events: plus their kind (emulator.events.table)."""


@jit
def trip(r: Record, reason: int) -> None:
    """Go to TRIPPED; the first reason is kept."""
    if r.state != TRIPPED:
        stopping = r.state == STOPPING
        r.state = TRIPPED
        r.trip_reason = reason
        r.trip_missing = r.missing
        if r.end_reason == NOT_ENDED:
            r.end_reason = END_TRIPPED
            r.end_trip = reason
        if not stopping:  # a ramp that has begun goes on: signals never go back to those of the ride
            r.ramp_start = r.tick


@jit
def stop(r: Record, reason: int) -> None:
    """End the ride in an orderly way; from standby there is nothing to ramp."""
    if r.state in (STOPPING, TRIPPED):
        return
    if r.end_reason == NOT_ENDED:
        r.end_reason = reason
    if r.state == STANDBY:
        r.finished = 1
    else:
        r.state = STOPPING
        r.ramp_start = r.tick


@jit
def hold(r: Record, who: int) -> None:
    """The operator at the bench (``who`` 0) or from afar (1) keeps the ride from starting; armed at most."""
    if r.state in (STANDBY, ARMED):
        r.hold |= 2 if who == 1 else 1


@jit
def go(r: Record, who: int) -> None:
    """Let go of a hold: from afar only of one from afar, at the bench of both."""
    if who == 0:
        r.hold = 0
    elif who == 1:
        r.hold &= ~2


@jit
def acknowledge(r: Record) -> None:
    """TRIPPED to STANDBY, if at rest and the cause is gone; else nothing changes.

    Gone: every permissive is given again, no command is beyond its actuator, the plant did not diverge. The
    ride stays finished.
    """
    if r.state == TRIPPED and r.finished != 0 and r.missing == 0 and r.diverged == 0:
        for i in range(N_MONITORS):
            if r.beyond[i] > 0:
                return
        r.state = STANDBY
        r.trip_reason = TripReason.NONE


@jit
def say_permissive(r: Record, which: int, granted: bool) -> None:
    """An input of the bench arrived in this tick. One that says no counts for the whole tick."""
    stamp = r.tick + 1
    if not granted:
        r.permit[which] = -stamp
    elif r.permit[which] != -stamp:
        r.permit[which] = stamp


@jit
def await_enable(r: Record) -> None:
    """From now on the bench's button arms; however it stands, it has to be let go of first."""
    if r.state == STANDBY and r.arm_requested == 0:
        r.enable = AWAITED
        r.enable_released = 0


@jit
def say_enable(c: Record, r: Record, value: float) -> None:
    """The bench's button arrived in this tick: 0 released, 1 pressed, anything else tells nothing.

    A press counts next to a fresh release only: a button that is stuck, or whose sender was silent in
    between, enables nothing.
    """
    if r.enable != AWAITED:
        return
    stamp = r.tick + 1
    released = r.enable_released
    r.enable_released = stamp if value == 0.0 else 0
    if value == 1.0 and released > 0 and stamp - released <= c.permissive_ticks:
        r.enable = PRESSED
        r.arm_requested = stamp


@jit
def _missing(c: Record, r: Record) -> int:
    """Mask of the permissives that are asked for and not given."""
    mask = 0
    if r.heartbeat_tick < 0 or r.tick - r.heartbeat_tick > c.heartbeat_ticks:
        mask |= 1 << HEARTBEAT
    for i in range(HEARTBEAT + 1, N_PERMISSIVES):
        required = c.permissives >> i & 1
        if required != 0 and (r.permit[i] <= 0 or r.tick + 1 - r.permit[i] > c.permissive_ticks):
            mask |= 1 << i
    return mask


@jit
def _monitor_trip(c: Record, r: Record) -> int:
    """Reason of the first monitor that asks for a trip, or TripReason.NONE."""
    for i in range(N_MONITORS):
        if c.monitor_trips[i] != 0 and c.monitor_ticks[i] > 0 and r.beyond[i] > c.monitor_ticks[i]:
            return TripReason.COMMAND_LIMIT + i
    return TripReason.NONE


@jit
def _count_down(r: Record) -> None:
    """When the ride starts: nobody knows while it is held, and afterwards the countdown begins anew."""
    if r.hold != 0:
        r.start_tick = 0
    elif r.start_tick == 0:
        earliest = r.tick + COUNTDOWN_TICKS
        r.start_tick = (earliest + START_GRID_TICKS - 1) // START_GRID_TICKS * START_GRID_TICKS
    elif r.tick >= r.start_tick:
        r.state = RUNNING


@jit
def next_state(c: Record, r: Record) -> None:
    """One tick of the state machine; call before the physics of that tick."""
    r.missing = _missing(c, r)
    if r.state == STANDBY:
        if r.arm_requested > 0 and r.finished == 0:
            if r.missing == 0:
                r.state = ARMED
                r.start_tick = 0  # whatever it was: the countdown begins now
                _count_down(r)
            elif r.tick - r.arm_requested > c.arming_ticks:
                trip(r, TripReason.ARMING)
    elif r.state in (ARMED, RUNNING):
        implausible = _monitor_trip(c, r)
        if r.missing >> ESTOP & 1:
            trip(r, TripReason.ESTOP)
        elif r.missing >> GUARD & 1:
            trip(r, TripReason.GUARD)
        elif r.missing != 0:
            trip(r, TripReason.HEARTBEAT)
        elif implausible != TripReason.NONE:
            trip(r, implausible)
        elif r.state == ARMED:
            _count_down(r)
        elif r.tick - r.steering_tick > c.command_ticks or r.tick - r.drive_tick > c.command_ticks:
            if r.fallen_tick >= 0:
                stop(r, END_FALLEN)  # a robot that knows it is down may well let go: the fall is the news
            else:
                trip(r, TripReason.COMMAND)
        elif r.diverged != 0 and r.fallen_tick >= 0:
            stop(r, END_FALLEN)  # a bike that is down is beyond what the model is for: the fall is the news
        elif r.diverged != 0:
            trip(r, TripReason.DIVERGED)
        elif r.fall_over != 0:
            stop(r, END_FALLEN)
        elif r.station >= c.finish_station and r.fallen_tick < 0:
            stop(r, END_COMPLETE)  # sliding over the finish is not finishing
        elif r.scenario_tick >= c.limit_ticks:
            stop(r, END_TIME_LIMIT if r.fallen_tick < 0 else END_FALLEN)
    elif r.tick - r.ramp_start >= c.ramp_ticks:
        r.finished = 1
        if r.state == STOPPING:
            r.state = STANDBY
    r.scenario_tick = r.tick - r.start_tick if r.start_tick > 0 else r.tick + UNARMED_TICK


@jit
def rest_share(c: Record, r: Record) -> float:
    """How far the emulated signals are on their way to rest: 0 riding, 1 at rest, smooth between."""
    if r.finished != 0:
        return 1.0
    if r.state in (STOPPING, TRIPPED):
        part = min(1.0, (r.tick - r.ramp_start) / max(1, c.ramp_ticks))
        return float(part * part * (3.0 - 2.0 * part))
    return 0.0
