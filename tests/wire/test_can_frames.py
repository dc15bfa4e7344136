"""Frames against cantools bit for bit, the shipped DBC against the signal table, and broken DBC files."""

from __future__ import annotations

import contextlib
import math
from pathlib import Path
from typing import Any, NamedTuple

import cantools
import e2e
import numba
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numba.core.runtime import _nrt_python, rtsys
from numpy.typing import NDArray

from emulator.core.errors import ConfigError
from emulator.core.frame_buffer import EXTENDED
from emulator.core.signals import SIGNALS
from emulator.wire.can_frames import Codec, FrameCodec, check, find, pack, protect, unpack
from emulator.wire.dbc_frames import load_codec

BENCH = Path(__file__).parents[2] / "scenarios" / "rigs" / "bench.dbc"
FRAMES = [
    *("bench_inputs", "steering", "drive", "gear"),
    *("imu_rates", "imu_force", "lean", "steering_angle", "wheel_speed", "engine", "emulator_state"),
    *("wheel_pulses_front", "wheel_pulses_rear"),
    *("levers", "suspension", "drive_torque"),
    *("estimate_pose", "estimate_motion"),
]

THEIRS = cantools.database.load_file(BENCH)


@pytest.fixture(scope="module")
def bench() -> Codec:
    return load_codec(BENCH, FRAMES)


def codec_of(text: str, folder: Path, *frames: str) -> Codec:
    path = folder / "made.dbc"
    path.write_text(text, encoding="utf-8")
    return load_codec(path, frames or ("made",))


def packed(codec: Codec, frame: str, **values: float) -> bytes:
    """The frame with the named values, all others not available."""
    f = codec.frame(frame)
    row = np.full(codec.most_signals, np.nan)
    for name, value in values.items():
        row[codec.signal(frame, name)] = value
    data = np.full(64, 0xAA, np.uint8)  # junk that pack has to clear
    pack(codec.table, f, row, data)
    length = int(codec.table.length[f])
    assert not data[length:].any()
    return data[:length].tobytes()


def unpacked(codec: Codec, frame: str, data: bytes) -> dict[str, float]:
    f = codec.frame(frame)
    row = np.full(codec.most_signals, 12345.0)
    unpack(codec.table, f, np.frombuffer(data.ljust(64, b"\xff"), np.uint8).copy(), row)
    count = len(codec.signals[f])
    assert (row[count:] == 12345.0).all()
    return dict(zip(codec.signals[f], row[:count].tolist(), strict=True))


# --- any layout, against cantools ---------------------------------------------------------------------


class Layout(NamedTuple):
    text: str
    fractions: list[float]
    payload: bytes


def bits_of(motorola: bool, start: int, size: int, length: int) -> set[int] | None:
    """Bit numbers (byte * 8 + place, 0 the lowest) a DBC signal covers; None where it leaves the frame."""
    bits, bit = set(), start
    for _ in range(size):
        if not 0 <= bit < 8 * length:
            return None
        bits.add(bit)
        # Motorola: from the most significant bit down the byte, then to the top of the next byte.
        bit = (bit + 15 if bit % 8 == 0 else bit - 1) if motorola else bit + 1
    return bits


@st.composite
def layouts(draw: st.DrawFn) -> Layout:
    length = draw(st.sampled_from([1, 2, 3, 5, 8, 8, 8, 12, 16, 20, 24, 32, 48, 64]))
    lines, used = [], set[int]()
    for n in range(draw(st.integers(1, 12))):
        motorola, signed = draw(st.booleans()), draw(st.booleans())
        start, size = draw(st.integers(0, 8 * length - 1)), draw(st.integers(1, 32))
        bits = bits_of(motorola, start, size, length)
        if bits is None or bits & used:
            continue
        used |= bits
        factor = draw(st.sampled_from([1, 1, 2, -3, 0.5, 0.005, 0.0001, 250, -0.1]) | st.floats(1e-5, 1e3))
        offset = draw(st.sampled_from([0, 0, 0, -40, 100, 0.5, -273.15]))
        low, high = (-(1 << size - 1), (1 << size - 1) - 1) if signed else (0, (1 << size) - 1)
        if draw(st.booleans()):  # a range that leaves out "not available", if there is room
            low, high = (low + 1, high) if signed else (low, high - 1)
        ends = sorted((low * factor + offset, high * factor + offset))
        if draw(st.booleans()) or low > high:
            ends = [0, 0]  # the DBC's way of stating no range
        lines.append(
            f" SG_ s{n} : {start}|{size}@{0 if motorola else 1}{'-' if signed else '+'} "
            f'({factor!r},{offset!r}) [{ends[0]!r}|{ends[1]!r}] "" R'
        )
    if not lines:
        lines.append(' SG_ s0 : 0|1@1+ (1,0) [0|0] "" R')
    text = f'VERSION ""\n\nBU_: R\n\nBO_ 291 made: {length} R\n' + "\n".join(lines) + "\n"
    fractions = draw(st.lists(st.floats(0, 1), min_size=len(lines), max_size=len(lines)))
    return Layout(text, fractions, draw(st.binary(min_size=length, max_size=length)))


