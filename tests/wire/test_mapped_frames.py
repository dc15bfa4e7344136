"""Frames under a lab's names: bit for bit what cantools makes of the lab's own values, protection aside."""

from __future__ import annotations

import math
from pathlib import Path
from typing import NamedTuple

import cantools
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from emulator.core.frame_buffer import EXTENDED
from emulator.wire.can_frames import Codec, check, find, pack, protect, unpack
from emulator.wire.dbc_frames import load_codec
from emulator.wire.e2e import BOTH, NIBBLE, PROFILE_1, PROFILE_2, PROFILE_5
from emulator.wire.frame_map import FrameMap, Guard, SignalMap
from tests.wire.test_can_frames import Layout, ends_of, layouts

OURS = ("rate_x_rad_s", "rate_y_rad_s", "rate_z_rad_s", "lean_rad", "engine_rad_s", "force_x_m_s2")
"""Values the layouts' first six signals carry; the others are the lab's own."""


def codec_of(text: str, folder: Path, maps: dict[str, FrameMap]) -> Codec:
    path = folder / "lab.dbc"
    path.write_text(text)
    return load_codec(path, list(maps), maps=maps)


def packed(codec: Codec, frame: str, values: dict[str, float]) -> bytes:
    f = codec.frame(frame)
    data = np.full(int(codec.table.length[f]), 0xFF, np.uint8)
    row = np.full(len(codec.signals[f]), np.nan)
    for name, value in values.items():
        row[codec.signal(frame, name)] = value
    pack(codec.table, f, row, data)
    return data.tobytes()


class Scaled(NamedTuple):
    """Scale and shift of the signals that carry values of ours."""

    scales: list[float]
    shifts: list[float]


SCALES = st.sampled_from([1.0, -1.0, math.pi / 180.0, 1 / 3.6, 1e5, 2 * math.pi / 60, -9.80665])
MAPS = st.builds(
    Scaled,
    st.lists(SCALES, min_size=6, max_size=6),
    st.lists(st.sampled_from([0.0, 0.0, 0.5, -3.25]), min_size=6, max_size=6),
)


