"""Why the bench trips: each reason with its text, whose it is, and what to do about it.

The number goes over the bus (``trip_reason``; the DBC's value table repeats the texts), into the record and
into the verdict. Whose a trip is decides what it says: the robot's fails it, any other makes the run invalid.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import IntEnum
from typing import Any, Literal, NamedTuple, TypeAlias

Whose: TypeAlias = Literal["nobody", "robot", "bench", "operator"]


class TripReason(IntEnum):
    """A trip reason by its number; compiled code takes members for their numbers."""

    NONE = 0
    HEARTBEAT = 1
    COMMAND = 2
    OVERRUN = 3
    BUS = 4
    DIVERGED = 5
    OPERATOR = 6
    ARMING = 7
    ESTOP = 8
    GUARD = 9
    COMMAND_LIMIT = 10
    COMMAND_RATE = 11
    STEERING_ANGLE = 12
    LEAN_ESTIMATE = 13
    SPEED_ESTIMATE = 14

    @property
    def text(self) -> str:
        """What happened."""
        return _ABOUT[self].text

    @property
    def whose(self) -> Whose:
        """Whose failing or doing it is."""
        return _ABOUT[self].whose

    @property
    def what_to_do(self) -> str:
        """What the bench engineer should do about it; empty for none."""
        return _ABOUT[self].what_to_do

    def in_words(self, missing: str = "") -> str:
        """The text; for the arming timeout with what was ``missing``."""
        return f"{self.text}: {missing}" if self is TripReason.ARMING else self.text


class _About(NamedTuple):
    text: str
    whose: Whose
    what_to_do: str


_ABOUT = {
    TripReason.NONE: _About(
        "none",
        "nobody",
        "",
    ),
    TripReason.HEARTBEAT: _About(
        "robot heartbeat lost",
        "robot",
        "look why the robot's frame 'gear' stopped, or its heartbeat, counter or checksum: its log, the bus, "
        "its power; `emulator rehearse` goes through its frames",
    ),
    TripReason.COMMAND: _About(
        "robot commands stale",
        "robot",
        "look why the robot's 'steering' or 'drive' stopped or told nothing new, which "
        "limits.command_timeout_ms allows for so long; `emulator rehearse` goes through its frames",
    ),
    TripReason.OVERRUN: _About(
        "loop overrun",
        "bench",
        "run `emulator host`: another program, or a CPU that sleeps, kept the loop from its time",
    ),
    TripReason.BUS: _About(
        "bus lost",
        "bench",
        "check plug, termination and adapter of the CAN bus, and that nobody else sends the bench's frames",
    ),
    TripReason.DIVERGED: _About(
        "plant diverged",
        "bench",
        "look at the last second of the record: the model left what it is made for; "
        "change vehicle or scenario",
    ),
    TripReason.OPERATOR: _About(
        "operator trip",
        "operator",
        "ride again when whoever tripped the bench says so",
    ),
    TripReason.ARMING: _About(
        "permissives missing at the arming timeout",
        "bench",
        "give what was missing before arming; of the robot's heartbeat: start the robot, and let "
        "`emulator rehearse` go through its frames",
    ),
    TripReason.ESTOP: _About(
        "emergency stop input not released",
        "operator",
        "release the emergency stop, or check the wire and the sender of 'bench_inputs'",
    ),
    TripReason.GUARD: _About(
        "guard input not closed",
        "operator",
        "close the guard, or check its switch and the sender of 'bench_inputs'",
    ),
    TripReason.COMMAND_LIMIT: _About(
        "robot command beyond its actuator's limit",
        "robot",
        "the event before the trip names the command; compare the robot's limit with actuators in the rig",
    ),
    TripReason.COMMAND_RATE: _About(
        "robot command faster than its actuator",
        "robot",
        "compare the robot's rate limit with actuators.steering.rate_limit_Nm_s in the rig",
    ),
    TripReason.STEERING_ANGLE: _About(
        "steering angle as measured is not the plant's",
        "bench",
        "check the steering angle's sensor and the load motor, their signs and zeros",
    ),
    TripReason.LEAN_ESTIMATE: _About(
        "robot's estimate of lean implausible",
        "robot",
        "compare robot.estimate_roll_rad with truth.roll_rad in the report",
    ),
    TripReason.SPEED_ESTIMATE: _About(
        "robot's estimate of speed implausible",
        "robot",
        "compare robot.estimate_speed_m_s with truth.speed_m_s in the report",
    ),
}
_BY_TEXT = {reason.text: reason for reason in TripReason}
_BY_NUMBER = {int(reason): reason for reason in TripReason}


def trip_reason(number: object) -> TripReason | None:
    """The reason of that number, None if there is none."""
    return _BY_NUMBER.get(number) if isinstance(number, int) else None


def trip_reason_of(outcome: Mapping[str, Any]) -> TripReason | None:
    """The reason a run's outcome gives by its number; None for a number or a text that is none of ours.

    Outcomes written before had only the text, which is looked up as a whole; that of the arming timeout went
    on after a colon.
    """
    if "trip_code" in outcome:
        return trip_reason(outcome["trip_code"])
    return _BY_TEXT.get(str(outcome.get("trip_reason") or "").partition(": ")[0])
