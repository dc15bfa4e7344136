"""The rig's CAN bus: kind, bit rate, and what is done about its faults."""

from __future__ import annotations

from typing import Annotated, Literal, TypeAlias

from pydantic import Field, model_validator

from emulator.config.field_types import Name
from emulator.config.validation import Closed, wrong


class LoopbackBus(Closed):
    """Virtual CAN bus served on this host."""

    kind: Literal["loopback"]
    host: Name = "127.0.0.1"
    """Address of this machine that it is served at; whoever reaches it can join the bus."""
    port: Annotated[int, Field(ge=0, le=65535)] = 0
    """TCP port it is served at; 0 for any free one."""
    bitrate: int | None = Field(default=None, ge=5_000, le=1_000_000)
    """[bit/s] Line it stands for: latencies and load are checked against it, and frames go out as early as
    they would have to there. Left out: handed to the bus counts as arrived."""


class SocketcanBus(Closed):
    """A CAN interface of the Linux kernel. Its bit rates are set outside, with ``ip link``."""

    kind: Literal["socketcan"]
    channel: Name
    """Name of the interface, such as can0."""
    fd: bool = False
    """Whether frames that the DBC makes CAN FD frames go out as such."""
    bitrate: int | None = Field(default=None, ge=5_000, le=1_000_000)
    """[bit/s] Its bit rate: latencies and load are checked against it, and a frame's time on the bus is part
    of its latency. Left out: handed to the bus counts as arrived."""
    data_bitrate: int | None = Field(default=None, ge=5_000, le=8_000_000)
    """[bit/s] Bit rate of a CAN FD frame's data. Left out: frames don't switch, ``bitrate`` holds."""

    @model_validator(mode="after")
    def _data_rate_of_fd(self) -> SocketcanBus:
        key, rate = "data_bitrate", self.data_bitrate
        if rate is not None and not self.fd:
            raise wrong("expected fd: true beside it: only CAN FD frames have a data bit rate", key)
        if rate is not None and self.bitrate is not None and rate < self.bitrate:
            raise wrong(f"expected at least the bit rate ({self.bitrate}), got {rate}", key)
        return self


class SerialBus(Closed):
    """A CAN adapter on a serial line (slcan)."""

    kind: Literal["serial"]
    device: Name
    """The adapter's serial device, such as /dev/ttyACM0; nobody else may have it open."""
    bitrate: Literal[10_000, 20_000, 50_000, 100_000, 125_000, 250_000, 500_000, 750_000, 1_000_000] = 500_000
    """[bit/s] Bit rate the adapter sets on the bus."""
    tty_baud: int = Field(default=115_200, ge=1200, le=4_000_000)
    """[bit/s] Speed of the serial line to the adapter."""


Bus: TypeAlias = Annotated[LoopbackBus | SocketcanBus | SerialBus, Field(discriminator="kind")]


BusAnswer: TypeAlias = Literal["trip", "mark", "note"]


class BusFaults(Closed):
    """What the rig does about faults of its CAN bus (emulator.loop.bus_watch) while armed or running.

    trip: it trips, the signals go to rest. mark: the ride goes on, its verdict is invalid. note: told in
    events and certificate only.
    """

    bus_off: BusAnswer = "trip"
    """When the controller has left the bus (bus off)."""
    interface_down: BusAnswer = "trip"
    """When the interface is down or gone."""
    transmit_full: BusAnswer = "mark"
    """When frames of ours find no room in the transmit queue."""
    error_frames: BusAnswer = "mark"
    """When more error frames come than ``error_frames_per_s``."""
    error_frames_per_s: float = Field(default=10.0, ge=0, le=100_000)
    """Error frames that are still no fault, on average; so many may come at once."""
    flood: BusAnswer = "mark"
    """When more frames are received than ``frames_per_s``."""
    frames_per_s: float = Field(default=10_000.0, gt=0, le=1_000_000)
    """Received frames that are still no flood, on average; so many may come at once."""
    own_identifier: BusAnswer = "trip"
    """When another node sends a frame that only the bench may send."""
    receive_lost: BusAnswer = "mark"
    """When frames for the bench are lost on the way in, or make no sense."""
