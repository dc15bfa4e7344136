"""CAN payloads by a DBC file: layouts as plain arrays, packed and unpacked in compiled code.

The DBC is the contract with the robot's team. ``emulator.wire.dbc_frames`` turns the frames the rig uses into
these arrays, so that the cycle can pack, protect, check and unpack without Python objects or allocation.

Rules (all tested bit for bit against cantools):
- raw = round half to even of (physical - offset) / factor; physical = raw * factor + offset; float64.
- Physical values outside the DBC's [minimum|maximum] (or the field's width) saturate at that end.
- "Not available" is all ones in an unsigned field and the lowest code in a signed one, for signals whose
  [minimum|maximum] excludes that code; it stands for NaN both ways. A signal whose range includes the
  code (a flag, a wrapping counter) can't say "not available": NaN is then sent as zero, or as the valid
  value nearest to zero.
- A received code beyond [minimum|maximum] that is not "not available" is decoded as it stands.
- A value that counts (``emulator.core.signals.COUNTING``) wraps at the signal's range instead of saturating.
- Unused bits are sent as 0.
- A frame of more than 8 bytes, or one whose message attribute ``VFrameFormat`` says so (``StandardCAN_FD``,
  ``ExtendedCAN_FD``), is a CAN FD frame; its length must be one that CAN FD has.
- A frame with the message attribute ``DataId`` >= 0 is protected by AUTOSAR E2E profile 1, in the mode that
  the attribute ``E2EMode`` names (``emulator.wire.e2e.MODES``; without it both):
  it has ``crc`` in byte 0 and ``alive`` in the low nibble of byte 1; both stay out of its payload signals.
- A frame with a map (``emulator.wire.frame_map``) has names, units and protection of its own: the codec has
  our names, and factors and offsets that lead from the raw value to our unit. Signals of it that the map
  leaves alone are sent as the map fixes them, else as not available, and not read.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import jit
from emulator.core.frame_buffer import EXTENDED, FrameBuffer
from emulator.wire.can_timing import FrameShape
from emulator.wire.e2e import (
    BARE,
    PROFILE_1,
    PROFILE_2,
    check_profile_1,
    check_profile_2,
    check_profile_5,
    protect_profile_1,
    protect_profile_2,
    protect_profile_5,
)

WRONG_CRC = -1
WRONG_LENGTH = -2
UNKNOWN = -1


class FrameCodec(NamedTuple):
    """Layout of F frames with S payload signals in all, as arrays for compiled code; never written to.

    can_id         (F,)    int64    identifier, bit 31 set for 29-bit identifiers
    length         (F,)    int64    payload bytes
    profile        (F,)    int64    how it is protected: e2e.BARE, PROFILE_1, PROFILE_2 or PROFILE_5
    header         (F,)    int64    byte its CRC begins at
    counters       (F,)    int64    values of its alive counter; 1 unprotected
    data_id        (F,)    int64    E2E data id 0..65535; -1 unprotected, or a list
    mode           (F,)    int64    how it enters in profile 1, index into e2e.MODES
    data_ids       (F, 16) uint8    the list of profile 2
    base           (F, 64) uint8    what stands in the frame beside its payload signals
    first          (F+1,)  int64    frame f owns signals first[f] .. first[f+1]-1
    byte           (S,)    int64    byte with the least significant bit
    bit            (S,)    int64    that bit's place in the byte, 0 the lowest
    size           (S,)    int64    width in bits, 1..32
    step           (S,)    int64    to the byte with the next higher bits: +1 Intel, -1 Motorola
    signed         (S,)    bool     two's complement
    factor         (S,)    float64  physical = raw * factor + offset
    offset         (S,)    float64
    raw_low        (S,)    int64    lowest and
    raw_high       (S,)    int64    highest raw value sent for a number
    raw_missing    (S,)    int64    raw value sent for NaN
    has_missing    (S,)    bool     raw_missing means "not available" and is received as NaN
    wraps          (S,)    int64    raw values until one that counts starts again; 0 of others: they saturate
    """

    can_id: NDArray[np.int64]
    length: NDArray[np.int64]
    profile: NDArray[np.int64]
    header: NDArray[np.int64]
    counters: NDArray[np.int64]
    data_id: NDArray[np.int64]
    mode: NDArray[np.int64]
    data_ids: NDArray[np.uint8]
    base: NDArray[np.uint8]
    first: NDArray[np.int64]
    byte: NDArray[np.int64]
    bit: NDArray[np.int64]
    size: NDArray[np.int64]
    step: NDArray[np.int64]
    signed: NDArray[np.bool_]
    factor: NDArray[np.float64]
    offset: NDArray[np.float64]
    raw_low: NDArray[np.int64]
    raw_high: NDArray[np.int64]
    raw_missing: NDArray[np.int64]
    has_missing: NDArray[np.bool_]
    wraps: NDArray[np.int64]


class DbcNames(NamedTuple):
    """What a frame, its payload signals and their units are called in the DBC."""

    frame: str
    signals: tuple[str, ...]
    units: tuple[str, ...]


@dataclass(frozen=True)
class Codec:
    """The compiled table and the names that belong to it, in the order the frames were asked for.

    ``signals[f]`` are frame f's payload signals in table order, which is the order of ``values`` in
    :func:`pack` and :func:`unpack`; ``units[f]`` and ``senders[f]`` (node names) go with them, and ``fd[f]``:
    whether it is a CAN FD frame. Names and units are ours; ``in_dbc[f]`` are those of the DBC, which differ
    where the rig maps a frame. ``profiles[f]``: what its AUTOSAR E2E profile is called, or nothing.
    """

    table: FrameCodec
    frames: tuple[str, ...]
    signals: tuple[tuple[str, ...], ...]
    units: tuple[tuple[str, ...], ...]
    senders: tuple[tuple[str, ...], ...]
    fd: tuple[bool, ...]
    in_dbc: tuple[DbcNames, ...]
    profiles: tuple[str, ...]

    def label(self, name: str) -> str:
        """A frame as people are told of it: our name, and the DBC's where that is another."""
        return labelled(name, self.in_dbc[self.frame(name)].frame)

    @property
    def most_signals(self) -> int:
        """Payload signals of the frame that has most; a ``values`` row this long serves every frame."""
        return max((len(names) for names in self.signals), default=0)

    def frame(self, name: str) -> int:
        """Index of a frame. KeyError if it was not asked for."""
        try:
            return self.frames.index(name)
        except ValueError:
            raise KeyError(f"no frame {name!r} in this codec; it has {', '.join(self.frames)}") from None

    def shape(self, name: str) -> FrameShape:
        """What a frame's length on the wire depends on. KeyError if it was not asked for."""
        f = self.frame(name)
        extended = bool(int(self.table.can_id[f]) & EXTENDED)
        return FrameShape(int(self.table.length[f]), extended, self.fd[f])

    def layout(self, name: str) -> tuple[object, ...]:
        """All that says how the bytes of a frame are read and written: equal for frames laid out alike.

        KeyError if it was not asked for.
        """
        f, first = self.frame(name), FrameCodec._fields.index("first")
        own = slice(int(self.table.first[f]), int(self.table.first[f + 1]))
        of_frame = (column[f].tobytes() for column in self.table[:first])
        of_signals = (column[own].tobytes() for column in self.table[first + 1 :])
        return (self.signals[f], self.units[f], self.fd[f], *of_frame, *of_signals)

    def signal(self, frame: str, name: str) -> int:
        """Place of a signal in the ``values`` of a frame. KeyError if there is no such signal."""
        names = self.signals[self.frame(frame)]
        try:
            return names.index(name)
        except ValueError:
            raise KeyError(f"no signal {name!r} in frame {frame}; it has {', '.join(names)}") from None


