"""CAN payloads from a DBC file: layouts read once with cantools, packed and unpacked in compiled code.

The DBC is the contract with the robot's team. ``load_codec`` turns the frames the rig uses into plain
arrays, so that the cycle can pack, protect, check and unpack without Python objects or allocation.

Rules (all tested bit for bit against cantools):
- raw = round half to even of (physical - offset) / factor; physical = raw * factor + offset; float64.
- Physical values outside the DBC's [minimum|maximum] (or the field's width) saturate at that end.
- "Not available" is all ones in an unsigned field and the lowest code in a signed one, for signals whose
  [minimum|maximum] excludes that code; it stands for NaN both ways. A signal whose range includes the
  code (a flag, a wrapping counter) can't say "not available": NaN is then sent as zero, or as the valid
  value nearest to zero.
- A received code beyond [minimum|maximum] that is not "not available" is decoded as it stands.
- Unused bits are sent as 0.
- A frame of more than 8 bytes, or one whose message attribute ``VFrameFormat`` says so (``StandardCAN_FD``,
  ``ExtendedCAN_FD``), is a CAN FD frame; its length must be one that CAN FD has.
- A frame with the message attribute ``DataId`` >= 0 is protected by AUTOSAR E2E profile 1, in the mode that
  the attribute ``E2EMode`` names (``emulator.wire.e2e.MODES``; without it both):
  it has ``crc`` in byte 0 and ``alive`` in the low nibble of byte 1; both stay out of its payload signals.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import jit
from emulator.core.errors import ConfigError, Problem
from emulator.core.frame_buffer import EXTENDED, MAX_DATA
from emulator.wire.can_timing import CLASSICAL_BYTES, LONG_LENGTHS, FrameShape
from emulator.wire.dbc_file import Lines, read_dbc
from emulator.wire.e2e import BOTH, MODES, NIBBLE, check_profile_1, profile_1_start, protect_profile_1

WRONG_CRC = -1
WRONG_LENGTH = -2
UNKNOWN = -1

_LONGEST_SIGNAL = 32
_BEYOND_CODES = 2.0**40
_PROTECTION = ("crc", "alive")
_NIBBLE_BITS = frozenset(range(12, 16))


class FrameCodec(NamedTuple):
    """Layout of F frames with S payload signals in all, as arrays for compiled code; never written to.

    can_id         (F,)    int64    identifier, bit 31 set for 29-bit identifiers
    length         (F,)    int64    payload bytes
    data_id        (F,)    int64    E2E data id 0..65535; -1 unprotected
    mode           (F,)    int64    how it enters, index into e2e.MODES
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
    """

    can_id: NDArray[np.int64]
    length: NDArray[np.int64]
    data_id: NDArray[np.int64]
    mode: NDArray[np.int64]
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


@dataclass(frozen=True)
class Codec:
    """The compiled table and the names that belong to it, in the order the frames were asked for.

    ``signals[f]`` are frame f's payload signals in table order, which is the order of ``values`` in
    :func:`pack` and :func:`unpack`; ``units[f]`` and ``senders[f]`` (node names) go with them, and ``fd[f]``:
    whether it is a CAN FD frame.
    """

    table: FrameCodec
    frames: tuple[str, ...]
    signals: tuple[tuple[str, ...], ...]
    units: tuple[tuple[str, ...], ...]
    senders: tuple[tuple[str, ...], ...]
    fd: tuple[bool, ...]

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

    def signal(self, frame: str, name: str) -> int:
        """Place of a signal in the ``values`` of a frame. KeyError if there is no such signal."""
        names = self.signals[self.frame(frame)]
        try:
            return names.index(name)
        except ValueError:
            raise KeyError(f"no signal {name!r} in frame {frame}; it has {', '.join(names)}") from None


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
    data    (>= length of the frame,) uint8     out: the whole row is zeroed, then written
    Fails: never; indices and row lengths are the caller's.
    """
    data[:] = 0
    first = codec.first[frame]
    for s in range(first, codec.first[frame + 1]):
        value = values[s - first]
        if np.isnan(value):
            raw = codec.raw_missing[s]
        else:
            rounded = np.rint((value - codec.offset[s]) / codec.factor[s])
            if rounded >= codec.raw_high[s]:
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
    """Write alive counter (modulo 15) and CRC into a packed frame; unprotected frames stay as they are."""
    if codec.data_id[frame] >= 0:
        protect_profile_1(data, codec.length[frame], codec.data_id[frame], codec.mode[frame], counter)


