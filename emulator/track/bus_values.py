"""Values of many frames of one kind at once, by the DBC's own signals: also of frames that are not ours.

A signal's bits are gathered from all payloads together; the multiplexed ones have a value only in frames that
carry them, every one only where the payload is long enough. Other frames give NaN.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from emulator.wire.dbc_file import DbcFrame, DbcSignal

_FLOAT_OF_BITS: dict[int, type[np.floating[Any]]] = {16: np.float16, 32: np.float32, 64: np.float64}


def physical(message: DbcFrame, data: NDArray[np.uint8], length: NDArray[np.integer[Any]]) -> dict[str, Any]:
    """Physical values by signal name, each (n,) float64 [unit of the DBC]; NaN where a frame has none.

    message  its signals say where bits lie, their sign, factor and offset
    data     (n, m)  payloads, m bytes or fewer each
    length   (n,)    bytes that each has

    Whole numbers above 2^53 lose their last digits. Labels (``choices``) stay the numbers they stand for.
    """
    raw = {signal.name: _raw(signal, data) for signal in message.signals}
    values = {}
    for signal in message.signals:
        with np.errstate(invalid="ignore"):  # bytes of a float may be a number that signals, and stay none
            value = raw[signal.name].astype(np.float64) * float(signal.scale) + float(signal.offset)
        there = 8 * np.asarray(length, np.int64) > _last_bit(signal)
        if signal.chosen_at and signal.chosen_by in raw:
            there &= np.isin(raw[signal.chosen_by], signal.chosen_at)
        values[signal.name] = np.where(there, value, np.nan)
    return values


def _bit_places(signal: DbcSignal) -> NDArray[np.int64]:
    """Bits of the payload from the signal's lowest on; bit 0 is the lowest of byte 0.

    A big-endian signal starts at its highest bit and goes down within a byte, then to the next byte's
    highest (DBC notation).
    """
    first: int = signal.start
    if signal.byte_order == "little_endian":
        return np.arange(first, first + int(signal.length))
    from_the_top = 8 * (first // 8) + 7 - first % 8  # counted in order of sending
    sent = np.arange(from_the_top, from_the_top + int(signal.length))[::-1]
    return 8 * (sent // 8) + 7 - sent % 8


def _last_bit(signal: DbcSignal) -> int:
    return int(_bit_places(signal).max())


def _raw(signal: DbcSignal, data: NDArray[np.uint8]) -> NDArray[Any]:
    """(n,) int64 or floating raw values; 0 where a payload ends before."""
    bits = np.zeros(len(data), np.uint64)
    for k, place in enumerate(_bit_places(signal)):
        if place // 8 < data.shape[1]:
            bit = (data[:, place // 8] >> np.uint8(place % 8)) & np.uint8(1)
            bits |= bit.astype(np.uint64) << np.uint64(k)
    if signal.is_float:
        of_size = bits.astype(f"u{signal.length // 8}")
        return of_size.view(_FLOAT_OF_BITS[signal.length])
    if not signal.is_signed:
        return bits if signal.length == 64 else bits.astype(np.int64)
    sign = np.uint64(1) << np.uint64(signal.length - 1)
    return ((bits ^ sign) - sign).view(np.int64)
