"""Frames of a DBC file compiled into a codec: layouts read once with cantools, every problem at its line."""

from __future__ import annotations

import difflib
import math
from collections.abc import Collection, Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import uncompiled
from emulator.core.errors import ConfigError, Problem
from emulator.core.frame_buffer import EXTENDED, MAX_DATA
from emulator.core.signals import COUNTING, UNITS
from emulator.wire.can_frames import Codec, DbcNames, FrameCodec
from emulator.wire.can_timing import CLASSICAL_BYTES, LONG_LENGTHS
from emulator.wire.dbc_file import DbcFrame, DbcSignal, Lines, read_dbc
from emulator.wire.e2e import (
    BARE,
    BOTH,
    COUNTERS,
    MODES,
    NIBBLE,
    PROFILE_1,
    PROFILE_2,
    PROFILE_5,
    profile_1_start,
)
from emulator.wire.frame_map import FrameMap, Guard, SignalMap

_LONGEST_SIGNAL = 32
_BEYOND_CODES = 2.0**40
_PROTECTION = ("crc", "alive")


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
    wraps: int


def load_codec(
    path: Path,
    frames: Sequence[str],
    known: Mapping[str, Collection[str]] | None = None,
    maps: Mapping[str, FrameMap] | None = None,
) -> Codec:
    """Read a DBC file and compile the named frames, in that order, into a Codec.

    known  of frames that can't carry just anything: the signals each may have
    maps   of frames that have another name there, by ours; they are held against the file beforehand

    Signals are in order of their start bit (as cantools lists them), without ``crc`` and ``alive`` of
    protected frames. Accepted: Intel and Motorola, signed and unsigned, 1..32 bits, 11 and 29-bit
    identifiers, classical and FD lengths. Text is read as UTF-8, else as Windows-1252.

    Raises ConfigError with every problem found: no such file, bad syntax, signals that overlap or reach
    beyond their frame, a frame missing or defined twice, two frames with one identifier, multiplexed, float
    or longer signals, factor 0, a range no raw value reaches, protection fields misplaced, data ids the CRC
    can't tell apart, a signal that its frame may not have.
    """
    known_frames, lines = read_dbc(path)
    messages = {message.name: message for message in known_frames}
    maps = maps or {}

    problems: list[Problem] = []
    found: list[_Frame] = []
    for name in dict.fromkeys(frames):
        wanted = maps[name].frame if name in maps else name
        if wanted not in messages:
            near = difflib.get_close_matches(wanted, messages, 1)
            hint = f"; did you mean {near[0]!r}?" if near else f"; it has {', '.join(messages) or 'none'}"
            problems.append(lines.problem(f"expected a frame of this name in the file{hint}", wanted))
        else:
            message = messages[wanted]
            problems += _double(message, lines)
            frame = _mapped(name, message, maps[name]) if name in maps else _own(message, lines, problems)
            found.append(frame)
            problems += _shape(message, lines)
            problems += _bits_taken(message, lines)
            may_have = None if name in maps else (known or {}).get(name)
            problems += _strangers(frame, may_have, lines)
    fields: list[list[_Field]] = []
    base = np.zeros((len(found), MAX_DATA), np.uint8)
    for f, frame in enumerate(found):
        layout = []
        for signal, mapped, ours in zip(frame.payload, frame.maps, frame.names, strict=True):
            field = _field(frame.message, signal, lines, mapped, ours)
            if isinstance(field, Problem):
                problems.append(field)
            else:
                layout.append(field)
        fields.append(layout)
        for signal, value in frame.others:
            field = _field(frame.message, signal, lines)
            if isinstance(field, Problem):
                problems.append(field)
            elif frame.message.length <= MAX_DATA and not _beyond(frame.message, signal):
                _write(base[f], field, value)
    problems += _indistinguishable([(frame.message.name, frame.guard) for frame in found], lines)
    if problems:
        raise ConfigError(problems)

    flat = [field for layout in fields for field in layout]
    chosen, guards = [frame.message for frame in found], [frame.guard for frame in found]
    ints = {
        key: np.array([getattr(field, key) for field in flat], np.int64)
        for key in ("byte", "bit", "size", "step", "raw_low", "raw_high", "raw_missing", "wraps")
    }
    ints |= {
        key: np.array([getattr(guard, key) for guard in guards], np.int64)
        for key in ("profile", "header", "data_id", "mode")
    }
    table = FrameCodec(
        can_id=np.array([m.frame_id | (EXTENDED if m.is_extended_frame else 0) for m in chosen], np.int64),
        length=np.array([message.length for message in chosen], np.int64),
        counters=np.array([COUNTERS[guard.profile] for guard in guards], np.int64),
        data_ids=np.array([guard.data_ids or (0,) * 16 for guard in guards], np.uint8).reshape(-1, 16),
        base=base,
        first=np.cumsum([0, *map(len, fields)], dtype=np.int64),
        signed=np.array([field.signed for field in flat], np.bool_),
        factor=np.array([field.factor for field in flat], np.float64),
        offset=np.array([field.offset for field in flat], np.float64),
        has_missing=np.array([field.has_missing for field in flat], np.bool_),
        **ints,
    )
    return Codec(
        table=table,
        frames=tuple(frame.name for frame in found),
        signals=tuple(frame.names for frame in found),
        units=tuple(frame.units for frame in found),
        senders=tuple(tuple(message.senders) for message in chosen),
        fd=tuple(map(_is_fd, chosen)),
        in_dbc=tuple(
            DbcNames(
                frame.message.name,
                tuple(signal.name for signal in frame.payload),
                tuple(mapped.unit for mapped in frame.maps),
            )
            for frame in found
        ),
        profiles=tuple(guard.name for guard in guards),
    )