@jit
def check(codec: FrameCodec, frame: int, data: NDArray[np.uint8], length: int) -> int:
    """Alive counter 0..14 of a sound frame; -1 CRC wrong (or counter 15); -2 not the DBC's length.

    Unprotected frames (data_id < 0) of the right length give 0. Sequence is the caller's to judge.
    """
    if length != codec.length[frame]:
        return WRONG_LENGTH
    if codec.data_id[frame] < 0:
        return 0
    return check_profile_1(data, length, codec.data_id[frame], codec.mode[frame])


# --- loading ----------------------------------------------------------------------------------------


class _Field(NamedTuple):
    """One payload signal on its way into the table; names as in FrameCodec."""

    byte: int
    bit: int
    size: int
    step: int
    signed: bool
    factor: float
    offset: float
    raw_low: int
    raw_high: int
    raw_missing: int
    has_missing: bool


def load_codec(
    path: Path, frames: Sequence[str], known: Mapping[str, Collection[str]] | None = None
) -> Codec:
    """Read a DBC file and compile the named frames, in that order, into a Codec.

    known  of frames that can't carry just anything: the signals each may have

    Signals are in order of their start bit (as cantools lists them), without ``crc`` and ``alive`` of
    protected frames. Accepted: Intel and Motorola, signed and unsigned, 1..32 bits, 11 and 29-bit
    identifiers, classical and FD lengths. Text is read as UTF-8, else as Windows-1252.

    Raises ConfigError with every problem found: no such file, bad syntax, signals that overlap or reach
    beyond their frame, a frame missing or defined twice, two frames with one identifier, multiplexed, float
    or longer signals, factor 0, a range no raw value reaches, protection fields misplaced, data ids the CRC
    can't tell apart, a signal that its frame may not have.
    """
    database, lines = read_dbc(path)
    messages = {message.name: message for message in database.messages}

    problems: list[Problem] = []
    chosen: list[Any] = []
    for name in dict.fromkeys(frames):
        if name not in messages:
            near = difflib.get_close_matches(name, messages, 1)
            hint = f"; did you mean {near[0]!r}?" if near else f"; it has {', '.join(messages) or 'none'}"
            problems.append(lines.problem(f"expected a frame of this name in the file{hint}", name))
        else:
            chosen.append(messages[name])
            problems += _double(messages[name], lines)
    names = tuple(message.name for message in chosen)
    data_ids: list[tuple[int, int]] = []
    fields: list[list[_Field]] = []
    payloads: list[list[Any]] = []
    for message in chosen:
        found, data_id, mode, payload = _frame(message, lines)
        problems += found
        problems += _bits_taken(message, lines)
        data_ids.append((data_id, mode))
        payloads.append(payload)
        layout = []
        may_have = (known or {}).get(message.name)
        for signal in payload:
            if may_have is not None and signal.name not in may_have:
                near = difflib.get_close_matches(signal.name, may_have, 1)
                hint = f", did you mean {near[0]!r}?" if near else ""
                what = f"expected one of {', '.join(may_have)}, got {signal.name!r}{hint}"
                problems.append(lines.problem(what, message.name, signal.name))
            field = _field(message, signal, lines)
            if isinstance(field, Problem):
                problems.append(field)
            else:
                layout.append(field)
        fields.append(layout)
    problems += _indistinguishable(names, data_ids, lines)
    if problems:
        raise ConfigError(problems)

    flat = [field for layout in fields for field in layout]
    ints = {
        key: np.array([getattr(field, key) for field in flat], np.int64)
        for key in ("byte", "bit", "size", "step", "raw_low", "raw_high", "raw_missing")
    }
    table = FrameCodec(
        can_id=np.array([m.frame_id | (EXTENDED if m.is_extended_frame else 0) for m in chosen], np.int64),
        length=np.array([message.length for message in chosen], np.int64),
        data_id=np.array([data_id for data_id, _ in data_ids], np.int64),
        mode=np.array([mode for _, mode in data_ids], np.int64),
        first=np.cumsum([0, *map(len, fields)], dtype=np.int64),
        signed=np.array([field.signed for field in flat], np.bool_),
        factor=np.array([field.factor for field in flat], np.float64),
        offset=np.array([field.offset for field in flat], np.float64),
        has_missing=np.array([field.has_missing for field in flat], np.bool_),
        **ints,
    )
    return Codec(
        table=table,
        frames=names,
        signals=tuple(tuple(signal.name for signal in payload) for payload in payloads),
        units=tuple(tuple(signal.unit or "" for signal in payload) for payload in payloads),
        senders=tuple(tuple(message.senders) for message in chosen),
        fd=tuple(map(_is_fd, chosen)),
    )


