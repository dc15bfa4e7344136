"""The seams between the loop and the outside: what a link must offer.

Links reach the loop as objects that satisfy these protocols, so the cycle can be run against a real
bus, the loopback server or a list in a test without a change.
"""

from __future__ import annotations

from typing import NamedTuple, Protocol

from emulator.core.frame_buffer import FrameBuffer


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
