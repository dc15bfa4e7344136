"""A plant that keeps the cycle's contract and counts, without a motorcycle in it."""

import numpy as np

from emulator.core.link_protocols import LinkCounts
from emulator.core.signals import INDEX, SIGNALS
from emulator.shared_memory.status import Command

PERIOD_NS = 1_000_000
STANDBY, ARMED, RUNNING, STOPPING, TRIPPED = range(5)
FRAME_ID, LATENCY_NS, GNSS_LATENCY_NS = 0x120, 5_000_000, 40_000_000


class StubPlant:
    """Sends FRAME_ID at 100 Hz and a burst at 10 Hz; rests ``ramp`` ticks after STOP or TRIP.

    late  its frames are only known when the tick is done
    """

    def __init__(self, first_tick=0, ramp=20, late=False):
        self.late = late
        self.row = np.zeros(len(SIGNALS))
        self.tick_number = first_tick - 1
        self.finished = False
        self.gnss_due_ns = self.gnss_valid_ns = self.gnss_line_ns = self.utc_ns = 0
        self.state = STANDBY
        self.commands = []
        self.received = []
        self.lateness_us = []
        self.seen = 0
        self.keep = False
        self.on_tick = None
        self._no_events = []
        self.events = self._no_events
        self._rest = ramp
        self._speed = INDEX["truth.speed_m_s"]

    def command(self, code, argument):
        self.commands.append((int(code), argument))
        if code == Command.ARM:
            self.state = ARMED
        elif code == Command.START:
            self.state = RUNNING
        elif code == Command.STOP and self.state != TRIPPED:
            self.state = STOPPING
        elif code == Command.TRIP:
            self.state = TRIPPED

    def begin_tick(self, rx, tx):
        self.tick_number += 1
        n = self.tick_number
        assert tx.count[0] == 0
        if self.keep:
            self.received.append((n, rx.time_ns[: rx.count[0]].tolist()))
        self.seen += int(rx.count[0])
        if self.on_tick is not None:
            self.on_tick(n)
        self.tx = tx
        if not self.late:
            self._fill(tx)

    def finish_tick(self, lateness_us, compute_us):
        if self.keep:
            self.lateness_us.append(lateness_us)
        self.row[self._speed] = self.tick_number
        if self.late:
            self._fill(self.tx)
        if self.state >= STOPPING:
            self._rest -= 1
            self.finished = self._rest <= 0
        return self.state

    def _fill(self, tx):
        n = self.tick_number
        if n % 10 == 0:
            tx.count[0] = 1
            tx.can_id[0] = FRAME_ID
            tx.length[0] = 8
            tx.time_ns[0] = n * PERIOD_NS
            tx.valid_ns[0] = n * PERIOD_NS - LATENCY_NS
            tx.data[0, 0] = n % 251

    def take_events(self):
        events, self.events = self.events, self._no_events
        return events

    def take_gnss(self):
        n = self.tick_number
        if n % 100:
            return b""
        self.gnss_due_ns = n * PERIOD_NS
        self.gnss_valid_ns = n * PERIOD_NS - GNSS_LATENCY_NS
        return b"$GPXXX*00\r\n"


class StubCan:
    """Receives one frame a call and takes what it is given, or refuses."""

    def __init__(self):
        self.sent = 0
        self.received = 0
        self.lost = 0
        self.alive = True
        self.refuse = False
        self.closed = 0
        self.sent_ids = []
        self.keep = False
        self.silent = False
        self.more = {}  # counts of faults, as in LinkCounts
        self.heard_id = 0x10

    def receive(self, into, now_ns):
        if self.silent:
            return 0
        row = into.count[0]
        into.time_ns[row] = now_ns
        into.can_id[row] = self.heard_id
        into.length[row] = 8
        into.count[0] = row + 1
        self.received += 1
        return 1

    def send(self, frames):
        count = int(frames.count[0])
        if self.refuse:
            self.lost += count
            return 0
        if self.keep:
            self.sent_ids.extend(frames.can_id[:count].tolist())
        self.sent += count
        return count

    def counts(self):
        counts = LinkCounts(self.sent, self.received, self.lost, 0, 0, self.alive)
        return counts._replace(**self.more) if self.more else counts

    def close(self):
        self.closed += 1


class StubGnss:
    """Counts bursts, or has no reader."""

    def __init__(self):
        self.sent = 0
        self.lost = 0
        self.refuse = False
        self.closed = 0

    def send(self, burst):
        assert burst
        if self.refuse:
            self.lost += 1
        else:
            self.sent += 1
        return not self.refuse

    def counts(self):
        return LinkCounts(self.sent, 0, self.lost, 0, 0, True)

    def close(self):
        self.closed += 1