def frames_in(path: Path) -> dict[str, tuple[str, ...]]:
    """Every frame of a DBC file by its name, with the names of its signals but ``crc`` and ``alive``.

    Raises ConfigError if the file can't be read; whether the frames are sound is :func:`load_codec`'s to say.
    """
    return {
        message.name: tuple(s.name for s in message.signals if s.name not in _PROTECTION)
        for message in read_dbc(path).database.messages
    }


def _double(message: Any, lines: Lines) -> list[Problem]:
    """The same name or identifier for two frames: cantools would silently keep the last."""
    problems = []
    places = lines.frame.get(message.name, [])
    if len(places) > 1:
        what = f"expected one frame of this name; it is defined again at line {places[1]}"
        problems.append(lines.problem(what, message.name))
    key = message.frame_id | (EXTENDED if message.is_extended_frame else 0)
    shared = lines.identifier.get(key, [])
    if len(shared) > 1 and len(places) <= 1:
        where = ", ".join(str(number) for number in shared)
        what = f"expected an identifier of its own; {message.frame_id:#x} is used at lines {where}"
        problems.append(lines.problem(what, message.name))
    return problems


def _frame(message: Any, lines: Lines) -> tuple[list[Problem], int, int, list[Any]]:
    """Problems, data id, its mode and payload signals of one frame."""
    problems = []
    name = message.name
    if message.length > MAX_DATA:
        problems.append(lines.problem(f"expected at most {MAX_DATA} bytes, got {message.length}", name))
    elif message.length > CLASSICAL_BYTES and message.length not in LONG_LENGTHS:
        more = ", ".join(map(str, LONG_LENGTHS))
        what = f"expected up to {CLASSICAL_BYTES} or {more} bytes, as CAN FD has them, got {message.length}"
        problems.append(lines.problem(what, name))
    if any(signal.is_multiplexer or signal.multiplexer_ids for signal in message.signals):
        what = (
            "expected a plain frame; multiplexed ones are not supported: give each variant its own identifier"
        )
        problems.append(lines.problem(what, name))
    attributes = message.dbc.attributes if message.dbc is not None else {}
    data_id = int(attributes["DataId"].value) if "DataId" in attributes else -1
    if data_id > 0xFFFF:
        problems.append(lines.problem(f"expected a DataId of 16 bits or -1, got {data_id}", name))
    if data_id < 0:
        return problems, -1, BOTH, list(message.signals)
    mode = BOTH
    if "E2EMode" in attributes:
        value, labels = attributes["E2EMode"].value, attributes["E2EMode"].definition.choices or ()
        # a DBC gives a value of a list by its place in it
        named = labels[value] if isinstance(value, int) and 0 <= value < len(labels) else value
        if named in MODES:
            mode = MODES.index(named)
        else:
            what = f"expected an E2EMode among {', '.join(MODES)}, got {named!r}"
            problems.append(lines.problem(what, name))
    for wanted, place in zip(_PROTECTION, ((0, 0, 8), (1, 0, 4)), strict=True):
        signal = next((s for s in message.signals if s.name == wanted), None)
        if signal is None or signal.is_signed or (*_place(signal)[:2], signal.length) != place:
            what = (
                f"expected unsigned signal {wanted!r} of {place[2]} bits at bit 0 of byte {place[0]}, "
                "because the frame has a DataId (E2E profile 1)"
            )
            problems.append(lines.problem(what, name, wanted if signal is not None else ""))
    payload = [signal for signal in message.signals if signal.name not in _PROTECTION]
    if mode == NIBBLE:
        for signal in payload:
            if not _NIBBLE_BITS.isdisjoint(_bits(signal)):
                what = "expected no signal in bits 12 to 15: in nibble mode they carry part of the DataId"
                problems.append(lines.problem(what, name, signal.name))
    return problems, data_id, mode, payload


def _is_fd(message: Any) -> bool:
    """By the attribute VFrameFormat, as is the custom, or because it is longer than classical frames are."""
    return bool(message.is_fd) or message.length > CLASSICAL_BYTES


