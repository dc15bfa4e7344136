"""The seams between the loop and the outside: what a clock and a link must offer.

Links reach the loop as objects that satisfy these protocols, so the cycle can be run against a real
bus, the loopback server or a list in a test without a change.
"""

from __future__ import annotations

from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

MAX_DATA = 64
"""Longest CAN FD payload in bytes; classical frames use the first eight."""
EXTENDED = 1 << 31
"""Bit of ``FrameBuffer.can_id`` that marks a 29-bit identifier."""
UNTIMED = -(2**63)
"""``FrameBuffer.valid_ns`` of a frame that is not part of the timing's promise (inserted, repeated or delayed
by a fault): it is counted as sent and otherwise left out of the certificate."""
STANDARD_MASK = 0x7FF
EXTENDED_MASK = 0x1FFFFFFF


class FrameBuffer(NamedTuple):
    """A fixed block of bus frames that compiled code and links share; allocated once, then reused.

    count      (1,)       int64   how many of the rows below are filled
    time_ns    (N,)       int64   when the frame was received, or is due to be sent or there [ns, loop clock]
    valid_ns   (N,)       int64   time of validity of what is in it [ns]; 0 where unknown (received)
    can_id     (N,)       int64   identifier, bit 31 set for 29-bit identifiers
    length     (N,)       int64   payload bytes
    data       (N, 64)    uint8   payload
    """

    count: NDArray[np.int64]  # type: ignore[assignment]  # hides tuple.count, which nobody wants here
    time_ns: NDArray[np.int64]
    valid_ns: NDArray[np.int64]
    can_id: NDArray[np.int64]
    length: NDArray[np.int64]
    data: NDArray[np.uint8]


def frame_buffer(rows: int) -> FrameBuffer:
    """An empty buffer for ``rows`` frames."""
    return FrameBuffer(
        count=np.zeros(1, np.int64),
        time_ns=np.zeros(rows, np.int64),
        valid_ns=np.zeros(rows, np.int64),
        can_id=np.zeros(rows, np.int64),
        length=np.zeros(rows, np.int64),
        data=np.zeros((rows, MAX_DATA), np.uint8),
    )


class LinkCounts(NamedTuple):
    """What a link did since it was opened. All counts are frames (GNSS: sentences) unless told otherwise.

    What a link can't know stays at its default: only the kernel tells of controllers and interfaces.
    """

    sent: int
    received: int
    send_lost: int  # the link refused it (queue full, peer gone) and it was dropped
    receive_lost: int  # known lost on the way in (kernel drop count), or not to be understood
    bus_errors: int  # error frames seen
    alive: bool  # False once the link is known to be gone for good
    send_full: int = 0  # of send_lost: there was no room in a queue or buffer
    bus_offs: int = 0  # times the controller went off the bus (fault confinement of ISO 11898-1)
    bus_off: bool = False  # it is off the bus now
    downs: int = 0  # times the interface was found switched off
    down: bool = False  # it is off now


class Clock(Protocol):
    """Monotonic time in integer nanoseconds."""

    def now_ns(self) -> int:
        """Nanoseconds since an arbitrary origin that never changes during a run."""
        ...

    def sleep_until(self, deadline_ns: int) -> int:
        """Return at or just after the deadline; the returned value is the time it did."""
        ...


class CanLink(Protocol):
    """A CAN bus as the loop sees it. No method ever waits and none raises once it is open."""

    def receive(self, into: FrameBuffer, now_ns: int) -> int:
        """Append waiting data frames (stamped ``now_ns``) and return how many were appended.

        As far as there are rows, and no more than a bounded time allows: the rest waits for the next call.
        """
        ...

    def send(self, frames: FrameBuffer) -> int:
        """Send ``frames.count`` frames in order; return how many the link took."""
        ...

    def counts(self) -> LinkCounts:
        """Totals since the link was opened."""
        ...

    def close(self) -> None:
        """Release the device. Safe to call twice."""
        ...


class GnssLink(Protocol):
    """A byte stream for NMEA sentences. ``send`` never waits; what does not fit is dropped and counted."""

    def send(self, burst: bytes) -> bool:
        """Write one epoch's sentences; False if they were dropped (no reader, buffer full)."""
        ...

    def counts(self) -> LinkCounts:
        """Totals since the link was opened, in bursts."""
        ...

    def close(self) -> None:
        """Release the device. Safe to call twice."""
        ...


class PulseLink(Protocol):
    """A control line that is raised at each whole second of UTC."""

    def follow(self, utc_ns: int, *, on_time: bool) -> bool:
        """One tick; a pulse whose tick is not ``on_time`` is left out. False once the line is gone."""
        ...

    def close(self) -> None:
        """Lower the line and release the device. Safe to call twice."""
        ...
