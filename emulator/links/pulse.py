"""Pulse per second on a control line of a serial port: its rising edge is the whole second of UTC.

The line is set in the loop's tick, so the edge comes up to a tick (1 ms) and what that tick starts late after
the second, never before; on an adapter by the time of a USB transfer later still. Pulses go on without a fix,
as those of a receiver that holds its clock.
"""

from __future__ import annotations

import contextlib
import termios
from dataclasses import dataclass
from typing import Literal, Protocol

import serial

from emulator.links.serial_line import raise_serial_absent

_SECOND_ns = 1_000_000_000


class ControlLines(Protocol):
    """What is used of a serial port."""

    rts: bool
    dtr: bool

    def close(self) -> None:
        """Release the device."""
        ...


@dataclass(frozen=True)
class PulseSpec:
    """Which line of which device; the pulse is ``width_ms`` long, 1 to 900."""

    device: str
    line: Literal["rts", "dtr"]
    width_ms: int


def open_pulse(spec: PulseSpec) -> PulseLine:
    """Open the device with both lines low.

    Raises DeviceAbsent if it is missing, taken, not permitted, or has no control lines (a pseudo terminal).
    """
    port = serial.Serial(None, timeout=0, write_timeout=0, exclusive=True)
    port.rts = port.dtr = False  # before it is opened: no edge then
    port.port = spec.device
    try:
        port.open()
        port.rts = port.dtr = False  # pyserial forgives a port without them when it opens it
    except (serial.SerialException, OSError, termios.error) as error:
        port.close()
        raise_serial_absent(f"pulse per second on {spec.device}", spec.device, error)
    return PulseLine(port, spec.line, spec.width_ms)


class PulseLine:
    """The line, low until the first whole second."""

    def __init__(self, port: ControlLines, line: Literal["rts", "dtr"], width_ms: int) -> None:
        self._port: ControlLines | None = port
        self._line = line
        self._width_ns = width_ms * 1_000_000
        self._second: int | None = None
        self._raised_ns: int | None = None

    def follow(self, utc_ns: int, *, on_time: bool) -> bool:
        """One tick of the loop; see ``emulator.core.frame_buffer.PulseLink``."""
        if self._port is None:
            return False
        second, before = utc_ns // _SECOND_ns, self._second
        self._second = second
        try:
            # time may jump, when it becomes known when the ride starts: that is no whole second
            if before is not None and second == before + 1 and on_time:
                self._set(True)
                self._raised_ns = utc_ns
            elif self._raised_ns is not None and not 0 <= utc_ns - self._raised_ns < self._width_ns:
                self._set(False)
                self._raised_ns = None
        except (OSError, serial.SerialException, termios.error):
            self.close()
            return False
        return True

    def close(self) -> None:
        """Lower the line and release the device. Safe to call twice."""
        port, self._port = self._port, None
        if port is not None:
            with contextlib.suppress(OSError, serial.SerialException, termios.error):
                setattr(port, self._line, False)
            with contextlib.suppress(OSError, serial.SerialException):
                port.close()

    def _set(self, high: bool) -> None:
        setattr(self._port, self._line, high)