def _bits(signal: Any) -> list[int]:
    """Bits a signal takes, as the DBC counts them: 8 times the byte plus the place in it."""
    if signal.byte_order == "little_endian":
        return list(range(signal.start, signal.start + signal.length))
    first = 8 * (signal.start // 8) + 7 - signal.start % 8
    return [8 * (i // 8) + 7 - i % 8 for i in range(first, first + signal.length)]


def _bits_taken(message: Any, lines: Lines) -> list[Problem]:
    """Signals that reach beyond their frame or into each other, with the bits as the DBC counts them."""
    problems = []
    size = 8 * message.length
    owner: dict[int, str] = {}
    for signal in message.signals:
        if signal.is_multiplexer or signal.multiplexer_ids:
            continue  # refused anyway, and its variants share their bits
        bits = _bits(signal)
        beyond = [bit for bit in bits if bit >= size]
        if beyond:
            what = (
                f"expected bits 0 to {size - 1} of the frame's {message.length} bytes, got bit {max(beyond)}"
            )
            problems.append(lines.problem(f"{what}: move it or shorten it", message.name, signal.name))
        others = {owner[bit]: bit for bit in reversed(bits) if bit in owner}
        for other, bit in others.items():
            what = f"expected bits of its own; bit {bit} belongs to {other}, too"
            problems.append(lines.problem(what, message.name, signal.name))
        owner.update(dict.fromkeys(bits, signal.name))
    return problems


def _place(signal: Any) -> tuple[int, int, int]:
    """Byte and bit of the least significant bit, and the step to the byte with the next higher bits.

    A Motorola signal's start names its *most* significant bit, and counts on downwards in a byte.
    """
    if signal.byte_order == "little_endian":
        return signal.start // 8, signal.start % 8, 1
    last = 8 * (signal.start // 8) + (7 - signal.start % 8) + signal.length - 1
    return last // 8, 7 - last % 8, -1


def _field(message: Any, signal: Any, lines: Lines) -> _Field | Problem:
    """One payload signal compiled, or what is wrong with it."""
    name, factor, offset, size = message.name, float(signal.scale), float(signal.offset), signal.length
    if signal.is_float:
        return lines.problem("expected an integer signal; float ones are not supported", name, signal.name)
    if size > _LONGEST_SIGNAL:
        what = f"expected at most {_LONGEST_SIGNAL} bits, got {size}"
        return lines.problem(what, name, signal.name)
    if factor == 0 or not np.isfinite(factor) or not np.isfinite(offset):
        what = f"expected a factor other than 0 and a finite offset, got ({factor:g},{offset:g})"
        return lines.problem(what, name, signal.name)
    field_low, field_high = (
        (-(1 << size - 1), (1 << size - 1) - 1) if signal.is_signed else (0, (1 << size) - 1)
    )
    code = field_low if signal.is_signed else field_high
    low, high = field_low, field_high
    if signal.minimum is not None and signal.maximum is not None:
        ends = sorted(_code(float(end), factor, offset) for end in (signal.minimum, signal.maximum))
        low, high = max(field_low, ends[0]), min(field_high, ends[1])
    if low > high or (signal.minimum is not None and signal.minimum > signal.maximum):
        what = (
            f"expected a range [minimum|maximum] that the {size} bits reach, "
            f"got [{signal.minimum:g}|{signal.maximum:g}]"
        )
        return lines.problem(what, name, signal.name)
    has_missing = not low <= code <= high
    missing = code if has_missing else min(max(_code(0.0, factor, offset), low), high)
    byte, bit, step = _place(signal)
    return _Field(
        byte, bit, size, step, bool(signal.is_signed), factor, offset, low, high, missing, has_missing
    )


def _code(value: float, factor: float, offset: float) -> int:
    """The raw value nearest to a physical one; one beyond any field where it is beyond all numbers."""
    code = (value - offset) / factor
    return 0 if math.isnan(code) else round(min(max(code, -_BEYOND_CODES), _BEYOND_CODES))


def _indistinguishable(
    names: Sequence[str], data_ids: Sequence[tuple[int, int]], lines: Lines
) -> list[Problem]:
    """Protected frames whose data ids enter the CRC alike: one sent as the other would never be noticed."""
    problems = []
    seen: list[tuple[str, int, int]] = []
    for name, (data_id, mode) in zip(names, data_ids, strict=True):
        if not 0 <= data_id <= 0xFFFF:
            continue
        for other, its_id, its_mode in seen:
            if mode == its_mode == NIBBLE and (data_id ^ its_id) & 0x0F00:
                continue  # what is sent along tells them apart
            if any(profile_1_start(data_id, mode, n) == profile_1_start(its_id, its_mode, n) for n in (0, 1)):
                what = (
                    f"expected a DataId that the CRC can tell from that of {other}; {data_id} can't: "
                    "change one"
                )
                if its_id == data_id:
                    what = f"expected a DataId of its own; {other} has {data_id}, too"
                problems.append(lines.problem(what, name))
                break
        seen.append((name, data_id, mode))
    return problems
