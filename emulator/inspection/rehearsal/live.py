"""The bench at standstill on its real bus: outputs of a standing bike go out, frames of the robot are kept.

A thread of its own comes round every millisecond. The bench is never armed, so whatever the robot sends moves
nothing but the position sensors of the controls. What it slept through is told as :class:`Heard` has it.
"""

from __future__ import annotations

import sys
import threading
import time
from bisect import bisect_left, bisect_right
from collections.abc import Callable

import numpy as np

from emulator.assembly.bench import Bench
from emulator.assembly.session import Session
from emulator.config.rig.outputs import GNSS_OUTPUT, REQUEST_PERIOD_ms
from emulator.core.clock import Clock, first_deadline
from emulator.core.collector import resume_collector, stop_collector
from emulator.core.errors import RunFailed, Stopped
from emulator.core.frame_buffer import FrameBuffer, frame_buffer
from emulator.core.link_protocols import CanLink, GnssLink
from emulator.core.signals import TICK_NS
from emulator.inspection.rehearsal.heard import Heard, Received, sort_frames
from emulator.inspection.rehearsal.prompts import Prompt, request_number
from emulator.loop import host
from emulator.shared_memory.stalls import PROMISE_NS, Role
from emulator.wire.can_frames import Codec, pack, protect

_REQUEST_TICKS = round(REQUEST_PERIOD_ms * 1e6 / TICK_NS)
_MOST_KEPT = 1_000_000
_CATCH_UP_NS = 100_000_000
"""Ticks of a longer stall are left out."""
_LOOK_TICKS = 64  # between two looks at what the link lost
_POLL_s = 0.05
_SWITCH_s = 0.0002
"""Longest turn of another thread of this process (sys.setswitchinterval)."""


