"""The bench's states and what moves it between them.

    STANDBY --arm asked, robot heartbeat fresh--> ARMED --countdown over--> RUNNING
    RUNNING --laps done | time limit | stop asked | fallen--> STOPPING --ramp over--> STANDBY (finished)
    any --trip--> TRIPPED --ramp over--> finished; the reason stays until the rig is started anew

In every state but RUNNING the physics stands still. On the way out of RUNNING every emulated signal is
blended to what a bike at rest shows within the rig's ramp time. This is orderly behaviour of software, not
a safety function: the hardware emergency stop and the guards are.
"""

from __future__ import annotations

from emulator.compiled import Record, jit
from emulator.signals import UNARMED_TICK

STANDBY, ARMED, RUNNING, STOPPING, TRIPPED = range(5)
STATE_NAMES = ("standby", "armed", "running", "stopping", "tripped")

(
    NO_TRIP,
    TRIP_HEARTBEAT,
    TRIP_COMMAND,
    TRIP_OVERRUN,
    TRIP_BUS,
    TRIP_DIVERGED,
    TRIP_OPERATOR,
    TRIP_ARMING,
) = range(8)
TRIP_TEXTS = (
    "none",
    "robot heartbeat lost",
    "robot commands stale",
    "loop overrun",
    "bus lost",
    "plant diverged",
    "operator trip",
    "robot not seen before the arming timeout",
)

NOT_ENDED, END_COMPLETE, END_TIME_LIMIT, END_STOPPED, END_FALLEN, END_TRIPPED = range(6)
END_NAMES = ("crashed", "complete", "time_limit", "stopped", "fallen", "tripped")
"""How a run ended, as the verdict reads it; a run without an end crashed."""


START_GRID_TICKS = 1000  # rides start on a whole second of the output schedules: same phases every run
COUNTDOWN_TICKS = 300  # least time armed, so that the robot has seen every signal at rest
_FALL_SHOWN_TICKS = 500  # how long a fall is played out before the signals are taken to rest

# Codes of the event buffer.
(
    EV_NONE,
    EV_FAULT_ON,
    EV_FAULT_OFF,
    EV_GRIP_ON,
    EV_GRIP_OFF,
    EV_MARK,
    EV_STATE,
    EV_TRIP,
    EV_RELEASE,
    EV_LAP,
    EV_FALL,
    EV_GEAR,
    EV_END,
    EV_GUST_ON,
    EV_GUST_OFF,
    EV_GEARBOX_ON,
    EV_GEARBOX_OFF,
    EV_MISSED_GEAR,
    EV_SLIDE,
    EV_LIFT,
    EV_PEG,
    EV_RUN_OFF,
    EV_STALL,
    EV_GNSS_ON,
    EV_GNSS_OFF,
) = range(25)


@jit
def trip(r: Record, reason: int) -> None:
    """Go to TRIPPED; the first reason is kept."""
    if r.state != TRIPPED:
        stopping = r.state == STOPPING
        r.state = TRIPPED
        r.trip_reason = reason
        if r.end_reason == NOT_ENDED:
            r.end_reason = END_TRIPPED
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
def next_state(c: Record, r: Record) -> None:
    """One tick of the state machine; call before the physics of that tick."""
    fresh = r.heartbeat_tick >= 0 and r.tick - r.heartbeat_tick <= c.heartbeat_ticks
    if r.state == STANDBY:
        if r.arm_requested > 0 and r.finished == 0:
            if fresh:
                r.state = ARMED
                earliest = r.tick + COUNTDOWN_TICKS
                r.start_tick = (earliest + START_GRID_TICKS - 1) // START_GRID_TICKS * START_GRID_TICKS
            elif r.tick - r.arm_requested > c.arming_ticks:
                trip(r, TRIP_ARMING)
    elif r.state in (ARMED, RUNNING):
        if not fresh:
            trip(r, TRIP_HEARTBEAT)
        elif r.state == ARMED:
            if r.tick >= r.start_tick:
                r.state = RUNNING
        elif r.tick - r.steering_tick > c.command_ticks or r.tick - r.drive_tick > c.command_ticks:
            trip(r, TRIP_COMMAND)
        elif r.diverged != 0 and r.fallen_tick >= 0:
            stop(r, END_FALLEN)  # a bike that is down is beyond what the model is for: the fall is the news
        elif r.diverged != 0:
            trip(r, TRIP_DIVERGED)
        elif r.fallen_tick >= 0 and r.scenario_tick - r.fallen_tick > _FALL_SHOWN_TICKS:
            stop(r, END_FALLEN)
        elif r.station >= c.finish_station:
            stop(r, END_COMPLETE)
        elif r.scenario_tick >= c.limit_ticks:
            stop(r, END_TIME_LIMIT)
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