class _Frame(NamedTuple):
    """A frame on its way into the table.

    name     ours; names, units: of its payload signals, likewise
    payload  signals of the DBC, and ``maps`` that lead to them
    others   signals that carry nothing of ours, and what they are sent as (None: not available)
    """

    name: str
    message: DbcFrame
    guard: Guard
    payload: list[DbcSignal]
    maps: list[SignalMap]
    names: tuple[str, ...]
    units: tuple[str, ...]
    others: list[tuple[DbcSignal, float | None]]


def _own(message: DbcFrame, lines: Lines, problems: list[Problem]) -> _Frame:
    """A frame under our own names, protected as its attributes say; what is wrong goes to ``problems``."""
    guard = _guard(message, lines, problems)
    payload = [signal for signal in message.signals if signal.name not in guard.signals]
    names, units = tuple(s.name for s in payload), tuple(s.unit or "" for s in payload)
    maps = [SignalMap(name, unit) for name, unit in zip(names, units, strict=True)]
    return _Frame(message.name, message, guard, payload, maps, names, units, [])


def _mapped(name: str, message: DbcFrame, frame_map: FrameMap) -> _Frame:
    """A frame under the DBC's names; its payload in the order of the start bits, as without a map."""
    ours = {mapped.signal: signal for signal, mapped in frame_map.signals.items()}
    payload = [signal for signal in message.signals if signal.name in ours]
    names = tuple(ours[signal.name] for signal in payload)
    return _Frame(
        name,
        message,
        frame_map.guard,
        payload,
        [frame_map.signals[ours_] for ours_ in names],
        names,
        tuple(UNITS.get(ours_, "1") for ours_ in names),
        [
            (signal, frame_map.fixed.get(signal.name))
            for signal in message.signals
            if signal.name not in ours and signal.name not in frame_map.guard.signals
        ],
    )


def frames_in(path: Path) -> dict[str, tuple[str, ...]]:
    """Every frame of a DBC file by its name, with the names of its signals but ``crc`` and ``alive``.

    Raises ConfigError if the file can't be read; whether the frames are sound is :func:`load_codec`'s to say.
    """
    return {
        message.name: tuple(s.name for s in message.signals if s.name not in _PROTECTION)
        for message in read_dbc(path).frames
    }


def _double(message: DbcFrame, lines: Lines) -> list[Problem]:
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


def _shape(message: DbcFrame, lines: Lines) -> list[Problem]:
    """What no frame of this bench can be: too long, multiplexed."""
    problems, name = [], message.name
    if message.length > MAX_DATA:
        problems.append(lines.problem(f"expected at most {MAX_DATA} bytes, got {message.length}", name))
    elif message.length > CLASSICAL_BYTES and message.length not in LONG_LENGTHS:
        more = ", ".join(map(str, LONG_LENGTHS))
        what = f"expected up to {CLASSICAL_BYTES} or {more} bytes, as CAN FD has them, got {message.length}"
        problems.append(lines.problem(what, name))
    if any(signal.multiplexed for signal in message.signals):
        what = (
            "expected a plain frame; multiplexed ones are not supported: give each variant its own identifier"
        )
        problems.append(lines.problem(what, name))
    return problems


def _guard(message: DbcFrame, lines: Lines, problems: list[Problem]) -> Guard:
    """Protection by the message's own attributes; what is wrong with it goes to ``problems``."""
    name = message.name
    data_id = -1 if message.data_id is None else message.data_id
    if data_id > 0xFFFF:
        problems.append(lines.problem(f"expected a DataId of 16 bits or -1, got {data_id}", name))
    if data_id < 0:
        return Guard()
    mode = BOTH
    if message.e2e_mode in MODES:
        mode = MODES.index(message.e2e_mode)
    elif message.e2e_mode is not None:
        what = f"expected an E2EMode among {', '.join(MODES)}, got {message.e2e_mode!r}"
        problems.append(lines.problem(what, name))
    guard = Guard(PROFILE_1, 0, data_id, mode, (), _PROTECTION, "profile 1")
    for said, wanted in misplaced(message, guard, ("the frame has a DataId (E2E profile 1)",) * 2):
        problems.append(lines.problem(said, name, wanted))
    problems += [lines.problem(what, name, signal) for what, signal in in_the_nibble(message, guard)]
    return guard


