"""A block of signals packed by one pass of compiled code over its rows.

Of a continuous signal a double holds some forty binary digits that nothing foretells. A general packer
spends most of its time on finding that out, and finds nothing else, since no value comes twice. What can be
foretold is where the next value lies: what frames carry, and what the bench says of itself, stays where it
was, all else goes straight on from the last two values. So of each value the 64-bit pattern, taken as a whole
number, is kept less the one foretold; of 64 rows each difference takes as many bits as the largest of them.

The first column is the tick, as a whole number. A block of n rows of K columns is a list of 64-bit words,
little-endian:

    n, masks, words   three numbers: the rows, and how long the last two parts are
    first row         K words
    heads             a byte for each 64 rows of each column, columns of the same rows beside each other;
                      filled up to a whole word
    masks             a word where not all of 64 rows differ from what was foretold: bit i is row i
    words             differences of the rows that differ, of all heads after each other, lowest bits first;
                      of each head in whole words

Of a head the upper bit says that a mask belongs to it, the rest how many bits a difference takes, 0 where
there is none. A difference is kept with its sign in the lowest bit, so that small ones of either sign have
few bits. For the second row the first one is foretold.
"""

from __future__ import annotations

import json
from typing import Any, NamedTuple

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from emulator.core.compiled import jit, jit_copied

GROUP = 64
"""Rows that share a head."""
MASKED = 128
"""Marks a head with a mask."""
HEADER = 3
"""Numbers before the first row."""
SIGNALS = b"signals"
"""JSON in the stream's metadata: of each column behind the tick name, unit, meaning, 1 if straight on."""

_ONE, _SIXTY_THREE = np.uint64(1), np.uint64(63)


def goes_straight_on(name: str) -> bool:
    """Whether a signal is foretold from its last two values, rather than as the last one."""
    return name.partition(".")[0] not in ("robot", "output", "bench", "loop")


class Parts(NamedTuple):
    """Where the parts of a block go.

    heads  (G, K)  uint8
    masks  (G K,)
    words  (64 G K,)
    used   (3,)    rows of heads, masks and words that are filled
    last   (K, 2)  values of the last two rows
    value  (2 + GROUP,)  those of a head behind them
    off    (GROUP,)      its differences
    """

    heads: NDArray[np.uint8]
    masks: NDArray[np.uint64]
    words: NDArray[np.uint64]
    used: NDArray[np.int64]
    last: NDArray[np.uint64]
    value: NDArray[np.uint64]
    off: NDArray[np.uint64]


@jit
def pack(ticks: NDArray[np.int64], rows: NDArray[np.uint64], straight: NDArray[np.uint64], p: Parts) -> None:
    """Put the bit patterns of rows (n, K - 1) and their ticks behind what is packed already.

    straight  (K,)  1: a column goes straight on, 0: it stays
    All heads but a block's last one stand for GROUP rows.
    """
    n, columns = rows.shape[0], straight.shape[0]
    head_row, masks, words = p.used[0], p.used[1], p.used[2]
    if head_row == 0:
        for k in range(columns):
            p.last[k, 0] = p.last[k, 1] = np.uint64(ticks[0]) if k == 0 else rows[0, k - 1]
    for first in range(0, n, GROUP):
        some = min(GROUP, n - first)
        for k in range(columns):
            p.value[0], p.value[1] = p.last[k, 0], p.last[k, 1]
            if k == 0:
                for i in range(some):
                    p.value[2 + i] = np.uint64(ticks[first + i])
            else:
                for i in range(some):
                    p.value[2 + i] = rows[first + i, k - 1]
            p.last[k, 0], p.last[k, 1] = p.value[some], p.value[some + 1]
            every, right = _off(p.value, some, straight[k], p.off)
            head = 0
            if every != np.uint64(0):
                head = _bits(every)
                if right > 0 or some < GROUP:
                    p.masks[masks], some_off = _without_zeros(p.off, some)
                    masks += 1
                    words = _append(p.words, words, p.off, some_off, head)
                    head |= MASKED
                else:
                    words = _append(p.words, words, p.off, GROUP, head)
            p.heads[head_row, k] = head
        head_row += 1
    p.used[0], p.used[1], p.used[2] = head_row, masks, words


@jit_copied
def _off(
    value: NDArray[np.uint64], some: int, straight: np.uint64, off: NDArray[np.uint64]
) -> tuple[np.uint64, int]:
    """Differences of so many values behind the first two; all their bits together, and how many are zero."""
    every, right, on = np.uint64(0), 0, np.uint64(0) - straight
    for i in range(some):
        last = value[i + 1]
        d = value[i + 2] - last - ((last - value[i]) & on)
        folded = (d << _ONE) ^ (np.uint64(0) - (d >> _SIXTY_THREE))
        off[i] = folded
        every |= folded
        right += folded == np.uint64(0)
    return every, right


