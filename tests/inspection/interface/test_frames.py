"""Layouts, protection and samples of a description, against cantools and an independent library."""

from __future__ import annotations

import math
import random
from pathlib import Path

import cantools
import e2e
import pytest

from emulator.config.rig.outputs import COMMAND_FRAMES, USUAL_PERIODS_ms
from emulator.core.signals import COMMANDS, OUTPUTS
from emulator.inspection.interface.derive import Described, interface_of
from emulator.inspection.interface.description import Frame, Interface, json_text
from emulator.inspection.interface.signs import COMMAND_SIGNS, INPUT_SIGNS, OUTPUT_SIGNS
from emulator.plant.states import PERMISSIVES
from tests.support.described_robot import Layouts, put, take
from tests.support.odd_rig import BARE, MODES
from tests.support.scripted_robot import RIG

DBC = RIG.with_name("bench.dbc")


@pytest.fixture(params=["demo", "odd"])
def both(request: pytest.FixtureRequest) -> tuple[Interface, Path]:
    """A description and the DBC it was made from: the shipped one, and the odd one."""
    if request.param == "demo":
        return request.getfixturevalue("demo"), DBC
    described: Described = request.getfixturevalue("odd_description")
    odd: Path = request.getfixturevalue("odd")
    return described.interface, odd.with_name("bench.dbc")


def test_the_odd_bench_is_odd(odd_description: Described, demo: Interface) -> None:
    odd = odd_description.interface
    for frame in odd.frames:
        shipped = demo.frame(frame.name)
        assert (frame.identifier, frame.extended) != (shipped.identifier, shipped.extended)
    orders = {s.byte_order for f in odd.frames for s in f.signals}
    assert orders == {"little_endian", "big_endian"}
    assert any(f.extended for f in odd.frames)
    assert {f.name: f.protection.mode for f in odd.frames if f.protection and f.name in MODES} == MODES
    assert odd.frame(BARE).protection is None


def test_layouts_pack_and_read_as_cantools_does(both: tuple[Interface, Path]) -> None:
    interface, dbc = both
    database, layouts = cantools.database.load_file(dbc, strict=False), Layouts(json_text(interface))
    draw = random.Random(3)
    compared = 0
    for frame in interface.frames:
        message = database.get_message_by_name(frame.name)
        assert (message.frame_id, message.is_extended_frame) == (frame.identifier, frame.extended)
        assert message.length == frame.bytes
        for _ in range(50):
            raws = {s.name: draw.randint(s.raw_minimum, s.raw_maximum) for s in frame.signals}
            values = {s.name: raws[s.name] * s.factor + s.offset for s in frame.signals}
            ours = layouts.pack(frame.name, values, 0 if frame.protection else None)
            read = layouts.read((frame.identifier, frame.extended), ours)
            assert read is not None
            theirs = message.decode(ours, decode_choices=False, scaling=False)
            assert {name: theirs[name] for name in raws} == raws
            assert read[1] == pytest.approx(values)
            compared += len(raws)
        assert {s.name for s in message.signals} - {"crc", "alive"} == {s.name for s in frame.signals}
        for signal in frame.signals:
            listed = message.get_signal_by_name(signal.name)
            order = "little_endian" if listed.byte_order == "little_endian" else "big_endian"
            assert (listed.start, listed.length, order, listed.is_signed) == (
                signal.start_bit,
                len(signal.bits),
                signal.byte_order,
                signal.signed,
            )
            assert (float(listed.scale), float(listed.offset)) == (signal.factor, signal.offset)
            assert (listed.unit or "") == signal.unit
    assert compared > 1000


def test_what_is_not_available_reads_as_that(both: tuple[Interface, Path]) -> None:
    interface, _ = both
    layouts = Layouts(json_text(interface))
    frame = interface.frame("drive")
    read = layouts.read((frame.identifier, frame.extended), layouts.pack("drive", {}, 0))
    assert read is not None
    assert set(read[1].values()) == {None}
    assert [s.name for f in interface.frames for s in f.signals if s.raw_not_available is None] == [
        *("heartbeat", "heartbeat", "emulated")
    ]


