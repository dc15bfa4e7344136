"""From switching on to silence: states, what moves between them, trips, and what the robot does meanwhile."""

from __future__ import annotations

from emulator.assembly.session import Session
from emulator.config.rig.file import Rig
from emulator.core.signals import ARMED, RUNNING, STANDBY, STOPPING, TICK_NS, TRIPPED
from emulator.core.trip_reasons import TripReason
from emulator.inspection.interface.description import (
    End,
    Frame,
    Monitor,
    ScenarioPart,
    StartUp,
    State,
    TripCause,
)
from emulator.plant.plausibility import COMMAND_LIMIT, COMMAND_RATE, MONITORS
from emulator.plant.states import (
    COUNTDOWN_TICKS,
    PERMISSIVE_TEXTS,
    PERMISSIVES,
    START_GRID_TICKS,
    STATE_NAMES,
)
from emulator.stages.bench.heartbeat import END_AFTER_S, TELL_AFTER_S

_TICK_S = TICK_NS * 1e-9
COUNTDOWN_s = (COUNTDOWN_TICKS * _TICK_S, (COUNTDOWN_TICKS + START_GRID_TICKS - 1) * _TICK_S)
"""Shortest and longest time armed: the ride starts on a whole second of the outputs' schedules."""

_BITS_16 = 65536

_WATCHED_VALUES = {
    "command_limit": "a command beyond its actuator",
    "command_rate": "steering torque asked for faster than its actuator follows",
    "steering_angle": "steering_angle_rad against the plant's steering angle, while running",
    "lean_estimate": "estimate_roll_rad against the plant's roll, while running",
    "speed_estimate": "estimate_speed_m_s against the plant's speed, while running",
}


def asked_for(rig: Rig) -> tuple[str, ...]:
    """What has to be given before arming, in words: the robot's heartbeat, and what the rig names."""
    return tuple(
        text
        for name, text in zip(PERMISSIVES, PERMISSIVE_TEXTS, strict=True)
        if name == PERMISSIVES[0] or name in rig.permissives
    )


def start_up(session: Session, frames: list[Frame], scenario: ScenarioPart | None) -> StartUp:
    """From switching on until the bike rides by itself."""
    rig = session.rig
    state_frame, beat = _carrying(frames, "bench", "state"), _carrying(frames, "robot", "heartbeat")
    watched = [f for f in frames if f.sender == "robot" and f.required]
    sent = ", ".join(f"{f.label} every {f.period_ms:g} ms" for f in watched)
    least, most = COUNTDOWN_s
    steps = [
        "Join the bus. The bench sends all its frames, in state standby: a bike that stands still.",
        f"Refuse to ride on a bike that can move while {state_frame}.emulated is 1: it always is here.",
        f"Send {sent}, from now on and in every state. In {beat} count heartbeat up by one with every frame.",
        f"Nothing leaves standby before these are given: {', '.join(asked_for(rig))}. "
        f"{'The operator arms' if rig.local_enable == 'terminal' else 'A button at the bench arms'}; what "
        f"is still missing {rig.limits.arming_timeout_s:g} s after that is a trip.",
        f"{state_frame}.state turns 1, armed: your commands reach the actuators. Keep torque, throttle and "
        "brakes at 0 and the clutch pulled; align your estimate, as the bike stands in its support.",
        f"{least:g} to {most:g} s later, or when the operator lets go of a hold, state turns 2, running: "
        "physics begins in that tick.",
        "The support tows the bike straight on and upright"
        + (_support(scenario) if scenario else ", by the scenario,")
        + " then lets go. Balance from the first tick; ride by clutch and throttle from then on.",
    ]
    return StartUp(
        state_frame=state_frame,
        state_signal="state",
        reason_signal="trip_reason",
        heartbeat_frame=beat,
        heartbeat_signal="heartbeat",
        heartbeat_counts=_counts(frames, beat),
        permissives=asked_for(rig),
        arming_timeout_s=rig.limits.arming_timeout_s,
        countdown_least_s=least,
        countdown_most_s=most,
        steps=tuple(steps),
    )


def _support(scenario: ScenarioPart) -> str:
    at = (
        f"{scenario.released_at_m_s:.2f} m/s"
        if scenario.released_at_m_s is not None
        else f"{scenario.released_at_s:g} s of the ride"
    )
    return f" at {scenario.tow_acceleration_m_s2:g} m/s2 up to {at},"


def _carrying(frames: list[Frame], sender: str, signal: str) -> str:
    """The frame of a sender that has a signal; the rig's checks saw to it that there is one."""
    return next(f.name for f in frames if f.sender == sender and signal in {s.name for s in f.signals})


def _counts(frames: list[Frame], name: str) -> int:
    """How far the heartbeat may count before it begins again: its codes, and no more than 16 bits."""
    frame = next(f for f in frames if f.name == name)
    (signal,) = (s for s in frame.signals if s.name == "heartbeat")
    return min(_BITS_16, signal.raw_maximum - max(0, signal.raw_minimum) + 1)