@jit
def _without_zeros(off: NDArray[np.uint64], some: int) -> tuple[np.uint64, int]:
    """Put differences that are none out of the list; which rows the others are, and how many."""
    mask, count = np.uint64(0), 0
    for i in range(some):
        d = off[i]
        off[count] = d
        if d != np.uint64(0):
            mask |= _ONE << np.uint64(i)
            count += 1
    return mask, count


@jit
def _bits(number: np.uint64) -> int:
    """Bits that a number takes, at least 1."""
    bits = 1
    for half in (32, 16, 8, 4, 2, 1):
        if number >> np.uint64(half) != np.uint64(0):
            number >>= np.uint64(half)
            bits += half
    return bits


@jit
def _append(words: NDArray[np.uint64], at: int, numbers: NDArray[np.uint64], count: int, width: int) -> int:
    """The first ``count`` numbers, of ``width`` bits each, from word ``at`` on; returns where they end."""
    word, filled = np.uint64(0), 0
    for i in range(count):
        number = numbers[i]
        word |= number << np.uint64(filled)
        filled += width
        if filled >= GROUP:
            words[at] = word
            at += 1
            filled -= GROUP
            # what found no room; of a number that just did there is nothing
            word = number >> np.uint64(width - filled) if filled > 0 else np.uint64(0)
    if filled > 0:
        words[at] = word
        at += 1
    return at


class PackedBlock:
    """Rows of a block, and what they are packed into; the memory of one is used for the next.

    plain  tick, time_ns, which is not kept, and the signals, with unit and meaning
    rows   most of a block
    """

    def __init__(self, plain: pa.Schema, rows: int) -> None:
        signals = list(plain)[2:]
        straight = [int(goes_straight_on(f.name)) for f in signals]
        about = ((f.name, *(f.metadata[key].decode() for key in (b"unit", b"meaning"))) for f in signals)
        told = [[*words, on] for words, on in zip(about, straight, strict=True)]
        column = pa.field("packed", pa.int64(), nullable=False)
        self.schema = pa.schema([column], {SIGNALS: json.dumps(told).encode()})
        self._straight = np.array([1, *straight], np.uint64)
        columns, groups = len(signals) + 1, -(-rows // GROUP)
        self._first = np.zeros(columns, np.int64)
        # Rows that fill no head yet, ``_left`` of them.
        self._ticks, self._rows = np.zeros(GROUP, np.int64), np.zeros((GROUP, columns - 1), np.uint64)
        self._left = 0
        self._parts = Parts(
            np.zeros((groups, columns), np.uint8),
            np.zeros(groups * columns, np.uint64),
            np.zeros(groups * columns * GROUP, np.uint64),
            np.zeros(3, np.int64),
            np.zeros((columns, 2), np.uint64),
            np.zeros(2 + GROUP, np.uint64),
            np.zeros(GROUP, np.uint64),
        )

    def put(self, at: int, ticks: NDArray[np.int64], rows: NDArray[np.float64]) -> None:
        """Rows (n, K - 1), at least one, and their ticks, behind the ``at`` that are there."""
        patterns, done = np.ascontiguousarray(rows).view(np.uint64), 0
        if at == 0:
            self._first[0], self._first[1:] = ticks[0], patterns[0].view(np.int64)
            self._parts.used[:] = self._left = 0
        if self._left:
            done = min(GROUP - self._left, len(ticks))
            self._keep(ticks[:done], patterns[:done])
            if self._left == GROUP:
                self._pack(self._ticks, self._rows)
                self._left = 0
        whole = (len(ticks) - done) // GROUP * GROUP
        if whole:
            self._pack(ticks[done : done + whole], patterns[done : done + whole])
        self._keep(ticks[done + whole :], patterns[done + whole :])

    def _keep(self, ticks: NDArray[np.int64], patterns: NDArray[np.uint64]) -> None:
        end = self._left + len(ticks)
        self._ticks[self._left : end], self._rows[self._left : end] = ticks, patterns
        self._left = end

    def _pack(self, ticks: NDArray[np.int64], patterns: NDArray[np.uint64]) -> None:
        pack(ticks, patterns, self._straight, self._parts)

    def columns(self, n: int) -> list[NDArray[Any]]:
        """The words that the ``n`` rows that are there are packed into: the one column of a batch."""
        if self._left:
            self._pack(self._ticks[: self._left], self._rows[: self._left])
            self._left = 0
        p = self._parts
        heads_used, masks, words = p.used.tolist()
        heads = p.heads[:heads_used].tobytes()
        heads += bytes(-len(heads) % 8)
        parts = (p.masks[:masks].view(np.int64), p.words[:words].view(np.int64))
        begin = (np.array([n, masks, words]), self._first, np.frombuffer(heads, np.int64))
        return [np.concatenate([*begin, *parts])]
