"""Values of many frames of one kind at once, by the DBC's own signals: also of frames that are not ours.

A signal's bytes are gathered from all payloads together; the multiplexed ones have a value only in frames
that carry them, every one only where the payload is long enough. Other frames give NaN.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from emulator.wire.dbc_file import DbcFrame, DbcSignal

_FLOAT_OF_BITS: dict[int, type[np.floating[Any]]] = {16: np.float16, 32: np.float32, 64: np.float64}


def physical(
    message: DbcFrame,
    data: NDArray[np.uint8],
    length: NDArray[np.integer[Any]],
    names: Collection[str] | None = None,
) -> dict[str, Any]:
    """Physical values by signal name, each (n,) float64 [unit of the DBC]; NaN where a frame has none.

    message  its signals say where bits lie, their sign, factor and offset
    data     (n, m)  payloads, m bytes or fewer each
    length   (n,)    bytes that each has
    names    signals that are asked for; None: all

    Whole numbers above 2^53 lose their last digits. Labels (``choices``) stay the numbers they stand for.
    """
    asked = [signal for signal in message.signals if names is None or signal.name in names]
    needed = {signal.name for signal in asked} | {signal.chosen_by for signal in asked if signal.chosen_at}
    raw = {signal.name: _raw(signal, data) for signal in message.signals if signal.name in needed}
    values = {}
    for signal in asked:
        with np.errstate(invalid="ignore"):  # bytes of a float may be a number that signals, and stay none
            value = raw[signal.name].astype(np.float64) * float(signal.scale) + float(signal.offset)
        there = np.asarray(length) > _last_byte(signal)
        if signal.chosen_at and signal.chosen_by in raw:
            there &= np.isin(raw[signal.chosen_by], signal.chosen_at)
        values[signal.name] = np.where(there, value, np.nan)
    return values


def _sent(signal: DbcSignal) -> tuple[int, int]:
    """First and last bit of a big-endian signal, counted in order of sending.

    It starts at its highest bit and goes down within a byte, then to the next byte's highest (DBC notation).
    """
    first = 8 * (signal.start // 8) + 7 - signal.start % 8
    return first, first + signal.length - 1


def _last_byte(signal: DbcSignal) -> int:
    last = signal.start + signal.length - 1 if signal.byte_order == "little_endian" else _sent(signal)[1]
    return last // 8


def _shifts(signal: DbcSignal) -> Iterator[tuple[int, int]]:
    """The signal's bytes, and the bit of its number that each one's lowest is; negative: it is none of it."""
    last = _last_byte(signal)
    if signal.byte_order == "little_endian":
        for byte in range(signal.start // 8, last + 1):
            yield byte, 8 * byte - signal.start
    else:
        beyond = 7 - _sent(signal)[1] % 8
        for byte in range(signal.start // 8, last + 1):
            yield byte, 8 * (last - byte) - beyond


def _raw(signal: DbcSignal, data: NDArray[np.uint8]) -> NDArray[Any]:
    """(n,) int64 or floating raw values; 0 where a payload ends before."""
    bits = np.zeros(len(data), np.uint64)
    for byte, shift in _shifts(signal):
        if byte < data.shape[1]:
            part = data[:, byte].astype(np.uint64)
            bits |= part << np.uint64(shift) if shift >= 0 else part >> np.uint64(-shift)
    if signal.length < 64:
        bits &= np.uint64((1 << signal.length) - 1)
    if signal.is_float:
        of_size = bits.astype(f"u{signal.length // 8}")
        return of_size.view(_FLOAT_OF_BITS[signal.length])
    if not signal.is_signed:
        return bits if signal.length == 64 else bits.view(np.int64)
    sign = np.uint64(1) << np.uint64(signal.length - 1)
    return ((bits ^ sign) - sign).view(np.int64)
