"""The virtual bus of the stepped clock: everybody's frames on it; what arrives is delivered and counted.

In each tick n, at its instant: what has arrived by then is taken, the plant hands over its frames, the robot
those of its step; then the bus goes on to the instant of tick n + 1. So who hands over in one tick competes
from its instant on, and a frame reaches its receiver in the first step after it has arrived.

Faults on frames to the robot act before the bus: what they add takes time on it, what they hold back waits
behind them. Faults on the robot's frames act behind it, in the bench's receiver, as they do in real time.
Without a bit rate there is no such bus, and frames take less than a tick.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from emulator.assembly.session import Session
from emulator.config.rig.bus_load import rig_wire_times
from emulator.core.compiled import entry, jit
from emulator.core.frame_buffer import UNTIMED, FrameBuffer, frame_buffer
from emulator.core.signals import TICK_NS
from emulator.loop.certificate import (
    FrameAccounts,
    account_arrival,
    account_given_up,
    account_handed_over,
)
from emulator.wire.arbitration import (
    BENCH,
    COUNTS,
    PLANTED,
    ROBOT,
    SENDER,
    Bus,
    GIVE_UP_ns,
    ORIGIN_ns,
    SINCE_ns,
    arrived_by,
    deliver,
    disturbed,
    drop_first,
    give_up,
    hand_over,
    idle_bus,
    next_to_begin,
    put_on_the_wire,
    take_out,
)

_QUEUE = 1024
"""Frames that have arrived and were not taken yet: those of some ticks."""


def bus_of(session: Session) -> Bus:
    """The idle bus of a rig; one that is never used where the bit rate is not told."""
    return idle_bus(rig_wire_times(session.rig, session.codec))


@jit
def bench_hands_over(
    bus: Bus, accounts: FrameAccounts, tx: FrameBuffer, now_ns: int, origin_ns: int, counts: bool, off: bool
) -> None:
    """The frames of the plant's tick; their numbers are in ``bus.numbers``.

    counts  whether they count in the certificate; off: the bench is off the bus, and what waited goes with it
    """
    if off:
        row = 0
        while row < bus.waiting.count[0]:
            if bus.terms[row, SENDER] == BENCH:
                give_up(bus, row)
            else:
                row += 1
    for i in range(tx.count[0]):
        planted = tx.valid_ns[i] == UNTIMED
        number = hand_over(bus, PLANTED if planted else BENCH, tx, i, now_ns, origin_ns, counts)
        bus.numbers[i] = number
        if counts:
            taken = number >= 0 or planted or disturbed(bus)
            account_handed_over(accounts, tx.can_id[i], tx.time_ns[i], taken)


@jit
def robot_hands_over(bus: Bus, frames: FrameBuffer, first: int, n: int, now_ns: int) -> None:
    """``n`` frames of the robot from row ``first`` on."""
    for i in range(first, first + n):
        hand_over(bus, ROBOT, frames, i, now_ns, 0, False)


@jit
def carry(
    bus: Bus, accounts: FrameAccounts, until_ns: int, to_robot: FrameBuffer, to_bench: FrameBuffer
) -> None:
    """Everything that begins before ``until_ns`` goes over the wire; delivered in the order of arrival."""
    w, terms = bus.waiting, bus.terms
    row = 0
    while row < w.count[0]:
        if terms[row, SINCE_ns] + GIVE_UP_ns > until_ns:
            row += 1
            continue
        if terms[row, COUNTS] != 0:
            excused = terms[row, SENDER] == PLANTED or disturbed(bus)
            account_given_up(accounts, w.can_id[row], w.time_ns[row], excused)
        give_up(bus, row)
    row, start = next_to_begin(bus, until_ns)
    while row >= 0:
        behind = disturbed(bus)
        arrival = put_on_the_wire(bus, row, start)
        if terms[row, SENDER] == ROBOT:
            deliver(bus, row, to_bench, arrival)
        else:
            deliver(bus, row, to_robot, arrival)
        if terms[row, COUNTS] != 0:
            there = arrival - terms[row, ORIGIN_ns]
            account_arrival(accounts, w.can_id[row], w.time_ns[row], w.valid_ns[row], there, behind)
        take_out(bus, row)
        row, start = next_to_begin(bus, until_ns)


class RecordedBus:
    """The bus with what the robot handed over in a recorded run: when each frame arrived then.

    bus           idle
    sent          (n,) tick of the loop each of the robot's frames was handed over in, in the order received
    can_id, length, data  the frames
    """

    def __init__(
        self,
        bus: Bus,
        accounts: FrameAccounts,
        sent: NDArray[np.int64],
        can_id: NDArray[np.int64],
        length: NDArray[np.int64],
        data: NDArray[np.uint8],
    ) -> None:
        self.bus, self._accounts = bus, accounts
        order = np.argsort(sent, kind="stable")
        self._robots = frame_buffer(len(order))
        self._robots.count[0] = len(order)
        self._robots.can_id[:], self._robots.length[:] = can_id[order], length[order]
        self._robots.data[:] = data[order]
        self._ends = np.append(0, np.cumsum(np.bincount(sent, minlength=1))).tolist()
        self._to_robot, self.to_bench = frame_buffer(_QUEUE), frame_buffer(_QUEUE)
        empty = frame_buffer(1)
        self._bench = entry(bench_hands_over, self.bus, accounts, empty, 0, 0, True, True)
        self._robot = entry(robot_hands_over, self.bus, empty, 0, 0, 0)
        self._carry = entry(carry, self.bus, accounts, 0, empty, empty)
        self._arrived_by, self._drop_first = entry(arrived_by, empty, 0), entry(drop_first, empty, 0)

    def tick(self, cycle: int, tx: FrameBuffer, origin_ns: int, *, counts: bool, off: bool) -> None:
        """What is handed over in a tick of the loop, and the bus up to the next one."""
        now_ns = cycle * TICK_NS
        self._bench(self.bus, self._accounts, tx, now_ns, origin_ns, counts, off)
        if cycle + 1 < len(self._ends) and self._ends[cycle + 1] > (first := self._ends[cycle]):
            self._robot(self.bus, self._robots, first, self._ends[cycle + 1] - first, now_ns)
        self._carry(self.bus, self._accounts, now_ns + TICK_NS, self._to_robot, self.to_bench)
        self._to_robot.count[0] = 0

    def received(self, cycle: int, rx: FrameBuffer) -> None:
        """Put into ``rx``, the frames received in this tick, when each arrived and was handed over [ns].

        Where the record has others than have arrived, its frames stay as they are, their times unknown.
        """
        n = self._arrived_by(self.to_bench, cycle * TICK_NS)
        if n == rx.count[0] and np.array_equal(rx.can_id[:n], self.to_bench.can_id[:n]):
            rx.time_ns[:n], rx.valid_ns[:n] = self.to_bench.time_ns[:n], self.to_bench.valid_ns[:n]
        self._drop_first(self.to_bench, n)