def ends_of(signal: Any) -> tuple[int, int]:
    """Lowest and highest raw value the field can hold."""
    bits = signal.length
    return (-(1 << bits - 1), (1 << bits - 1) - 1) if signal.is_signed else (0, (1 << bits) - 1)


@settings(max_examples=120)
@given(layout=layouts())
def test_every_layout_equals_cantools(layout: Layout, tmp_path_factory: pytest.TempPathFactory) -> None:
    codec = codec_of(layout.text, tmp_path_factory.getbasetemp())
    database = cantools.database.load_string(layout.text, "dbc")
    message = database.get_message_by_name("made")

    sent = {}
    for signal, fraction in zip(message.signals, layout.fractions, strict=True):
        low, high = ends_of(signal)
        if signal.minimum is not None:
            low, high = sorted(
                round((end - signal.offset) / signal.scale) for end in (signal.minimum, signal.maximum)
            )
        raw = low + fraction * (high - low)
        halves = math.floor(raw) + 0.5  # the case that rounding rules differ in
        raw = halves if fraction * 1000 % 1 < 0.5 and low <= halves <= high else raw
        sent[signal.name] = float(raw * signal.scale + signal.offset)
    assert packed(codec, "made", **sent) == message.encode(sent, strict=False)

    theirs = message.decode(layout.payload, decode_choices=False)
    raws = message.decode(layout.payload, decode_choices=False, scaling=False)
    for name, value in unpacked(codec, "made", layout.payload).items():
        signal = message.get_signal_by_name(name)
        low, high = ends_of(signal)
        code = low if signal.is_signed else high
        physical = code * signal.scale + signal.offset
        step = abs(signal.scale) / 2
        left_out = signal.minimum is not None and not (
            signal.minimum - step < physical < signal.maximum + step
        )
        if raws[name] == code and left_out:
            assert math.isnan(value), name
        else:
            assert value == float(theirs[name]), name


def test_halves_round_to_even(tmp_path: Path) -> None:
    codec = codec_of('VERSION ""\nBU_: R\nBO_ 1 made: 1 R\n SG_ s : 0|8@1- (2,0) [0|0] "" R\n', tmp_path)
    assert [packed(codec, "made", s=v)[0] for v in (1.0, 3.0, 5.0, 7.0)] == [0, 2, 2, 4]
    assert packed(codec, "made", s=-3.0) == b"\xfe"


# --- the shipped bus ------------------------------------------------------------------------------------


def test_bench_carries_the_signal_table(bench: Codec) -> None:
    by_sender = {"EMULATOR": "output.", "ROBOT": "robot.", "BENCH": "bench."}
    carried = {
        by_sender[senders[0]] + name: unit
        for senders, names, units in zip(bench.senders, bench.signals, bench.units, strict=True)
        for name, unit in zip(names, units, strict=True)
    }
    table = {s.name: s.unit for s in SIGNALS if s.name.split(".")[0] in ("output", "robot")}
    off_the_bus = {name for name in table if name.startswith("output.gnss_")}
    assert table.keys() - off_the_bus <= carried.keys()
    assert {n: u for n, u in carried.items() if n in table} == {
        n: table[n] for n in table.keys() - off_the_bus
    }


