"""The rig's CAN bus: kind, bit rate, and what is done about its faults."""

from __future__ import annotations

from typing import Annotated, Literal, TypeAlias

from pydantic import Field, model_validator

from emulator.config.field_types import Name
from emulator.config.validation import Closed, wrong


class LoopbackBus(Closed):
    """Virtual CAN bus served on this host.

    ``bitrate``, if given, is the line it stands for: latencies and load are checked against it, and frames
    are sent as early as they would have to be there. The server carries them at once all the same.
    """

    kind: Literal["loopback"]
    host: Name = "127.0.0.1"
    port: Annotated[int, Field(ge=0, le=65535)] = 0  # 0: any free one
    bitrate: int | None = Field(default=None, ge=5_000, le=1_000_000)


class SocketcanBus(Closed):
    """A CAN interface of the Linux kernel.

    Bit rates are set outside; if ``bitrate`` is told here, latencies and load are checked against it, and
    each frame's time on the bus is part of its latency. With ``fd``, frames that the DBC makes CAN FD frames
    go out as such, with a switch to ``data_bitrate`` if that is told.
    """

    kind: Literal["socketcan"]
    channel: Name
    fd: bool = False
    bitrate: int | None = Field(default=None, ge=5_000, le=1_000_000)
    data_bitrate: int | None = Field(default=None, ge=5_000, le=8_000_000)

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
    bitrate: Literal[10_000, 20_000, 50_000, 100_000, 125_000, 250_000, 500_000, 750_000, 1_000_000] = 500_000
    tty_baud: int = Field(default=115_200, ge=1200, le=4_000_000)


Bus: TypeAlias = Annotated[LoopbackBus | SocketcanBus | SerialBus, Field(discriminator="kind")]


BusAnswer: TypeAlias = Literal["trip", "mark", "note"]


class BusFaults(Closed):
    """What the rig does about faults of its CAN bus (emulator.loop.bus_watch) while armed or running.

    trip: it trips, the signals go to rest. mark: the ride goes on, its verdict is invalid. note: told in
    events and certificate only.
    """

    bus_off: BusAnswer = "trip"
    interface_down: BusAnswer = "trip"
    transmit_full: BusAnswer = "mark"
    error_frames: BusAnswer = "mark"
    error_frames_per_s: float = Field(default=10.0, ge=0, le=100_000)  # so many are still no fault
    flood: BusAnswer = "mark"
    frames_per_s: float = Field(default=10_000.0, gt=0, le=1_000_000)  # received; so many are still no flood
    own_identifier: BusAnswer = "trip"
    receive_lost: BusAnswer = "mark"
