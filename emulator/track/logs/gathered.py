"""Frames of a bus log gathered in columns, whoever reads them, and decoded by the DBC many at a time.

Those of other identifiers are counted only.
"""

from __future__ import annotations

from array import array
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import jit
from emulator.track.bus_values import physical
from emulator.track.logs.log import MOST_VALUES, LogError
from emulator.track.on_disk import Shelf
from emulator.wire.dbc_file import DbcFrame

EXTENDED = 1 << 31
"""The bit of a key that says that its identifier has 29 bits."""
MOST_IDENTIFIER = 0x1FFF_FFFF

_MOST_FRAMES = MOST_VALUES // 4  # each has a time and a signal or more
_BYTES = 64
_AT_ONCE = 1 << 16


class Block(NamedTuple):
    """Frames that wait to be decoded, for compiled code to add to.

    keys    (k,) int64          wanted identifiers, rising, with EXTENDED
    time_s  (n,) float64
    kind    (n,) int16          which of the keys
    length  (n,) uint8          bytes of payload
    data    (n, 64) uint8       zero behind them
    counts  (2,) int64          frames that are there; frames of others
    """

    keys: NDArray[np.int64]
    time_s: NDArray[np.float64]
    kind: NDArray[np.int16]
    length: NDArray[np.uint8]
    data: NDArray[np.uint8]
    counts: NDArray[np.int64]


@jit
def put(block: Block, time_s: float, key: int, data: NDArray[np.uint8], first: int, length: int) -> None:
    """Add a frame, whose payload is at ``first`` of the data; there has to be room for it."""
    low, high = 0, len(block.keys)
    while low < high:
        middle = (low + high) // 2
        if block.keys[middle] < key:
            low = middle + 1
        else:
            high = middle
    if low == len(block.keys) or block.keys[low] != key:
        block.counts[1] += 1
        return
    row = block.counts[0]
    block.time_s[row] = time_s
    block.kind[row] = low
    block.length[row] = length
    for k in range(length):
        block.data[row, k] = data[first + k]
    for k in range(length, block.data.shape[1]):
        block.data[row, k] = 0
    block.counts[0] = row + 1


@jit
def is_full(block: Block) -> bool:
    """Whether there is no room for another frame."""
    return bool(block.counts[0] == len(block.time_s))


@jit
def _put_many(
    block: Block,
    at: int,
    time_s: NDArray[np.float64],
    keys: NDArray[np.int64],
    data: NDArray[np.uint8],
    first: NDArray[np.int64],
    length: NDArray[np.int64],
) -> int:
    """Put frames from ``at`` on; returns how far there was room."""
    while at < len(time_s) and not is_full(block):
        put(block, time_s[at], keys[at], data, first[at], min(length[at], block.data.shape[1]))
        at += 1
    return at


class Gathered:
    """Wanted signals of frames, by the key of their identifier."""

    def __init__(self, wanted: Mapping[int, tuple[DbcFrame, Sequence[str]]], shelf: Shelf) -> None:
        keys = sorted(wanted)
        self._kind = {key: kind for kind, key in enumerate(keys)}
        self._frames = [_Frames(*wanted[key], shelf) for key in keys]
        # Python puts single numbers into buffers of its own much faster than into numpy's
        self._time_s, self._kinds = array("d", bytes(8 * _AT_ONCE)), array("h", bytes(2 * _AT_ONCE))
        self._length, self._data = bytearray(_AT_ONCE), bytearray(_BYTES * _AT_ONCE)
        self._count = array("q", [0, 0])
        self.block = Block(
            np.array(keys, np.int64),
            np.frombuffer(self._time_s),
            np.frombuffer(self._kinds, np.int16),
            np.frombuffer(self._length, np.uint8),
            np.frombuffer(self._data, np.uint8).reshape(-1, _BYTES),
            np.frombuffer(self._count, np.int64),
        )
        self._decoded = 0

    @property
    def taken(self) -> int:
        """Frames of wanted identifiers."""
        return self._decoded + self._count[0]

    @property
    def others(self) -> int:
        """Frames of others."""
        return self._count[1]

    def add(self, time_s: float, key: int, data: bytes | bytearray) -> None:
        """One frame. Raises LogError, StartFailed."""
        kind = self._kind.get(key)
        if kind is None:
            self._count[1] += 1
            return
        row = self._count[0]
        self._time_s[row], self._kinds[row], self._length[row] = time_s, kind, min(len(data), _BYTES)
        self._data[_BYTES * row : _BYTES * (row + 1)] = data[:_BYTES].ljust(_BYTES, b"\0")
        self._count[0] = row + 1
        if row + 1 == _AT_ONCE:
            self.decode()

    def add_message(self, message: Any) -> None:
        """One message of python-can's, if it is a data frame. Raises LogError, StartFailed."""
        if not (message.is_error_frame or message.is_remote_frame):
            extended = EXTENDED if message.is_extended_id else 0
            self.add(message.timestamp, message.arbitration_id | extended, message.data)

    def add_many(
        self,
        time_s: NDArray[np.float64],
        keys: NDArray[np.int64],
        data: NDArray[np.uint8],
        first: NDArray[np.int64],
        length: NDArray[np.int64],
    ) -> None:
        """Data frames (n,), whose payloads begin at ``first`` of the data. Raises LogError, StartFailed."""
        at = 0
        while True:
            at = _put_many(self.block, at, time_s, keys, data, first, length)
            if at == len(time_s):
                return
            self.decode()

    def decode(self) -> None:
        """Decode all that waits, which makes room. Raises LogError: they are too many; StartFailed."""
        block, n = self.block, self._count[0]
        self._decoded += n
        if self._decoded > _MOST_FRAMES:
            raise LogError(f"the log of a bus holds more than {_MOST_FRAMES:,} frames", advice="cut the log")
        order = np.argsort(block.kind[:n], kind="stable")
        ends = np.searchsorted(block.kind[order], np.arange(len(self._frames) + 1))
        for kind, frames in enumerate(self._frames):
            if len(rows := order[ends[kind] : ends[kind + 1]]):
                frames.decode(block.time_s[rows], block.length[rows], block.data[rows])
        self._count[0] = 0

    def series(self) -> dict[int, tuple[NDArray[np.float64], dict[str, NDArray[np.float64]]]]:
        """Instants (n,), and values (n,) of the wanted signals, by key. Raises as ``decode``."""
        self.decode()
        return {key: self._frames[kind].series() for key, kind in self._kind.items()}


class _Frames:
    """Frames of one identifier as signals over time.

    names  signals that are wanted
    """

    def __init__(self, message: DbcFrame, names: Sequence[str], shelf: Shelf) -> None:
        self._message, self._size = message, min(max(message.length, 1), _BYTES)
        self._instants = shelf.growing()
        self._columns = {name: shelf.growing() for name in names}

    def decode(self, time_s: NDArray[np.float64], length: NDArray[np.uint8], data: NDArray[np.uint8]) -> None:
        """Add frames (n,), cut off at the size of their kind."""
        data, length = data[:, : self._size], np.minimum(length, self._size)
        values = physical(self._message, data, length, tuple(self._columns))
        for name, column in self._columns.items():
            column.append(values[name])
        self._instants.append(time_s)

    def series(self) -> tuple[NDArray[np.float64], dict[str, NDArray[np.float64]]]:
        """Instants (n,), and values (n,) of the wanted signals."""
        return self._instants.whole(), {name: column.whole() for name, column in self._columns.items()}