class LiveExchange:
    """See :class:`emulator.inspection.rehearsal.conduct.Exchange`; used as a context.

    request      codec of the request frame; None: a person is asked
    stopped      why a person stopped it; empty as long as nobody did
    stalls       (begin, end) [ns] in which the virtual bus did not come round
    """

    def __init__(
        self,
        session: Session,
        can: CanLink,
        gnss: GnssLink,
        clock: Clock,
        request: Codec | None,
        stopped: Callable[[], str] = lambda: "",
        stalls: Callable[[], list[tuple[int, int]]] = lambda: [],
    ) -> None:
        self._session, self._can, self._gnss, self._clock = session, can, gnss, clock
        self._bench = Bench(session)
        self._rx, self._tx = frame_buffer(512), frame_buffer(64)
        self._request, self._request_frame, self._alive = request, frame_buffer(1), 0
        self._asked: tuple[int, float] = (0, 0.0)
        self._ask_now = False  # what is new does not wait for its turn: delays count from it
        self._stopped, self._stalls = stopped, stalls
        self._kept: list[Received] = []
        self._deaf: list[tuple[int, int]] = []
        self._lost: list[tuple[int, int]] = []  # (when seen, all so far)
        self._left_out = ""
        self._ending = threading.Event()
        self._failed = ""
        self._thread = threading.Thread(target=self._run, name="rehearsal", daemon=True)
        self._switch_s = sys.getswitchinterval()

    def __enter__(self) -> LiveExchange:
        sys.setswitchinterval(_SWITCH_s)
        stop_collector()
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ending.set()
        self._thread.join()
        resume_collector()
        sys.setswitchinterval(self._switch_s)

    # --- the seam ---------------------------------------------------------------------------------

    def now_ns(self) -> int:
        """CLOCK_MONOTONIC."""
        return self._clock.now_ns()

    def wait(self, seconds: float) -> None:
        """Let the bench go on. Raises Stopped or RunFailed."""
        end = time.monotonic() + seconds
        while True:
            if cause := self._stopped():
                raise Stopped(f"stopped by hand ({cause}): nothing is judged")
            if self._failed:
                raise RunFailed(self._failed, advice="is the bus still there? see `emulator host`; try again")
            left = end - time.monotonic()
            if left <= 0.0:
                return
            time.sleep(min(left, _POLL_s))

    def heard(self, begin_ns: int, end_ns: int) -> Heard:
        """What came in that time."""
        kept = self._kept[:]
        first = bisect_left(kept, begin_ns, key=lambda frame: frame[0])
        last = bisect_right(kept, end_ns, key=lambda frame: frame[0])
        deaf = (*self._deaf, *self._stalls())
        before = max((n for at, n in self._lost if at < begin_ns), default=0)
        lost = max((n for at, n in self._lost if at <= end_ns), default=0) - before
        return sort_frames(kept[first:last], self._session.codec, begin_ns, end_ns, deaf, lost)

    def leave_out(self, output: str) -> None:
        """From the next tick on."""
        self._left_out = output

    def request(self, prompt: Prompt) -> None:
        """With the next tick, and again every 50 ms."""
        self._asked = (request_number(prompt), prompt.amount)
        self._ask_now = True

    # --- the thread -------------------------------------------------------------------------------

    def _run(self) -> None:
        rules = self._session.rig.loop
        host.apply(self._session.loop_cpu, rules.priority, lock_memory=False)
        try:
            self._turns()
        except Exception as error:  # told by the next wait, or nobody would ever hear of it
            self._failed = f"the bench broke off: {type(error).__name__}: {error}"

    def _turns(self) -> None:
        clock, promise = self._clock, PROMISE_NS[Role.LOOP]
        last = clock.now_ns()
        deadline = first_deadline(last, TICK_NS)
        turns = 0
        while not self._ending.is_set():
            now = clock.sleep_until(deadline)
            if now - last > promise:
                self._deaf.append((last, now))
            last = now
            self._receive(now)
            if now - deadline > _CATCH_UP_NS:
                deadline = now
            while deadline <= now:
                self._tick(turns)
                deadline += TICK_NS
                turns += 1
            if turns % _LOOK_TICKS == 0:
                self._look(now)

    def _receive(self, now: int) -> None:
        rx = self._rx
        rx.count[0] = 0
        self._can.receive(rx, now)
        for i in range(int(rx.count[0])):
            self._kept.append((now, int(rx.can_id[i]), rx.data[i, : rx.length[i]].tobytes()))

    def _tick(self, turn: int) -> None:
        tx = self._tx
        self._bench.tick(self._rx, tx, 0.0, 0.0)
        self._rx.count[0] = 0
        left_out = self._left_out
        if left_out and left_out != GNSS_OUTPUT:
            codec = self._session.codec
            _take_out(tx, int(codec.table.can_id[codec.frame(left_out)]))
        self._can.send(tx)
        burst = self._bench.take_gnss()
        if burst and left_out != GNSS_OUTPUT:
            self._gnss.send(burst)
        if self._request is not None and (self._ask_now or turn % _REQUEST_TICKS == 0):
            self._ask_now = False
            self._send_request(self._request)

    def _send_request(self, codec: Codec) -> None:
        frame, (number, amount) = self._request_frame, self._asked
        values = {"prompt": float(number), "amount": amount}
        pack(codec.table, 0, np.array([values[s] for s in codec.signals[0]]), frame.data[0])
        protect(codec.table, 0, self._alive, frame.data[0])
        self._alive += 1
        frame.can_id[0], frame.length[0], frame.count[0] = codec.table.can_id[0], codec.table.length[0], 1
        self._can.send(frame)

    def _look(self, now: int) -> None:
        counts = self._can.counts()
        if not self._lost or counts.receive_lost != self._lost[-1][1]:
            self._lost.append((now, counts.receive_lost))
        if not counts.alive:
            self._failed = "the bus is gone"
        if len(self._kept) > _MOST_KEPT:
            del self._kept[: _MOST_KEPT // 2]


def _take_out(frames: FrameBuffer, can_id: int) -> None:
    """Remove the frames of an identifier, in place."""
    kept = 0
    for i in range(int(frames.count[0])):
        if frames.can_id[i] != can_id:
            if kept != i:
                for column in frames[1:]:
                    column[kept] = column[i]
            kept += 1
    frames.count[0] = kept