def header_fields(guard: Guard) -> tuple[tuple[int, int, int], tuple[int, int, int]]:
    """Where CRC and counter stand: (byte, bit, size) of each."""
    at = guard.header
    if guard.profile == PROFILE_5:
        return (at, 0, 16), (at + 2, 0, 8)
    return (at, 0, 8), (at + 1, 0, 4)


def misplaced(message: DbcFrame, guard: Guard, why: tuple[str, str]) -> list[tuple[str, str]]:
    """(what was expected, signal or '' where there is none) of a CRC or counter that is not as it has to be.

    why  goes into the words for the one and the other
    """
    found = []
    for wanted, place, because in zip(guard.signals, header_fields(guard), why, strict=True):
        signal = next((s for s in message.signals if s.name == wanted), None)
        if signal is None or signal.is_signed or not _stands_at(signal, place):
            found.append(
                (
                    f"expected unsigned signal {wanted!r} of {place[2]} bits at bit {place[1]} of byte "
                    f"{place[0]}, because {because}",
                    wanted if signal is not None else "",
                )
            )
    return found


def _stands_at(signal: DbcSignal, place: tuple[int, int, int]) -> bool:
    """Whether its lowest bit is there and the others follow; in one byte the byte order does not matter."""
    one_byte = place[1] + place[2] <= 8
    return (*_place(signal)[:2], signal.length) == place and (one_byte or _place(signal)[2] == 1)


def in_the_nibble(message: DbcFrame, guard: Guard) -> list[tuple[str, str]]:
    """(what was expected, signal) of payload where nibble mode sends part of the data id."""
    if guard.profile != PROFILE_1 or guard.mode != NIBBLE:
        return []
    low = 8 * (guard.header + 1) + 4
    taken = set(range(low, low + 4))
    what = f"expected no signal in bits {low} to {low + 3}: in nibble mode they carry part of the DataId"
    return [
        (what, signal.name)
        for signal in message.signals
        if signal.name not in guard.signals and not taken.isdisjoint(_bits(signal))
    ]


def _strangers(frame: _Frame, may_have: Collection[str] | None, lines: Lines) -> list[Problem]:
    """Signals that their frame may not have."""
    problems = []
    for signal in frame.names if may_have is not None else ():
        if may_have is not None and signal not in may_have:
            near = difflib.get_close_matches(signal, may_have, 1)
            hint = f", did you mean {near[0]!r}?" if near else ""
            what = f"expected one of {', '.join(may_have)}, got {signal!r}{hint}"
            problems.append(lines.problem(what, frame.message.name, signal))
    return problems


def _is_fd(message: DbcFrame) -> bool:
    """By the attribute VFrameFormat, as is the custom, or because it is longer than classical frames are."""
    return bool(message.is_fd) or message.length > CLASSICAL_BYTES


