"""What the bench sends and takes on its bus: frames by name, how often, how old; what a rehearsal asks.

What can be sent is the DBC's to say: any frame whose signals are output values (emulator.core.signals).
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Annotated, Literal, Protocol, TypeAlias, TypeVar

from pydantic import Field, model_validator

from emulator.config.field_types import Name
from emulator.config.validation import Closed, wrong

COMMAND_FRAMES = ("steering", "drive", "gear", "estimate_pose", "estimate_motion")
"""Frames a rig takes from the robot, by their names in the DBC."""
INPUT_FRAME = "bench_inputs"
"""Frame of the bench's own inputs, taken if the rig asks for any of them; they are signals of it."""
PermissiveName: TypeAlias = Literal["estop_released", "guard_closed"]
LocalEnable: TypeAlias = Literal["terminal", "enable_pressed"]
"""What arms a bench that has a live page: a key at its terminal, or a button among its inputs."""
CommandFrame: TypeAlias = Literal["steering", "drive", "gear", "estimate_pose", "estimate_motion"]
REFERENCE_NEEDS = (
    *("wheel_front_m_s", "wheel_rear_m_s", "rate_x_rad_s", "rate_y_rad_s", "rate_z_rad_s"),
    *("force_x_m_s2", "force_y_m_s2", "force_z_m_s2", "steering_angle_rad", "steering_rate_rad_s"),
    *("engine_rad_s", "gear", "state"),
)
"""Values without which the reference robot does not ride (of emulator.robot.records.SEEN)."""
USUAL_PERIODS_ms: dict[CommandFrame, float] = {
    "steering": 2.0,
    "drive": 10.0,
    "gear": 20.0,
    "estimate_pose": 10.0,
    "estimate_motion": 10.0,
}
"""How often the reference robot sends them (emulator.robot.rider)."""

GNSS_OUTPUT = "gnss"
"""The receiver's sentences among the outputs that are left out."""
REQUEST_SIGNALS = ("prompt", "amount")
"""Signals of a request frame, beside its counter and CRC."""
REQUEST_PERIOD_ms, REQUEST_HOLDS_ms = 50.0, 500.0
"""From one request frame to the next, and how long a request holds that does not come again."""


def commands_in(frames: Collection[str]) -> tuple[CommandFrame, ...]:
    """Frames of the robot that a bench takes, of those in its codec: a lab's robot need not send all."""
    return tuple(name for name in USUAL_PERIODS_ms if name in frames)


class Output(Closed):
    """How often a frame is sent and how old its content is when it arrives.

    Where the bus's bit rate is not told, handed to the bus counts as arrived.
    """

    rate_hz: float = Field(ge=0.001, le=1000)
    """Frames a second; the mean is exact, each goes with a tick (1 ms)."""
    latency_ms: float = Field(ge=0, le=1000)
    """Age of the content when the frame has arrived, its own time on the bus included."""
    jitter_ms: float = Field(default=0.0, ge=0, le=1000)
    """Random age on top of the latency, one sigma of a half-normal draw (never earlier); below the period."""
    absent: tuple[Name, ...] = ()
    """Signals of the frame that are sent as "not available", because the bench has the real ones."""

    @model_validator(mode="after")
    def _in_order(self) -> Output:
        return jitter_within_period(self)


class Rehearsal(Closed):
    """How ``emulator rehearse`` goes through this bench's robot."""

    request_frame: Name | None = None
    """Frame of the DBC that tells the robot's software which of its values to hold at which amount; its
    signals are prompt and amount. Left out: a person at the terminal is asked."""
    listen_s: Annotated[float, Field(ge=0.5, le=600)] = 3.0
    """[s] How long the robot is listened to; at least thirty periods of its slowest frame are taken."""
    answer_s: Annotated[float, Field(ge=0.2, le=60)] = 2.0
    """[s] What the robot may take to do what a request frame asks, and to come back after a silence."""
    silence_s: Annotated[float, Field(ge=0.1, le=60)] = 1.0
    """[s] How long each sensor frame is left out."""
    notices: tuple[Name, ...] = ()
    """Outputs, and gnss, whose silence the robot has to show: it holds its heartbeat, says "not available" or
    stops sending. Of the others it is only told what it did."""


class _Timed(Protocol):
    rate_hz: float
    jitter_ms: float


T = TypeVar("T", bound=_Timed)


def jitter_within_period(output: T) -> T:
    """The output itself; refuses a jitter that lets samples overtake each other."""
    period_ms = 1000.0 / output.rate_hz
    if output.jitter_ms >= period_ms:
        raise wrong(
            f"expected less than the period of {period_ms:g} ms, or samples overtake each other, "
            f"got {output.jitter_ms:g}",
            "jitter_ms",
        )
    return output