def test_bench_frames_are_classical_protected_and_ordered_by_urgency(bench: Codec) -> None:
    assert (bench.table.length == 8).all()
    assert (bench.table.can_id < 0x800).all()
    assert len(set(bench.table.data_id.tolist())) == len(FRAMES)
    assert (bench.table.data_id >= 0).all()
    by_id = [name for _, name in sorted(zip(bench.table.can_id.tolist(), bench.frames, strict=True))]
    assert by_id[:4] == ["bench_inputs", "steering", "drive", "gear"]
    assert by_id[-2:] == ["estimate_pose", "estimate_motion"]


@pytest.mark.parametrize(
    ("frame", "needed"),
    [
        ("steering", {"steering_torque_Nm": (-320, 320), "steering_angle_rad": (-1.5, 1.5)}),
        (
            "drive",
            {"throttle": (0, 1), "clutch": (0, 1), "front_brake_Pa": (0, 120e5), "rear_brake_Pa": (0, 120e5)},
        ),
        ("imu_rates", {f"rate_{axis}_rad_s": (-10, 10) for axis in "xyz"}),
        ("imu_force", {f"force_{axis}_m_s2": (-160, 160) for axis in "xyz"}),
        ("lean", {"lean_rad": (-math.pi, math.pi)}),
        ("wheel_speed", {"wheel_front_m_s": (0, 120), "wheel_rear_m_s": (0, 120)}),
        *(
            (f"wheel_pulses_{w}", {f"wheel_{w}_hz": (0, 5000), f"wheel_{w}_edges": (0, 65535)})
            for w in ("front", "rear")
        ),
        ("engine", {"engine_rad_s": (0, 2000), "gear": (0, 6), "throttle": (0, 1)}),
        (
            "levers",
            {"throttle_position": (0, 1), "clutch_position": (0, 1)}
            | {f"{end}_brake_line_Pa": (0, 120e5) for end in ("front", "rear")},
        ),
        ("suspension", {"fork_travel_m": (0, 0.3), "shock_travel_m": (0, 0.2)}),
        ("drive_torque", {"chain_torque_Nm": (-3000, 3000)}),
        ("estimate_pose", {"estimate_x_m": (-5000, 5000), "estimate_y_m": (-5000, 5000)}),
        ("estimate_motion", {"estimate_heading_rad": (-math.pi, math.pi), "estimate_roll_rad": (-1.5, 1.5)}),
    ],
)
def test_bench_ranges_hold_what_the_bike_does(
    bench: Codec, frame: str, needed: dict[str, tuple[float, float]]
) -> None:
    for end in (0, 1):
        wanted = {name: float(ends[end]) for name, ends in needed.items()}
        got = unpacked(bench, frame, packed(bench, frame, **wanted))
        for name, value in wanted.items():
            f, s = bench.frame(frame), bench.signal(frame, name)
            step = bench.table.factor[bench.table.first[f] + s]
            assert abs(got[name] - value) <= step * 0.5000001, name


@settings(max_examples=100)
@given(data=st.data())
def test_bench_equals_cantools_and_comes_back(bench: Codec, data: st.DataObject) -> None:
    frame = data.draw(st.sampled_from(FRAMES))
    message = THEIRS.get_message_by_name(frame)
    sent = {
        name: data.draw(st.floats(float(s.minimum), float(s.maximum)))
        for name in bench.signals[bench.frame(frame)]
        for s in [message.get_signal_by_name(name)]
    }
    ours = packed(bench, frame, **sent)
    assert ours == message.encode({**sent, "crc": 0, "alive": 0})
    for name, value in unpacked(bench, frame, ours).items():
        assert abs(value - sent[name]) <= 0.5000001 * message.get_signal_by_name(name).scale


@pytest.mark.parametrize("frame", FRAMES)
def test_not_available_goes_both_ways(bench: Codec, frame: str) -> None:
    message = THEIRS.get_message_by_name(frame)
    data = packed(bench, frame)
    raws = message.decode(data, decode_choices=False, scaling=False)
    for name, value in unpacked(bench, frame, data).items():
        signal = message.get_signal_by_name(name)
        if name in ("heartbeat", "emulated") or name.endswith("_edges"):  # every code means a number
            assert value == 0
        else:
            assert math.isnan(value), name
            low, high = ends_of(signal)
            assert raws[name] == (low if signal.is_signed else high)