def states(rig: Rig) -> tuple[State, ...]:
    """Each state: what the bench does, what the robot does, what ends it."""
    ramp = f"{rig.limits.ramp_to_rest_s:g} s"
    asked = ", ".join(asked_for(rig))
    others = "".join(f"{text} lost, " for text in asked_for(rig)[1:])
    said = {
        STANDBY: (
            "sends a bike that stands still",
            "send your frames, commands at rest",
            f"arming, with {asked} given; or a stop",
        ),
        ARMED: (
            "the same; the robot's commands reach the actuators; countdown, or hold",
            "keep commands at rest, align your estimate",
            f"countdown over: running. Heartbeat missing, {others}a monitor, the operator: tripped. A stop: "
            "stopping",
        ),
        RUNNING: (
            "physics: the bike answers",
            "ride",
            "ride complete, time limit, fall, a stop: stopping. Heartbeat or commands missing, "
            f"{others}a monitor, loop or bus at fault, the operator: tripped",
        ),
        STOPPING: (
            f"takes what it sends from the last of the ride to a bike at rest, within {ramp}",
            "take your actuators to rest, on your own; what you command moves no bike any more",
            f"{ramp} over: standby for a moment, then silence",
        ),
        TRIPPED: (
            f"the same, within {ramp}; the reason is sent along",
            "take your actuators to rest at once, on your own; tell your operator the reason",
            "at rest: silence. The ride does not go on",
        ),
    }
    return tuple(
        State(number=number, name=STATE_NAMES[number], bench=bench, robot=robot, ends=ends)
        for number, (bench, robot, ends) in sorted(said.items())
    )


def trip_causes(rig: Rig) -> tuple[TripCause, ...]:
    """Every reason, and whether it can come on this rig."""
    asked = {TripReason.ESTOP: "estop_released", TripReason.GUARD: "guard_closed"}
    causes = []
    for reason in TripReason:
        can_come = reason is not TripReason.NONE
        if reason in asked:
            can_come = asked[reason] in rig.permissives
        elif reason >= TripReason.COMMAND_LIMIT:
            monitor = getattr(rig.monitors, MONITORS[reason - TripReason.COMMAND_LIMIT])
            can_come = monitor is not None and monitor.then == "trip"
        causes.append(
            TripCause(
                number=int(reason),
                text=reason.text,
                whose=reason.whose,
                what_to_do=reason.what_to_do,
                can_come=can_come,
            )
        )
    return tuple(causes)


def monitors(rig: Rig) -> tuple[Monitor, ...]:
    """The rig's checks of what the robot sends."""
    found = []
    for i, name in enumerate(MONITORS):
        monitor = getattr(rig.monitors, name)
        if monitor is not None:
            within = None
            if i not in (COMMAND_LIMIT, COMMAND_RATE):
                within = getattr(monitor, "within_rad", None) or getattr(monitor, "within_m_s", None)
            found.append(
                Monitor(
                    name=name,
                    what=_WATCHED_VALUES[name],
                    within=within,
                    for_ms=monitor.for_ms,
                    then=monitor.then,
                )
            )
    return tuple(found)


def end(rig: Rig, frames: list[Frame]) -> End:
    """What comes at the end, in order or not."""
    needed = [f for f in frames if f.sender == "bench"]
    gaps = ", ".join(f"{f.label} {f.longest_gap_ms:g} ms" for f in needed if f.longest_gap_ms is not None)
    return End(
        ramp_to_rest_s=rig.limits.ramp_to_rest_s,
        silence_within_ms=_TICK_S * 1e3,
        hang_noticed_s=TELL_AFTER_S,
        hang_ended_s=END_AFTER_S,
        longest_stall_ms=rig.limits.overrun_limit_ms,
        after_end=(
            "The ride is over when state turns 3, stopping. What comes from now on is no motion of a bike.",
            "Take the robot's own actuators to rest. Then the bench ends and the bus is silent.",
            "Another ride is another run: the port of a virtual bus may be another one, all counters and the "
            "state begin anew.",
        ),
        after_trip=(
            "state turns 4, tripped, and trip_reason says why; both stay until the bench ends.",
            "Take the robot's own actuators to rest at once: the bench only takes its signals to rest, it "
            "does not hold the robot.",
            "Don't ride on and don't start again by yourself: a person looks at the reason, and starts "
            "another run.",
        ),
        after_silence=(
            f"When the loop dies there is no ramp and no last word: silence within {_TICK_S * 1e3:g} ms. A "
            f"loop that hangs is noticed after {TELL_AFTER_S:g} s and ended after {END_AFTER_S:g} s.",
            "So watch each frame you need by a clock of your own; one that stays away longer than in any "
            "ride "
            f"that counts is lost: {gaps}.",
            f"A stall of the loop up to {rig.limits.overrun_limit_ms:g} ms is made up for: late frames then "
            "come in a burst. Choose between those two limits by what your robot can bear.",
            "On lost frames go to a safe state by yourself, as after a trip.",
        ),
    )
