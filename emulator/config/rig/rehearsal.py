"""The rehearsal before the first ride: how the robot is asked, and what it has to show."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from emulator.config.field_types import Name
from emulator.config.validation import Closed

GNSS_OUTPUT = "gnss"
"""The receiver's sentences among the outputs that are left out."""
REQUEST_SIGNALS = ("prompt", "amount")
"""Signals of a request frame, beside its counter and CRC."""


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
