"""Which CAN bus to open, said without the library that opens it (``emulator.links.can_bus``)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class CanBusSpec:
    """Which CAN bus to open.

    kind              loopback, socketcan or serial
    channel           bus name on the virtual bus, interface (can0), or device path (/dev/ttyACM0)
    host, port        of the virtual bus; only loopback
    bitrate           bit/s; serial sets it, socketcan has it from `ip link`, loopback has none
    fd                CAN FD frames, up to 64 bytes; only socketcan
    fd_ids            identifiers whose frames are CAN FD frames also with 8 bytes and less
    data_bitrate      bit/s of CAN FD frames behind their rate switch; 0: no switch
    serial_baud       baud of the line to a serial adapter (USB adapters ignore it)
    settle_s          time a serial adapter gets after its port opened (some restart then) [s]
    receive_buffer    bytes the kernel may hold for us between two ticks
    connect_timeout_s longest wait for the virtual bus to answer [s]
    """

    kind: Literal["loopback", "socketcan", "serial"]
    channel: str = "can0"
    host: str = "127.0.0.1"
    port: int = 0
    bitrate: int = 500_000
    fd: bool = False
    fd_ids: frozenset[int] = frozenset()
    data_bitrate: int = 0
    serial_baud: int = 115_200
    settle_s: float = 2.0
    receive_buffer: int = 1 << 20
    connect_timeout_s: float = 3.0
