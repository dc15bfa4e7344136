"""The reference robot's process: its bus, its GNSS port, its own clock, and nothing else.

A control period every 2 ms by its own clock; it does not know when the bench ticks. It ends when it is told
to, or when the bus is gone.
"""

from __future__ import annotations

from collections.abc import Callable

from emulator.core.clock import Clock
from emulator.core.frame_buffer import frame_buffer
from emulator.core.link_protocols import CanLink
from emulator.links.gnss_port import GnssReader
from emulator.robot.mission import ReferenceRider

_PERIOD_NS = 2_000_000
_CATCH_UP = 10  # periods; after a longer stall those gone by are missed, and no burst of commands is sent


def run_robot(
    rider: ReferenceRider,
    bus: CanLink,
    gnss: GnssReader,
    clock: Clock,
    asked_to_end: Callable[[], bool],
    turned: Callable[[int], None] = lambda _now_ns: None,
) -> str:
    """Ride until asked to end; returns why it ended.

    turned  is called with the time [ns] of each control period, so that its lateness can be told
    """
    rx, tx = frame_buffer(256), frame_buffer(16)
    deadline = clock.now_ns() + _PERIOD_NS
    while not asked_to_end():
        now = clock.sleep_until(deadline)
        turned(now)
        rx.count[0] = 0
        bus.receive(rx, now)
        late = (now - deadline) // _PERIOD_NS
        if late > _CATCH_UP:
            rider.miss(rx, late)
            deadline += late * _PERIOD_NS
        sentences = gnss.read()
        if sentences:
            # They came between the last look and this one. The estimate is that of when the last period was
            # due, whenever it was computed.
            rider.hear(sentences, now - _PERIOD_NS // 2, deadline - _PERIOD_NS)
        rider.step(rx, tx)
        bus.send(tx)
        if not bus.counts().alive:
            return "the bus is gone"
        deadline += _PERIOD_NS
    return "asked to end"