def labelled(ours: str, in_dbc: str) -> str:
    """``engine (ECU_01)``: our name of a frame or signal, and the DBC's where that is another."""
    return ours if in_dbc in ("", ours) else f"{ours} ({in_dbc})"


# --- compiled ---------------------------------------------------------------------------------------


@jit
def find(codec: FrameCodec, can_id: int) -> int:
    """Index of the frame with this identifier (bit 31 set for 29-bit ones), or -1."""
    for frame in range(codec.can_id.shape[0]):
        if codec.can_id[frame] == can_id:
            return frame
    return UNKNOWN


@jit
def pack(codec: FrameCodec, frame: int, values: NDArray[np.float64], data: NDArray[np.uint8]) -> None:
    """Physical values to payload bytes; counter and CRC stay 0 until :func:`protect`.

    frame   0..F-1
    values  (>= signals of the frame,) float64  SI, table order; saturated; NaN = not available
    data    (>= length of the frame,) uint8     out: the whole row is written, 0 beyond the frame
    Fails: never; indices and row lengths are the caller's.
    """
    for i in range(data.shape[0]):
        data[i] = codec.base[frame, i]
    first = codec.first[frame]
    for s in range(first, codec.first[frame + 1]):
        value = values[s - first]
        if np.isnan(value):
            raw = codec.raw_missing[s]
        else:
            rounded = np.rint((value - codec.offset[s]) / codec.factor[s])
            if codec.wraps[s] > 0 and np.isfinite(rounded):
                raw = codec.raw_low[s] + (np.int64(rounded) - codec.raw_low[s]) % codec.wraps[s]
            elif rounded >= codec.raw_high[s]:
                raw = codec.raw_high[s]
            elif rounded <= codec.raw_low[s]:
                raw = codec.raw_low[s]
            else:
                raw = np.int64(rounded)
        byte, bit, left = codec.byte[s], codec.bit[s], codec.size[s]
        while left > 0:
            take = min(8 - bit, left)
            data[byte] |= (raw & ((1 << take) - 1)) << bit
            raw >>= take  # arithmetic shift: the sign fills the higher bits
            left -= take
            byte += codec.step[s]
            bit = 0


