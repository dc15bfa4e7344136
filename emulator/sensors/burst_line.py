"""When a GNSS epoch's burst has to be handed to a serial line, so that its last byte arrives on time.

An epoch is due when its last byte has arrived. The delay line releases it early, by the time the longest
burst takes; here its sentences wait until what they themselves take is left. On a line that is busy with the
burst before, the next one starts when that has left: then, and only then, its last byte is late.

Compiled, so that the virtual stage does not leave its ticks for an epoch.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import jit

MOST_WAITING = 512
"""Bursts that can wait; one that finds no room is lost. Without faults there are two at most."""
NOTHING = -1
"""Row of a burst where there is none."""
FIRST, COUNT, FREE_ns = range(3)
"""Elements of ``BurstLine.state``: row of the burst waiting longest, how many wait, when the line is free."""
_LONG_AGO_ns = -(1 << 62)


class BurstLine(NamedTuple):
    """Bursts on their way to a line; a ring of rows.

    baud      8N1: ten bits a byte; 0: a line that takes no time
    state     (3,)  FIRST, COUNT, FREE_ns
    start_ns  (MOST_WAITING,)  when to hand it to the line
    line_ns   (MOST_WAITING,)  how long it is on it
    valid_ns  (MOST_WAITING,)  time of validity; all in the loop's time
    length    (MOST_WAITING,)
    data      (MOST_WAITING, its longest)  its bytes
    """

    baud: int
    state: NDArray[np.int64]
    start_ns: NDArray[np.int64]
    line_ns: NDArray[np.int64]
    valid_ns: NDArray[np.int64]
    length: NDArray[np.int64]
    data: NDArray[np.uint8]


def burst_line(baud: int | None, longest: int) -> BurstLine:
    """An idle line of ``baud`` for bursts of ``longest`` bytes at most; None: one that takes no time."""
    start_ns, line_ns, valid_ns, length = np.zeros((4, MOST_WAITING), np.int64)
    data = np.zeros((MOST_WAITING, longest), np.uint8)
    return BurstLine(baud or 0, np.array([0, 0, _LONG_AGO_ns]), start_ns, line_ns, valid_ns, length, data)


@jit
def on_the_line_ns(baud: int, length: int) -> int:
    """How long so many bytes take [ns], rounded up."""
    return 0 if baud == 0 else -(-length * 10_000_000_000 // baud)


@jit
def put(line: BurstLine, burst: NDArray[np.uint8], length: int, arrival_ns: int, valid_ns: int) -> None:
    """One epoch, the first ``length`` bytes of ``burst``, whose last byte is due at ``arrival_ns``."""
    s = line.state
    if s[COUNT] == MOST_WAITING:
        return
    if s[COUNT] == 0:
        s[FIRST] = 0  # the row used last is near at hand
    row = (s[FIRST] + s[COUNT]) % MOST_WAITING
    s[COUNT] += 1
    on_the_line = on_the_line_ns(line.baud, length)
    line.start_ns[row] = max(arrival_ns - on_the_line, s[FREE_ns])
    s[FREE_ns] = line.start_ns[row] + on_the_line
    line.line_ns[row], line.valid_ns[row], line.length[row] = on_the_line, valid_ns, length
    for i in range(length):
        line.data[row, i] = burst[i]


@jit
def pop(line: BurstLine, now_ns: int) -> int:
    """Row of the next burst if its time has come, or NOTHING; it is there until the next ``put``."""
    s = line.state
    row = s[FIRST]
    if s[COUNT] == 0 or line.start_ns[row] > now_ns:
        return NOTHING
    s[FIRST], s[COUNT] = (row + 1) % MOST_WAITING, s[COUNT] - 1
    return int(row)


@jit
def next_ns(line: BurstLine, otherwise: int) -> int:
    """When the next one is to start; ``otherwise`` if none waits."""
    s = line.state
    return int(line.start_ns[s[FIRST]]) if s[COUNT] > 0 else otherwise