def _bits(signal: DbcSignal) -> list[int]:
    """Bits a signal takes, as the DBC counts them: 8 times the byte plus the place in it."""
    if signal.byte_order == "little_endian":
        return list(range(signal.start, signal.start + signal.length))
    first = 8 * (signal.start // 8) + 7 - signal.start % 8
    return [8 * (i // 8) + 7 - i % 8 for i in range(first, first + signal.length)]


def _bits_taken(message: DbcFrame, lines: Lines) -> list[Problem]:
    """Signals that reach beyond their frame or into each other, with the bits as the DBC counts them."""
    problems = []
    size = 8 * message.length
    owner: dict[int, str] = {}
    for signal in message.signals:
        if signal.multiplexed:
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


def _place(signal: DbcSignal) -> tuple[int, int, int]:
    """Byte and bit of the least significant bit, and the step to the byte with the next higher bits.

    A Motorola signal's start names its *most* significant bit, and counts on downwards in a byte.
    """
    if signal.byte_order == "little_endian":
        return signal.start // 8, signal.start % 8, 1
    last = 8 * (signal.start // 8) + (7 - signal.start % 8) + signal.length - 1
    return last // 8, 7 - last % 8, -1


def _field(
    message: DbcFrame, signal: DbcSignal, lines: Lines, mapped: SignalMap | None = None, ours: str = ""
) -> _Field | Problem:
    """One signal compiled, or what is wrong with it; factor and offset lead to our unit."""
    name, factor, offset, size = message.name, float(signal.scale), float(signal.offset), signal.length
    if signal.is_float:
        return lines.problem("expected an integer signal; float ones are not supported", name, signal.name)
    if size > _LONGEST_SIGNAL:
        what = f"expected at most {_LONGEST_SIGNAL} bits, got {size}"
        return lines.problem(what, name, signal.name)
    if factor == 0 or not np.isfinite(factor) or not np.isfinite(offset):
        what = f"expected a factor other than 0 and a finite offset, got ({factor:g},{offset:g})"
        return lines.problem(what, name, signal.name)
    codes = raw_range(signal)
    if codes is None:
        what = (
            f"expected a range [minimum|maximum] that the {size} bits reach, "
            f"got [{signal.minimum:g}|{signal.maximum:g}]"
        )
        return lines.problem(what, name, signal.name)
    low, high = codes
    code = -(1 << size - 1) if signal.is_signed else (1 << size) - 1
    if mapped is not None:
        factor, offset = factor * mapped.scale, offset * mapped.scale + mapped.shift
    has_missing = not low <= code <= high
    missing = code if has_missing else min(max(_code(0.0, factor, offset), low), high)
    byte, bit, step = _place(signal)
    wraps = high - low + 1 if ours in COUNTING else 0
    signed = bool(signal.is_signed)
    return _Field(byte, bit, size, step, signed, factor, offset, low, high, missing, has_missing, wraps)


def raw_range(signal: DbcSignal) -> tuple[int, int] | None:
    """Lowest and highest raw value of a DBC's signal that stands for a number; None where none does."""
    factor, offset, size = float(signal.scale), float(signal.offset), signal.length
    if signal.is_float or size > _LONGEST_SIGNAL or factor == 0 or not np.isfinite([factor, offset]).all():
        return None
    low, high = (-(1 << size - 1), (1 << size - 1) - 1) if signal.is_signed else (0, (1 << size) - 1)
    if signal.minimum is not None and signal.maximum is not None:
        if signal.minimum > signal.maximum:
            return None
        ends = sorted(_code(float(end), factor, offset) for end in (signal.minimum, signal.maximum))
        low, high = max(low, ends[0]), min(high, ends[1])
    return (low, high) if low <= high else None


def _write(row: NDArray[np.uint8], field: _Field, value: float | None) -> None:
    """Put a number, or "not available", into the bits of a signal."""
    raw = field.raw_missing
    if value is not None:
        raw = min(field.raw_high, max(field.raw_low, round((value - field.offset) / field.factor)))
    byte, bit = field.byte, field.bit
    for k in range(field.size):
        row[byte] |= (raw >> k & 1) << bit
        bit += 1
        if bit == 8:
            byte, bit = byte + field.step, 0


def _beyond(message: DbcFrame, signal: DbcSignal) -> bool:
    return bool(max(_bits(signal)) >= 8 * message.length)


def _code(value: float, factor: float, offset: float) -> int:
    """The raw value nearest to a physical one; one beyond any field where it is beyond all numbers."""
    code = (value - offset) / factor
    return 0 if math.isnan(code) else round(min(max(code, -_BEYOND_CODES), _BEYOND_CODES))


def _indistinguishable(frames: Sequence[tuple[str, Guard]], lines: Lines) -> list[Problem]:
    """Protected frames whose data ids enter the CRC alike: one sent as the other would never be noticed."""
    problems = []
    for i, (name, guard) in enumerate(frames):
        other = next((its_name for its_name, its in frames[:i] if alike(guard, its)), None)
        if other is None:
            continue
        its = dict(frames[:i])[other]
        if guard.profile == PROFILE_2:
            what = f"expected data ids of its own; {other} has the same"
        elif its.data_id == guard.data_id:
            what = f"expected a DataId of its own; {other} has {guard.data_id}, too"
        else:
            what = (
                f"expected a DataId that the CRC can tell from that of {other}; {guard.data_id} can't: "
                "change one"
            )
        problems.append(lines.problem(what, name))
    return problems


def alike(one: Guard, other: Guard) -> bool:
    """Whether the CRCs of two frames are the same function of their bytes.

    Of profile 2: with every counter. Data ids out of range are told elsewhere.
    """
    if one.profile != other.profile or one.header != other.header or one.profile == BARE:
        return False
    if one.profile == PROFILE_2:
        return one.data_ids == other.data_ids
    if max(one.data_id, other.data_id) > 0xFFFF:
        return False
    if one.profile == PROFILE_5:
        return one.data_id == other.data_id
    if one.mode == other.mode == NIBBLE and (one.data_id ^ other.data_id) & 0x0F00:
        return False  # what is sent along tells them apart
    start = uncompiled(profile_1_start)
    return any(start(one.data_id, one.mode, n) == start(other.data_id, other.mode, n) for n in (0, 1))