@jit
def unpack(codec: FrameCodec, frame: int, data: NDArray[np.uint8], values: NDArray[np.float64]) -> None:
    """Payload bytes to physical values; "not available" becomes NaN.

    frame   0..F-1
    data    (>= length of the frame,) uint8     checked for length before (see :func:`check`)
    values  (>= signals of the frame,) float64  out: SI, table order; the rest of the row is untouched
    """
    first = codec.first[frame]
    for s in range(first, codec.first[frame + 1]):
        raw = np.int64(0)
        byte, bit, done = codec.byte[s], codec.bit[s], np.int64(0)
        while done < codec.size[s]:
            take = min(8 - bit, codec.size[s] - done)
            raw |= ((np.int64(data[byte]) >> bit) & ((1 << take) - 1)) << done
            done += take
            byte += codec.step[s]
            bit = 0
        if codec.signed[s] and raw >> (codec.size[s] - 1):
            raw -= 1 << codec.size[s]
        if codec.has_missing[s] and raw == codec.raw_missing[s]:
            values[s - first] = np.nan
        else:
            values[s - first] = raw * codec.factor[s] + codec.offset[s]


@jit
def protect(codec: FrameCodec, frame: int, counter: int, data: NDArray[np.uint8]) -> None:
    """Write alive counter (modulo ``counters``) and CRC into a packed frame; bare ones stay as they are."""
    profile, length, at = codec.profile[frame], codec.length[frame], codec.header[frame]
    if profile == BARE:
        return
    if profile == PROFILE_1:
        protect_profile_1(data, length, codec.data_id[frame], codec.mode[frame], counter, at)
    elif profile == PROFILE_2:
        protect_profile_2(data, length, codec.data_ids[frame], counter, at)
    else:
        protect_profile_5(data, length, codec.data_id[frame], counter, at)


@jit
def check(codec: FrameCodec, frame: int, data: NDArray[np.uint8], length: int) -> int:
    """Alive counter of a sound frame; -1 CRC wrong, or a counter that is never sent; -2 not the DBC's length.

    Unprotected frames of the right length give 0. Sequence is the caller's to judge.
    """
    if length != codec.length[frame]:
        return WRONG_LENGTH
    profile, at = codec.profile[frame], codec.header[frame]
    if profile == BARE:
        return 0
    if profile == PROFILE_1:
        return check_profile_1(data, length, codec.data_id[frame], codec.mode[frame], at)
    if profile == PROFILE_2:
        return check_profile_2(data, length, codec.data_ids[frame], at)
    return check_profile_5(data, length, codec.data_id[frame], at)


@jit
def sound_and_new(
    codec: FrameCodec, frame: int, data: NDArray[np.uint8], length: int, alive: NDArray[np.int64]
) -> bool:
    """Whether a received frame is whole and no repetition, as far as its protection tells.

    alive  (F,)  counters of the last ones that were whole, -1 before; this one's is noted
    """
    counter = check(codec, frame, data, length)
    if counter < 0 or (codec.profile[frame] != BARE and counter == alive[frame]):
        return False
    alive[frame] = counter
    return True


@jit
def append_packed(
    codec: FrameCodec, frame: int, payload: NDArray[np.float64], counter: int, frames: FrameBuffer
) -> None:
    """Pack and protect a frame behind those in the buffer; see ``pack`` and ``protect``."""
    n = frames.count[0]
    pack(codec, frame, payload, frames.data[n])
    protect(codec, frame, counter, frames.data[n])
    frames.can_id[n], frames.length[n] = codec.can_id[frame], codec.length[frame]
    frames.count[0] = n + 1
