"""What the bench sends and takes on its bus: frames by name, how often, how old.

What can be sent is the DBC's to say: any frame whose signals are output values (emulator.core.signals).
"""

from __future__ import annotations

from typing import Literal, Protocol, TypeAlias, TypeVar

from pydantic import Field, model_validator

from emulator.config.field_types import Name
from emulator.config.validation import Closed, wrong

COMMAND_FRAMES = ("steering", "drive", "gear", "estimate_pose", "estimate_motion")
"""Frames a rig takes from the robot, by their names in the DBC."""
INPUT_FRAME = "bench_inputs"
"""Frame of the bench's own inputs, taken if the rig asks for permissives; they are signals of it."""
PermissiveName: TypeAlias = Literal["estop_released", "guard_closed"]
CommandFrame: TypeAlias = Literal["steering", "drive", "gear", "estimate_pose", "estimate_motion"]
USUAL_PERIODS_ms: dict[CommandFrame, float] = {
    "steering": 2.0,
    "drive": 10.0,
    "gear": 20.0,
    "estimate_pose": 10.0,
    "estimate_motion": 10.0,
}
"""How often the reference robot sends them (emulator.robot.rider)."""


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
