"""The real cycle on the real plant, a scripted robot at the other end of a link, on the stepped clock."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from emulator.assembly.bench import EVENT_KINDS, Bench
from emulator.assembly.link_specs import output_specs
from emulator.assembly.session import Session
from emulator.core.frame_buffer import frame_buffer
from emulator.core.link_protocols import CanLink, LinkCounts
from emulator.core.trip_reasons import TripReason
from emulator.loop.bus_watch import BusRules
from emulator.loop.certificate import TimingAccounts
from emulator.loop.contract import CycleLimits, Outcome
from emulator.loop.runner import run_cycle
from emulator.record.process import Drain
from emulator.record.writer import RunWriter
from emulator.shared_memory.block import Snapshot
from emulator.shared_memory.layout import Sizes
from emulator.shared_memory.status import Command
from tests.support.scripted_robot import HELD_CLUTCH, Commands, ScriptedRobot
from tests.support.stepped_clock import SteppedClock

Frame = tuple[int, bytes]


class NoGnss:
    """Takes every burst and keeps it, unless it is to refuse them."""

    def __init__(self) -> None:
        self.bursts: list[bytes] = []
        self.refuses = False

    def send(self, burst: bytes) -> bool:
        if not self.refuses:
            self.bursts.append(burst)
        return not self.refuses

    def counts(self) -> LinkCounts:
        return LinkCounts(len(self.bursts), 0, 0, 0, 0, alive=True)

    def close(self) -> None: ...


class HookedClock(SteppedClock):
    """Calls ``before`` with the number of the cycle that is about to begin."""

    def __init__(self, before: Callable[[int], None]) -> None:
        super().__init__(10**12)
        self._before, self._cycle = before, 0

    def sleep_until(self, deadline_ns: int) -> int:
        self._before(self._cycle)
        self._cycle += 1
        return super().sleep_until(deadline_ns)


class CycledRide:
    """One ride; ``put`` is given the robot's frames of a cycle, ``before`` is called ahead of each.

    Armed in the first cycle, so that the ride starts in cycle START; the robot sends every ten cycles.
    """

    START = 1000

    def __init__(
        self,
        session: Session,
        link: CanLink,
        put: Callable[[list[Frame]], None],
        before: Callable[[int], None] = lambda _cycle: None,
    ) -> None:
        self.session, self.link, self._put, self._also = session, link, put, before
        self.bench = Bench(session)
        self.robot = ScriptedRobot(session.codec)
        self.commands: Commands = HELD_CLUTCH
        self.every = 10
        self.gnss = NoGnss()
        self.timing = TimingAccounts(output_specs(session))
        self.sent: list[Frame] = []
        self.clock = HookedClock(self._before)
        self.commands_at: dict[int, list[tuple[int, float]]] = {0: [(Command.ARM, 0.0)]}  # by cycle
        self.snapshot: Snapshot | None = None
        self.drain: Drain | None = None

    def _before(self, cycle: int) -> None:
        assert self.snapshot is not None
        for code, argument in self.commands_at.get(cycle, ()):
            self.snapshot.post(code, argument)
        if self.drain is not None and cycle % 97 == 0:
            self.drain.once()
        if self.every and cycle % self.every == 0:
            buffer = frame_buffer(8)
            self.robot.send_all(buffer, self.commands)
            self.sent = [
                (int(buffer.can_id[i]), buffer.data[i, : buffer.length[i]].tobytes())
                for i in range(int(buffer.count[0]))
            ]
            self._put(self.sent)
        self._also(cycle)

    def run(
        self, cycles: int, rules: BusRules | None = None, writer: RunWriter | None = None
    ) -> tuple[Outcome, dict[str, Any]]:
        """So many cycles, then an orderly stop; returns the outcome and everything that was published.

        writer  takes what a recorder would write
        """
        snapshot = self.snapshot = Snapshot.create(
            Sizes(16384, 262144, 1024, 256, self.session.payload_bytes)
        )
        if writer is not None:
            self.drain = Drain(snapshot, writer, lambda e: (EVENT_KINDS[e.code], e.text, e.text))
        try:
            readers = (snapshot.signal_reader(), snapshot.frame_reader(), snapshot.event_reader())
            outcome = run_cycle(
                self.bench,
                self.link,
                self.gnss,
                snapshot,
                self.clock,
                CycleLimits(
                    TripReason.OVERRUN, TripReason.BUS, max_ticks=cycles, bus_rules=rules or BusRules()
                ),
                self.timing,
            )
            signals, frames, (events, lost) = (reader.read() for reader in readers)
            assert (signals.lost, frames.lost, lost) == (0, 0, 0)
            if self.drain is not None:
                self.drain.once()
            return outcome, {
                "signals": signals,
                "frames": frames,
                "events": events,
                "status": np.array(snapshot.status),
            }
        finally:
            snapshot.close()
            self.snapshot = self.drain = None  # readers keep the memory open
