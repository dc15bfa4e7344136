"""A rehearsal on a stepped clock: the bench at standstill, and a robot that gets bytes and gives bytes.

It stands behind the same seam as the live bus (:class:`emulator.inspection.rehearsal.conduct.Exchange`).
"""

from __future__ import annotations

from typing import Protocol

import numpy as np

from emulator.assembly.bench import Bench
from emulator.assembly.session import Session
from emulator.config.rig.outputs import REQUEST_PERIOD_ms
from emulator.core.frame_buffer import EXTENDED, EXTENDED_MASK, frame_buffer
from emulator.core.signals import TICK_NS
from emulator.inspection.rehearsal.heard import Heard, Received, sort_frames
from emulator.inspection.rehearsal.prompts import Prompt, request_number
from emulator.wire.can_frames import Codec, pack, protect

_PERIOD_MS = 2


class Robot(Protocol):
    """Frames as (identifier, 29 bits, bytes)."""

    def hear(self, identifier: tuple[int, bool], data: bytes) -> None: ...

    def step(self, now_ms: int) -> list[tuple[int, bool, bytes]]: ...


class SteppedExchange:
    """The bench's side. request: codec of the request frame alone."""

    def __init__(self, session: Session, robot: Robot, request: Codec) -> None:
        self._session, self._robot, self._request = session, robot, request
        self._bench = Bench(session)
        self._rx, self._tx = frame_buffer(64), frame_buffer(64)
        self._tick, self._alive = 0, 0
        self._received: list[Received] = []
        self._left_out, self._asked, self._ask_now = "", (0, 0.0), False

    def now_ns(self) -> int:
        return self._tick * TICK_NS

    def wait(self, seconds: float) -> None:
        for _ in range(round(seconds * 1e9 / TICK_NS)):
            self._step()

    def heard(self, begin_ns: int, end_ns: int) -> Heard:
        return sort_frames(self._received, self._session.codec, begin_ns, end_ns, ())

    def leave_out(self, output: str) -> None:
        self._left_out = output

    def request(self, prompt: Prompt) -> None:
        self._asked, self._ask_now = (request_number(prompt), prompt.amount), True

    def _step(self) -> None:
        bench, rx, tx, codec = self._bench, self._rx, self._tx, self._session.codec
        bench.tick(rx, tx, 0.0, 0.0)
        rx.count[0] = 0
        silent = codec.table.can_id[codec.frame(self._left_out)] if self._left_out in codec.frames else -1
        for n in range(int(tx.count[0])):
            if tx.can_id[n] != silent:
                self._tell(int(tx.can_id[n]), tx.data[n, : tx.length[n]].tobytes())
        bench.take_events()
        bench.take_gnss()  # a robot at standstill has no need of it
        if self._ask_now or self._tick % round(REQUEST_PERIOD_ms * 1e6 / TICK_NS) == 0:
            self._ask_now = False
            self._tell(*self._request_frame())
        if self._tick % _PERIOD_MS == 0:
            for n, (identifier, extended, payload) in enumerate(self._robot.step(self._tick)):
                rx.can_id[n] = identifier | (EXTENDED if extended else 0)
                rx.length[n], rx.data[n, : len(payload)] = len(payload), np.frombuffer(payload, np.uint8)
                rx.count[0] = n + 1
                within_the_tick = self.now_ns() + TICK_NS // 2
                self._received.append((within_the_tick, int(rx.can_id[n]), payload))
        self._tick += 1

    def _tell(self, can_id: int, payload: bytes) -> None:
        self._robot.hear((can_id & EXTENDED_MASK, bool(can_id & EXTENDED)), payload)

    def _request_frame(self) -> tuple[int, bytes]:
        table, signals = self._request.table, self._request.signals[0]
        data, (number, amount) = np.zeros(64, np.uint8), self._asked
        values = {"prompt": float(number), "amount": amount}
        pack(table, 0, np.array([values[s] for s in signals]), data)
        protect(table, 0, self._alive, data)
        self._alive += 1
        return int(table.can_id[0]), data[: int(table.length[0])].tobytes()