def test_numbers_saturate_and_never_turn_into_not_available(bench: Codec) -> None:
    for value in (1e9, 1e300, math.inf):
        up = unpacked(bench, "wheel_speed", packed(bench, "wheel_speed", wheel_front_m_s=value))
        down = unpacked(bench, "lean", packed(bench, "lean", lean_rad=-value))
        assert up["wheel_front_m_s"] == pytest.approx(327.67)
        assert down["lean_rad"] == pytest.approx(-3.2767)
    throttle = unpacked(bench, "drive", packed(bench, "drive", throttle=1.7, clutch=-0.2))
    assert (throttle["throttle"], throttle["clutch"]) == (1.0, 0.0)


def test_a_code_beyond_the_range_is_decoded_as_it_stands(bench: Codec) -> None:
    data = bytearray(packed(bench, "engine"))
    data[4] = 253
    assert unpacked(bench, "engine", bytes(data))["throttle"] == pytest.approx(1.012)


def test_nan_without_a_code_is_the_valid_value_nearest_to_zero(tmp_path: Path) -> None:
    line = ' SG_ s : 0|8@1+ (1,10) [10|265] "" R\n'
    codec = codec_of('VERSION ""\nBU_: R\nBO_ 1 made: 1 R\n' + line, tmp_path)
    assert packed(codec, "made", s=math.nan) == b"\x00"
    assert unpacked(codec, "made", b"\xff") == {"s": 265.0}


# --- protection -----------------------------------------------------------------------------------------


@settings(max_examples=100)
@given(
    f=st.integers(0, len(FRAMES) - 1), payload=st.binary(min_size=8, max_size=8), counter=st.integers(0, 14)
)
def test_protection_equals_another_implementation(bench: Codec, f: int, payload: bytes, counter: int) -> None:
    ours = np.frombuffer(payload, np.uint8).copy()
    protect(bench.table, f, counter, ours)
    theirs = bytearray(payload)
    theirs[1] = theirs[1] & 0xF0 | counter
    e2e.p01.e2e_p01_protect(theirs, int(bench.table.data_id[f]), increment_counter=False)
    assert ours.tobytes() == bytes(theirs)
    assert check(bench.table, f, ours, 8) == counter


