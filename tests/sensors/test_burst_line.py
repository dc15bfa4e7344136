"""A burst is handed over so early that its last byte is on time, and the line carries one at a time."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from emulator.core.compiled import uncompiled
from emulator.sensors.burst_line import MOST_WAITING, NOTHING, burst_line, next_ns, on_the_line_ns, pop, put

MS = 1_000_000
NEVER = 1 << 62


def bytes_of(text: bytes) -> np.ndarray:
    return np.frombuffer(text, np.uint8)


def test_a_line_that_takes_no_time_adds_nothing() -> None:
    line = burst_line(None, 492)
    assert on_the_line_ns(line.baud, 500) == 0
    put(line, bytes_of(b"x" * 300), 300, 1000, 7)
    assert pop(line, 999) == NOTHING
    row = pop(line, 1000)
    assert line.data[row, : line.length[row]].tobytes() == b"x" * 300
    assert (line.start_ns[row], line.line_ns[row], line.valid_ns[row]) == (1000, 0, 7)
    assert next_ns(line, NEVER) == NEVER


def test_bytes_take_ten_bits_each_rounded_up() -> None:
    for function in (on_the_line_ns, uncompiled(on_the_line_ns)):
        assert function(9600, 96) == 100 * MS
        assert function(115_200, 1) == 86_806  # 10 / 115,200 s is 86,805.6 ns


def test_a_burst_starts_so_early_that_its_last_byte_is_on_time() -> None:
    line = burst_line(9600, 492)  # 960 bytes a second
    put(line, bytes_of(b"x" * 96), 96, 500 * MS, 0)
    assert next_ns(line, NEVER) == 400 * MS
    assert pop(line, 400 * MS - 1) == NOTHING
    row = pop(line, 400 * MS)
    assert line.start_ns[row] + line.line_ns[row] == 500 * MS


def test_one_that_finds_no_room_is_lost_and_the_others_come_in_turn() -> None:
    line = burst_line(None, 492)

    def fill(first: int, n: int) -> None:
        for k in range(first, first + n):
            put(line, bytes_of(b"x"), 1, k, k)

    fill(0, MOST_WAITING + 1)
    assert [int(line.valid_ns[pop(line, NEVER)]) for _ in range(10)] == list(range(10))
    fill(1000, 11)  # around the ring's end
    left = [int(line.valid_ns[pop(line, NEVER)]) for _ in range(MOST_WAITING)]
    assert left == [*range(10, MOST_WAITING), *range(1000, 1010)]
    assert pop(line, NEVER) == NOTHING


@given(
    bursts=st.lists(st.tuples(st.integers(0, 300), st.integers(1, 490)), min_size=1, max_size=30),
    baud=st.sampled_from([4800, 9600, 115_200]),
)
def test_none_overtakes_the_other_and_the_line_carries_one_at_a_time(
    bursts: list[tuple[int, int]], baud: int
) -> None:
    line, due = burst_line(baud, 492), 0
    dues = []
    for gap_ms, length in bursts:
        due += gap_ms * MS
        dues.append(due)
        put(line, np.zeros(length, np.uint8), length, due, due)
    sent = [pop(line, NEVER) for _ in bursts]
    assert [line.length[row] for row in sent] == [length for _, length in bursts]
    free = -1_000_000 * MS
    for row, due in zip(sent, dues, strict=True):
        arrival = line.start_ns[row] + line.line_ns[row]
        assert line.start_ns[row] >= free
        assert arrival == due or (line.start_ns[row] == free and arrival > due)
        free = arrival
