"""The turns of the virtual bus's process: when it begins to wait awake, and for whom."""

from __future__ import annotations

import os

import pytest

from emulator.links.bus_process import run_bus
from emulator.shared_memory.layout import STALL_ROWS, STALL_WORDS, STATUS_WORDS
from emulator.shared_memory.stalls import Role, StallWriter
from emulator.shared_memory.status import Status


class Server:
    """Counts turns and keeps what it is told to expect."""

    def __init__(self) -> None:
        self.turns = 0
        self.expected: list[tuple[int, tuple[int, ...]]] = []

    def turn(self, _timeout_s: float) -> int:
        self.turns += 1
        return self.turns

    def expect(self, *what: int) -> None:
        self.expected.append((self.turns, what))


@pytest.mark.parametrize("awake", [True, False])
def test_the_loops_frames_are_expected_once_it_ticks(awake: bool) -> None:
    server = Server()
    status, words, rows = (
        memoryview(bytearray(8 * n)).cast("q") for n in (STATUS_WORDS, STALL_WORDS, 3 * STALL_ROWS)
    )

    def asked_to_end() -> bool:
        if server.turns == 3:
            status[Status.LOOP_PID], status[Status.TICK_ZERO_NS] = 4711, 123_456
        return server.turns == 9

    stalls = StallWriter(words, rows, Role.BUS)
    run_bus(server, stalls, status, os.getppid(), asked_to_end, awake=awake)  # type: ignore[arg-type]
    assert server.expected == ([(4, (4711, 123_456, 1_000_000))] if awake else [])