def test_check_notices_every_flipped_bit_and_every_other_sender(bench: Codec) -> None:
    for f in range(len(FRAMES)):
        data = np.zeros(64, np.uint8)
        pack(bench.table, f, np.full(bench.most_signals, 0.3), data)
        protect(bench.table, f, 7, data)
        for bit in range(64):
            data[bit // 8] ^= 1 << bit % 8
            assert check(bench.table, f, data, 8) == -1, bit
            data[bit // 8] ^= 1 << bit % 8
        assert check(bench.table, f, data, 8) == 7
        assert [g for g in range(len(FRAMES)) if check(bench.table, g, data, 8) >= 0] == [f]
        assert check(bench.table, f, data, 7) == -2


def test_counter_wraps_after_14_and_15_is_refused(bench: Codec) -> None:
    data = np.zeros(8, np.uint8)
    protect(bench.table, 0, 15, data)
    assert check(bench.table, 0, data, 8) == 0
    data[1] = 15
    e2e_data = bytearray(data.tobytes())
    e2e.p01.e2e_p01_protect(e2e_data, int(bench.table.data_id[0]), increment_counter=False)
    assert e2e_data[1] == 15  # right CRC, impossible counter
    assert check(bench.table, 0, np.frombuffer(bytes(e2e_data), np.uint8).copy(), 8) == -1


def test_unprotected_frames_are_left_alone(tmp_path: Path) -> None:
    codec = codec_of('VERSION ""\nBU_: R\nBO_ 1 made: 2 R\n SG_ s : 0|16@1+ (1,0) [0|0] "" R\n', tmp_path)
    data = np.array([1, 2], np.uint8)
    protect(codec.table, 0, 5, data)
    assert data.tolist() == [1, 2]
    assert check(codec.table, 0, data, 2) == 0
    assert check(codec.table, 0, data, 1) == -2


def test_find_knows_29_bit_from_11_bit(tmp_path: Path) -> None:
    text = 'VERSION ""\nBU_: R\nBO_ 256 short: 1 R\n SG_ s : 0|8@1+ (1,0) [0|0] "" R\n'
    text += f'BO_ {256 | EXTENDED} long: 1 R\n SG_ s : 0|8@1+ (1,0) [0|0] "" R\n'
    codec = codec_of(text, tmp_path, "short", "long")
    assert find(codec.table, 256) == codec.frame("short")
    assert find(codec.table, 256 | EXTENDED) == codec.frame("long")
    assert find(codec.table, 257) == -1


# common practice, no source: the two of CAN FD are numbers 14 and 15
FORMATS = ["StandardCAN", "ExtendedCAN", *["reserved"] * 12, "StandardCAN_FD", "ExtendedCAN_FD"]


def test_fd_frames_are_told_by_their_attribute_or_by_their_length(tmp_path: Path) -> None:
    signal = ' SG_ s : 0|8@1+ (1,0) [0|0] "" R\n'
    text = 'VERSION ""\nBU_: R\n'
    for number, name, length in (
        (1, "plain", 8), (2, "told", 8), (EXTENDED | 3, "far", 4), (4, "long", 12), (5, "full", 64),
    ):  # fmt: skip
        text += f"BO_ {number} {name}: {length} R\n{signal}"
    formats = ",".join(f'"{name}"' for name in FORMATS)
    text += f'BA_DEF_ BO_ "VFrameFormat" ENUM {formats};\n'
    text += f'BA_ "VFrameFormat" BO_ 2 14;\nBA_ "VFrameFormat" BO_ {EXTENDED | 3} 15;\n'
    names = ("plain", "told", "far", "long", "full")
    codec = codec_of(text, tmp_path, *names)
    assert codec.fd == (False, True, True, True, True)
    assert [codec.shape(name) for name in names] == [
        (8, False, False), (8, False, True), (4, True, True), (12, False, True), (64, False, True),
    ]  # fmt: skip


def test_frames_keep_the_order_asked_for(bench: Codec) -> None:
    turned = load_codec(BENCH, FRAMES[::-1])
    assert list(turned.frames) == FRAMES[::-1]
    assert packed(turned, "engine", gear=3) == packed(bench, "engine", gear=3)
    with pytest.raises(KeyError, match="no frame 'wheels'"):
        bench.frame("wheels")
    with pytest.raises(KeyError, match="no signal 'rpm' in frame engine"):
        bench.signal("engine", "rpm")


@numba.njit
def every_frame(table: FrameCodec, values: NDArray[np.float64], data: NDArray[np.uint8], rounds: int) -> int:
    total = 0
    for counter in range(rounds):
        for f in range(table.can_id.shape[0]):
            pack(table, f, values, data)
            protect(table, f, counter, data)
            unpack(table, find(table, table.can_id[f]), data, values)
            total += check(table, f, data, 8)
    return total


def test_compiled_code_allocates_nothing(bench: Codec) -> None:
    values, data = np.zeros(bench.most_signals), np.zeros(64, np.uint8)

    def allocations(rounds: int) -> int:
        before = rtsys.get_allocation_stats().alloc
        every_frame(bench.table, values, data, rounds)
        return int(rtsys.get_allocation_stats().alloc - before)

    every_frame(bench.table, values, data, 1)
    _nrt_python.memsys_enable_stats()
    try:
        assert allocations(1) > 0  # the arguments themselves; shows that the count works
        assert allocations(1000) == allocations(1)
    finally:
        _nrt_python.memsys_disable_stats()


# --- broken files ---------------------------------------------------------------------------------------

HEAD = 'VERSION ""\nBU_: R\n'
MADE = HEAD + 'BO_ 1 made: 8 R\n SG_ s : 0|8@1+ (1,0) [0|0] "" R\n'
ID_OF_MADE = 'BA_DEF_ BO_ "DataId" INT -1 65535;\nBA_DEF_DEF_ "DataId" -1;\nBA_ "DataId" BO_ 1 {};\n'
GUARD = ' SG_ crc : 0|8@1+ (1,0) [0|0] "" R\n SG_ alive : 8|4@1+ (1,0) [0|0] "" R\n'

MODE = 'BA_DEF_ BO_ "E2EMode" ENUM "both","alternating","low","nibble";\nBA_ "E2EMode" BO_ 1 {};\n'
GUARDED = HEAD + "BO_ 1 made: 8 R\n" + GUARD

BROKEN = [
    (
        MADE.replace("made: 8", "made: 10"),
        3,
        "made: expected up to 8 or 12, 16, 20, 24, 32, 48, 64 bytes, as CAN FD has them, got 10",
    ),
    (
        GUARDED + ' SG_ s : 12|4@1+ (1,0) [0|0] "" R\n' + ID_OF_MADE.format(7) + MODE.format(3),
        6,
        "made.s: expected no signal in bits 12 to 15: in nibble mode they carry part of the DataId",
    ),
    (
        GUARDED + ID_OF_MADE.format(7) + MODE.replace('"low"', '"short"').format(2),
        3,
        "made: expected an E2EMode among both, alternating, low, nibble, got 'short'",
    ),
    (
        MADE.replace("made", "maid"),
        1,
        "made: expected a frame of this name in the file; did you mean 'maid'?",
    ),
    (HEAD, 1, "it has none"),
    (MADE.replace("SG_", "SIG"), 4, "expected DBC syntax"),
    (
        MADE + ' SG_ t : 4|8@1+ (1,0) [0|0] "" R\n',
        5,
        "made.t: expected bits of its own; bit 4 belongs to s, too",
    ),
    (MADE.replace("0|8@", "60|8@"), 4, "made.s: expected bits 0 to 63 of the frame's 8 bytes, got bit 67"),
    # Motorola: 8 bits from bit 3 of the last byte on, downwards
    (MADE.replace("0|8@1", "59|8@0"), 4, "made.s: expected bits 0 to 63 of the frame's 8 bytes, got bit 71"),
    (
        MADE + ' SG_ t : 11|8@0+ (1,0) [0|0] "" R\n SG_ u : 20|4@1+ (1,0) [0|0] "" R\n',
        6,
        "bit 20 belongs to t, too",
    ),
    (MADE.replace("0|8@", "0|33@"), 4, "made.s: expected at most 32 bits, got 33"),
    (MADE.replace("(1,0)", "(0,0)"), 4, "made.s: expected a factor other than 0"),
    (
        MADE.replace("[0|0]", "[300|400]"),
        4,
        "made.s: expected a range [minimum|maximum] that the 8 bits reach",
    ),
    (MADE.replace("[0|0]", "[9|3]"), 4, "made.s: expected a range"),
    (MADE.replace("0|8@", "0|32@") + "SIG_VALTYPE_ 1 s : 1;\n", 4, "made.s: expected an integer signal"),
    (MADE.replace("SG_ s ", "SG_ s M "), 3, "multiplexed ones are not supported"),
    (MADE + MADE.removeprefix(HEAD).replace("BO_ 1", "BO_ 2"), 3, "it is defined again at line 5"),
    (MADE + MADE.removeprefix(HEAD).replace("made", "other"), 3, "0x1 is used at lines 3, 5"),
    (MADE + ID_OF_MADE.format(7), 3, "expected unsigned signal 'crc' of 8 bits at bit 0 of byte 0"),
    (
        HEAD + "BO_ 1 made: 8 R\n" + GUARD.replace("8|4", "12|4") + ID_OF_MADE.format(7),
        5,
        "made.alive: expected",
    ),
    (HEAD + "BO_ 1 made: 8 R\n" + GUARD + ID_OF_MADE.format(70000), 3, "expected a DataId of 16 bits"),
    (MADE.replace("made: 8", "made: 65"), 3, "expected at most 64 bytes, got 65"),
]


@pytest.mark.parametrize(("text", "line", "expected"), BROKEN)
def test_broken_file_is_told_where_and_what(text: str, line: int, expected: str, tmp_path: Path) -> None:
    with pytest.raises(ConfigError) as error:
        codec_of(text, tmp_path)
    first = error.value.problems[0]
    assert expected in str(error.value)
    assert (first.file, first.line) == (str(tmp_path / "made.dbc"), line)


def test_all_problems_come_at_once(tmp_path: Path) -> None:
    with pytest.raises(ConfigError) as error:
        codec_of(MADE.replace("(1,0)", "(0,0)"), tmp_path, "made", "gone", "lost")
    assert [problem.key for problem in error.value.problems] == ["gone", "lost", "made.s"]


def test_missing_and_unreadable_files(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"nowhere\.dbc:1:1: expected a readable DBC file: no such file"):
        load_codec(tmp_path / "nowhere.dbc", ["made"])
    (tmp_path / "binary.dbc").write_bytes(b"VERSION\n\x81\x8d\xff")
    with pytest.raises(ConfigError, match=r"binary\.dbc:2:1: expected text in UTF-8 or Windows-1252"):
        load_codec(tmp_path / "binary.dbc", ["made"])


def test_windows_text_is_read(tmp_path: Path) -> None:
    (tmp_path / "degree.dbc").write_bytes(
        MADE.replace('""  R', '"°" R').replace('"" R', '"°" R').encode("cp1252")
    )
    assert load_codec(tmp_path / "degree.dbc", ["made"]).units == (("°",),)


def test_data_ids_the_crc_cannot_tell_apart_are_refused(tmp_path: Path) -> None:
    def contribution(data_id: int) -> int:
        frame = bytearray(8)
        e2e.p01.e2e_p01_protect(frame, data_id, increment_counter=False)
        return frame[0]

    twin = next(i for i in range(8, 65536) if contribution(i) == contribution(7))
    text = HEAD + "BO_ 1 made: 8 R\n" + GUARD + "BO_ 2 other: 8 R\n" + GUARD
    text += ID_OF_MADE.format(7) + f'BA_ "DataId" BO_ 2 {twin};\n'
    with pytest.raises(
        ConfigError, match=f"6:1: other: expected a DataId .* from that of made; {twin} can't"
    ):
        codec_of(text, tmp_path, "made", "other")


@pytest.mark.parametrize(
    ("one", "other", "apart"),
    [
        ((0x0123, 2), (0x0223, 2), False),  # low: the high byte is not looked at
        ((0x0123, 3), (0x0223, 3), True),  # nibble: it is sent along
        ((0x0123, 3), (0x1123, 3), False),  # but only its low half
        ((0x0123, 1), (0x0124, 1), False),  # alternating: alike with every second counter
        ((0x0123, 0), (0x0223, 0), True),
    ],
)
def test_ids_are_told_apart_as_their_mode_does(one, other, apart, tmp_path: Path) -> None:
    text = GUARDED + "BO_ 2 other: 8 R\n" + GUARD + ID_OF_MADE.format(one[0]) + MODE.format(one[1])
    text += f'BA_ "DataId" BO_ 2 {other[0]};\nBA_ "E2EMode" BO_ 2 {other[1]};\n'
    if apart:
        assert codec_of(text, tmp_path, "made", "other").table.mode.tolist() == [one[1], other[1]]
    else:
        with pytest.raises(ConfigError, match="other: expected a DataId"):
            codec_of(text, tmp_path, "made", "other")


def test_a_frame_of_another_mode_is_noticed(tmp_path: Path) -> None:
    """Packed by one DBC, checked by one that says another mode: the CRC is wrong."""
    codecs = [
        codec_of(GUARDED + ID_OF_MADE.format(0x4321) + MODE.format(mode), tmp_path, "made").table
        for mode in range(4)
    ]
    for mode, sender in enumerate(codecs):
        for counter in (3, 4):
            frame = np.zeros(8, np.uint8)
            pack(sender, 0, np.zeros(1), frame)
            protect(sender, 0, counter, frame)
            found = [check(receiver, 0, frame, 8) for receiver in codecs]
            assert found[mode] == counter
            # low, and alternating with an even counter, are one
            alike = {1, 2} if counter % 2 == 0 and mode in (1, 2) else {mode}
            assert {m for m, n in enumerate(found) if n >= 0} == alike


@settings(max_examples=120)
@given(data=st.data())
def test_a_mangled_file_raises_nothing_but_config_error(
    data: st.DataObject, tmp_path_factory: pytest.TempPathFactory
) -> None:
    text = MADE + GUARD.replace("0|8", "16|8").replace("8|4", "32|4") + ID_OF_MADE.format(-1)
    begin = data.draw(st.integers(0, len(text)))
    end = data.draw(st.integers(begin, min(len(text), begin + 12)))
    text = (
        text[:begin]
        + data.draw(st.text(st.sampled_from(' |@+-(),[]":;_M019\nxSGBO'), max_size=6))
        + text[end:]
    )
    with contextlib.suppress(ConfigError):
        codec_of(text, tmp_path_factory.getbasetemp())