def test_protection_is_that_of_the_profile(both: tuple[Interface, Path]) -> None:
    """An independent library checks what the description's rules make, and the other way round."""
    interface, _ = both
    layouts = Layouts(json_text(interface))
    modes = {
        "both": e2e.p01.E2E_P01_DATAID_BOTH,
        "alternating": e2e.p01.E2E_P01_DATAID_ALT,
        "low": e2e.p01.E2E_P01_DATAID_LOW,
        "nibble": e2e.p01.E2E_P01_DATAID_NIBBLE,
    }
    seen = set()
    for frame in interface.frames:
        rule = frame.protection
        if rule is None:
            continue
        seen.add(rule.mode)
        for counter in range(rule.counters):
            ours = layouts.pack(frame.name, dict.fromkeys([s.name for s in frame.signals], 1.0), counter)
            data = bytearray(ours)
            e2e.p01.e2e_p01_protect(
                data, rule.data_ids[0], data_id_mode=modes[rule.mode], increment_counter=False
            )
            assert bytes(data) == ours, (frame.name, counter)
    assert seen >= ({"both"} if interface.frame("drive").identifier == 129 else set(modes))


def test_a_frame_that_was_touched_is_refused(demo: Interface) -> None:
    layouts = Layouts(json_text(demo))
    frame = demo.frame("steering")
    whole = layouts.pack("steering", {"steering_torque_Nm": 12.0}, 3)
    key = (frame.identifier, frame.extended)
    assert layouts.read(key, whole) is not None
    for bit in range(8 * frame.bytes):
        spoilt = bytearray(whole)
        spoilt[bit // 8] ^= 1 << bit % 8
        assert layouts.read(key, bytes(spoilt)) is None
    assert layouts.read(key, whole[:-1]) is None


def test_every_frame_has_samples_that_hold_their_check(both: tuple[Interface, Path]) -> None:
    interface, dbc = both
    layouts, database = Layouts(json_text(interface)), cantools.database.load_file(dbc, strict=False)
    for frame in interface.frames:
        assert [s.situation for s in frame.samples] == ["standing", "bend"]
        for sample in frame.samples:
            data = bytes.fromhex(sample.hex)
            read = layouts.read((frame.identifier, frame.extended), data)
            assert read == (frame.name, sample.values)
            theirs = database.get_message_by_name(frame.name).decode(data, decode_choices=False)
            for name, value in sample.values.items():
                if value is not None:
                    assert theirs[name] == pytest.approx(value, abs=1e-9)
            assert (sample.counter is None) == (frame.protection is None)
            if frame.protection is not None:
                assert take(data, frame.protection.counter_bits) == sample.counter


def test_who_sends_what_how_often_is_the_rigs(demo: Interface) -> None:
    bench = [f for f in demo.frames if f.sender == "bench"]
    assert {f.name: (f.rate_hz, f.latency_ms, f.jitter_ms) for f in bench} == {
        "imu_rates": (500.0, 2.0, 0.0),
        "imu_force": (500.0, 2.0, 0.0),
        "steering_angle": (500.0, 1.0, 0.0),
        "lean": (100.0, 8.0, 0.0),
        "wheel_speed": (100.0, 6.0, 0.5),
        "engine": (100.0, 5.0, 0.0),
        "emulator_state": (50.0, 1.0, 0.0),
    }
    robot = {f.name: f for f in demo.frames if f.sender == "robot"}
    assert {name: f.period_ms for name, f in robot.items()} == USUAL_PERIODS_ms
    assert {name for name, f in robot.items() if f.required} == {"steering", "drive", "gear"}
    assert {name for name, f in robot.items() if not f.required} == {"estimate_pose", "estimate_motion"}
    assert demo.frame("lean").longest_gap_ms == pytest.approx(10.0 + 45.0)
    assert robot["gear"].longest_period_ms == pytest.approx(200.0 - 100.0)
    assert robot["drive"].longest_period_ms == pytest.approx(150.0 - 100.0)
    assert [f.identifier for f in demo.frames] == sorted(f.identifier for f in demo.frames)


def changed(folder: Path, old: str, new: str) -> Interface:
    """The demo's description with one line of its rig replaced."""
    text = RIG.read_text()
    assert text.count(old) == 1, old
    for name in ("bench.dbc", "../vehicles/demo_racer.yaml"):
        text = text.replace(f": {name}\n", f": {(RIG.parent / name).resolve()}\n")
    (folder / "rig.yaml").write_text(text.replace(old, new))
    return interface_of(folder / "rig.yaml").interface


def test_what_a_rig_asks_for_shows_in_who_has_to_send(tmp_path: Path) -> None:
    asked = changed(
        tmp_path,
        "limits:\n",
        "permissives: [estop_released, guard_closed]\n"
        "monitors:\n  lean_estimate: {within_rad: 0.1, for_ms: 500.0}\n  command_limit: {for_ms: 70.0}\n"
        "limits:\n",
    )
    assert asked.frame("estimate_motion").required
    assert not asked.frame("estimate_pose").required
    steps = " ".join(asked.start_up.steps)
    assert "The operator arms" in steps
    inputs = asked.frame("bench_inputs")
    assert (inputs.sender, inputs.required) == ("interlocks", True)
    assert asked.frame("drive").signals[0].out_of_range.endswith("longer than 70 ms is a trip")
    assert {t.number for t in asked.trip_reasons if t.can_come} == {1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 13}
    assert asked.start_up.permissives == ("robot heartbeat", "emergency stop released", "guard closed")


def test_a_rig_whose_own_robot_rides_says_so(tmp_path: Path, demo: Interface) -> None:
    assert "device_under_test: {kind: external}" in demo.cautions[-1]
    yours = changed(tmp_path, "  kind: reference\n", "  kind: external\n  periods_ms: {gear: 40.0}\n")
    assert not any("device_under_test" in caution for caution in yours.cautions)
    assert yours.frame("gear").period_ms == 40.0


def test_a_steering_that_is_measured_is_watched_by_its_angle(tmp_path: Path) -> None:
    angle = changed(tmp_path, "steering: torque_driven", "steering: angle_driven")
    (watch,) = angle.frame("steering").watches
    assert watch.signal == "steering_angle_rad"
    assert angle.steering.command == "steering_angle_rad"
    limits = {s.name: (s.acts_from, s.acts_to) for s in angle.frame("steering").signals}
    assert limits == {"steering_torque_Nm": (None, None), "steering_angle_rad": (None, None)}


def test_what_the_bench_has_itself_is_said(tmp_path: Path) -> None:
    absent = changed(
        tmp_path,
        "  engine: {rate_hz: 100.0, latency_ms: 5.0}",
        "  engine: {rate_hz: 100.0, latency_ms: 5.0}\n"
        "  levers: {rate_hz: 100.0, latency_ms: 4.0, absent: [front_brake_line_Pa]}",
    )
    levers: Frame = absent.frame("levers")
    said = {s.name: s.not_available for s in levers.signals}
    assert "the bench has the real one" in said["front_brake_line_Pa"]
    assert "the bench has the real one" not in said["rear_brake_line_Pa"]
    assert [s.values["front_brake_line_Pa"] for s in levers.samples] == [None, None]


def test_a_button_that_arms_is_told_with_its_frame(tmp_path: Path) -> None:
    asked = changed(tmp_path, "limits:\n", "local_enable: enable_pressed\nlimits:\n")
    inputs = asked.frame("bench_inputs")
    assert inputs.why_required == "the rig asks for it: enable_pressed"
    button = next(s for s in inputs.signals if s.name == "enable_pressed")
    assert "1 is pressed" in button.zero
    assert "A button at the bench arms" in " ".join(asked.start_up.steps)


def test_every_value_has_its_sign_in_words() -> None:
    assert set(COMMAND_SIGNS) == {c.name for c in COMMANDS}
    assert set(OUTPUT_SIGNS) == {o.name for o in OUTPUTS}
    assert set(INPUT_SIGNS) == {*PERMISSIVES[1:], "enable_pressed"}
    assert set(COMMAND_FRAMES) == set(USUAL_PERIODS_ms)


def test_numbers_go_into_their_bits_and_out_again() -> None:
    data = bytearray(4)
    put(data, (7, 8, 30), 0b101)
    assert bytes(data) == b"\x80\x00\x00\x40"
    assert take(bytes(data), (7, 8, 30)) == 0b101
    assert math.isclose(take(bytes(data), (8,)), 0)


def test_the_request_frame_is_that_of_the_dbc(both: tuple[Interface, Path]) -> None:
    interface, dbc = both
    told, layouts = interface.rehearsal, Layouts(json_text(interface))
    assert told is not None
    message = cantools.database.load_file(dbc, strict=False).get_message_by_name("rehearsal_request")
    frame = told.request
    assert (message.frame_id, message.is_extended_frame) == (frame.identifier, frame.extended)
    assert frame.period_ms == 50.0
    choices = {str(int(n)): str(name) for n, name in message.get_signal_by_name("prompt").choices.items()}
    assert {n: name for n, name in told.asks.items() if n != "0"} == {
        n: name for n, name in choices.items() if n not in ("0", "255")
    }
    for sample, counter in zip(frame.samples, range(2), strict=True):
        theirs = message.decode(bytes.fromhex(sample.hex), decode_choices=False)
        assert {name: theirs[name] for name in sample.values} == sample.values
        read = layouts.read((frame.identifier, frame.extended), bytes.fromhex(sample.hex))
        assert read is not None
        assert read[1] == sample.values
        assert sample.counter == counter
    assert {s.values["prompt"] for s in frame.samples} == {0.0, 4.0}
    assert told.notices == ("imu_rates", "emulator_state")