@settings(max_examples=80)
@given(layout=layouts(), scaled=MAPS, below=st.floats(-0.45, 0.45))
def test_every_mapped_layout_equals_cantools(
    layout: Layout, scaled: Scaled, below: float, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Values anywhere up to 0.45 of a step beside a code: what rounds there can't hang on the last digit."""
    database = cantools.database.load_string(layout.text, "dbc")
    message = database.get_message_by_name("made")
    mapped = dict(zip(OURS, message.signals, strict=False))
    maps = {
        ours: SignalMap(signal.name, "", scaled.scales[i], scaled.shifts[i])
        for i, (ours, signal) in enumerate(mapped.items())
    }
    theirs: dict[str, float] = {}
    for signal, fraction in zip(message.signals, layout.fractions, strict=True):
        low, high = ends_of(signal)
        if signal.minimum is not None:
            low, high = sorted(
                round((end - signal.offset) / signal.scale) for end in (signal.minimum, signal.maximum)
            )
        raw = low + round(fraction * (high - low))
        theirs[signal.name] = float(raw * signal.scale + signal.offset)
    fixed = {s.name: theirs[s.name] for s in message.signals[len(OURS) :]}
    codec = codec_of(
        layout.text, tmp_path_factory.getbasetemp(), {"imu": FrameMap("made", maps, Guard(), fixed)}
    )
    assert codec.in_dbc[0].frame == "made"
    expected = message.encode(theirs, strict=False)
    ours = {}
    for name, m in maps.items():
        signal = mapped[name]
        beside = theirs[m.signal] + below * signal.scale
        if signal.minimum is not None:  # cantools does not hold values at the ends
            beside = min(max(beside, signal.minimum), signal.maximum)
        ours[name] = beside * m.scale + m.shift
    assert packed(codec, "imu", ours) == expected

    values = np.full(codec.most_signals, np.nan)
    unpack(codec.table, 0, np.frombuffer(expected, np.uint8), values)
    for name, m in maps.items():
        value = values[codec.signal("imu", name)]
        if not math.isnan(value):
            step = abs(mapped[name].scale * m.scale)
            exact = theirs[m.signal] * m.scale + m.shift
            assert abs(value - exact) <= 1e-9 * max(step, abs(exact), abs(m.shift))


LAB = """VERSION ""
BU_: A B
BO_ 2566844672 ONE: 8 A
 SG_ C : 0|16@1+ (1,0) [0|65535] "" B
 SG_ N : 16|8@1+ (1,0) [0|255] "" B
 SG_ X : 24|16@1- (0.01,0) [-327.67|327.67] "deg/s" B
 SG_ T : 40|8@1+ (1,-40) [-40|214] "degC" B
BO_ 256 TWO: 8 A
 SG_ X : 7|16@0- (0.01,0) [-327.67|327.67] "deg/s" B
 SG_ C : 48|8@1+ (1,0) [0|255] "" B
 SG_ N : 56|4@1+ (1,0) [0|15] "" B
BO_ 257 LIFE: 2 A
 SG_ BEAT : 0|4@1+ (1,0) [0|14] "" B
 SG_ WIDE : 8|8@1+ (1,0) [0|255] "" B
"""
DEG_S = math.pi / 180.0
IDS = tuple(range(100, 116))
X = {"rate_x_rad_s": SignalMap("X", "deg/s", DEG_S)}


def test_each_profile_goes_with_its_counter_and_its_place(tmp_path: Path) -> None:
    for guard, frame, counters in (
        (Guard(PROFILE_5, 0, 0x1234, BOTH, (), ("C", "N"), "profile 5"), "ONE", 256),
        (Guard(PROFILE_2, 6, -1, BOTH, IDS, ("C", "N"), "profile 22"), "TWO", 16),
        (Guard(PROFILE_1, 6, 0x0A21, NIBBLE, (), ("C", "N"), "profile 11"), "TWO", 15),
    ):
        codec = codec_of(LAB, tmp_path, {"imu_rates": FrameMap(frame, X, guard, {"T": 25.0})})
        table = codec.table
        assert int(table.counters[0]) == counters
        for counter in (0, 1, counters - 1, counters):
            data = np.zeros(8, np.uint8)
            pack(table, 0, np.array([-1.0]), data)
            protect(table, 0, counter, data)
            assert check(table, 0, data, 8) == counter % counters
            values = np.zeros(1)
            unpack(table, 0, data, values)
            assert abs(values[0] + 1.0) <= 0.005 * DEG_S
            if frame == "ONE":
                assert data[5] == 65  # 25 degC over -40
            for bit in range(64):
                data[bit // 8] ^= 1 << bit % 8
                assert check(table, 0, data, 8) < 0
                data[bit // 8] ^= 1 << bit % 8


def test_29_bit_frames_stand_beside_11_bit_ones(tmp_path: Path) -> None:
    maps = {"a": FrameMap("ONE", X, Guard(), {}), "b": FrameMap("TWO", X, Guard(), {})}
    codec = codec_of(LAB, tmp_path, maps)
    one = 2566844672 & ~EXTENDED
    assert find(codec.table, one | EXTENDED) == codec.frame("a")
    assert find(codec.table, 256) == codec.frame("b")
    assert find(codec.table, one) == -1
    assert codec.label("a") == "a (ONE)"


def test_what_nobody_fixes_is_not_available(tmp_path: Path) -> None:
    codec = codec_of(LAB, tmp_path, {"a": FrameMap("ONE", X, Guard(), {"T": None})})
    assert packed(codec, "a", {"rate_x_rad_s": 0.0})[5] == 0xFF


def test_a_count_wraps_where_its_signal_ends(tmp_path: Path) -> None:
    signals = {"heartbeat": SignalMap("BEAT", ""), "wheel_front_edges": SignalMap("WIDE", "")}
    codec = codec_of(LAB, tmp_path, {"life": FrameMap("LIFE", signals, Guard(), {})})
    for beat in (0, 14, 15, 29, 255, 256, 65535):
        values = {"heartbeat": float(beat), "wheel_front_edges": float(beat)}
        assert packed(codec, "life", values) == bytes([beat % 15, beat % 256])
    # and one under our own name, too
    text = 'VERSION ""\nBU_: R\nBO_ 1 gear: 1 R\n SG_ heartbeat : 0|4@1+ (1,0) [0|15] "" R\n'
    (tmp_path / "own.dbc").write_text(text)
    own = load_codec(tmp_path / "own.dbc", ["gear"])
    assert [packed(own, "gear", {"heartbeat": float(n)})[0] for n in (14, 15, 16, 17)] == [14, 15, 0, 1]
