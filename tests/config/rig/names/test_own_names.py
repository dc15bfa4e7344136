"""A lab's own names: each entry of the map that can't be is refused at its line, with what would do."""

from __future__ import annotations

import random
import re
import shutil
from pathlib import Path

import pytest

from emulator.config.rig.file import load_rig
from emulator.config.rig.frames import frame_contradictions, read_codec
from emulator.config.rig.on_bench import bench_findings
from emulator.config.rig.outputs import REFERENCE_NEEDS
from emulator.core.errors import ConfigError, Problem
from emulator.robot.records import SEEN

SCENARIOS = Path(__file__).parents[4] / "scenarios"


@pytest.fixture
def lab(tmp_path: Path) -> Path:
    """The lab's rig, which a test may change."""
    shutil.copytree(SCENARIOS / "rigs", tmp_path / "rigs")
    shutil.copytree(SCENARIOS / "vehicles", tmp_path / "vehicles")
    return tmp_path / "rigs" / "lab_names.yaml"


def problems_of(path: Path) -> list[Problem]:
    """Every problem of the rig with its DBC; none if it is sound."""
    try:
        rig, source = load_rig(path)
        return frame_contradictions(rig, source, read_codec(rig, source))[0]
    except ConfigError as error:
        return error.problems


def change(path: Path, old: str, new: str) -> None:
    text = path.read_text()
    assert text.count(old) == 1, old
    path.write_text(text.replace(old, new))


def test_the_labs_rig_is_sound(lab: Path) -> None:
    assert problems_of(lab) == []
    rig, source = load_rig(lab)
    codec = read_codec(rig, source)
    assert codec.frames == (*rig.outputs, "steering", "drive", "gear")  # of the estimates it knows nothing
    assert codec.label("imu_rates") == "imu_rates (GYRO)"
    assert codec.units[codec.frame("imu_rates")] == ("rad/s",) * 3
    assert codec.in_dbc[codec.frame("imu_rates")].units == ("deg/s",) * 3
    assert frame_contradictions(rig, source, codec)[1] == []


# what is changed in the rig file, its key and a text of the line it is told at, and words of the message
ENTRIES = {
    "frame of ours that is none": ("  lean:\n", "  leen:\n", "own_names.leen", "leen:", "mean 'lean'"),
    "frame missing in the DBC": ("GYRO\n", "GYRA\n", "own_names.imu_rates.frame", "GYRA", "mean 'GYRO'"),
    "frame of another": (
        "frame: ACCEL",
        "frame: GYRO",
        "own_names.imu_force.frame",
        "frame: GYRO",
        "stands for imu_rates",
    ),
    "value of ours that is none": (
        "lean_rad: {",
        "lean_deg: {",
        "own_names.lean.signals.lean_deg",
        "lean_deg",
        "mean 'lean_rad'",
    ),
    "value that the bench sends in a frame of the robot": (
        "throttle: {signal: RD_Grip}",
        "lean_rad: {signal: RD_Grip}",
        "own_names.drive.signals.lean_rad",
        "lean_rad: {signal: RD_Grip}",
        "one of steering_torque_Nm",
    ),
    "signal missing in the DBC": (
        "GY_Roll}",
        "GY_Rol}",
        "own_names.imu_rates.signals.rate_x_rad_s.signal",
        "GY_Rol}",
        "mean 'GY_Roll'",
    ),
    "signal of two values": (
        "{signal: WH_Rear}",
        "{signal: WH_Front}",
        "own_names.wheel_speed.signals.wheel_rear_m_s.signal",
        "wheel_rear_m_s",
        "WH_Front carries wheel_front_m_s already",
    ),
    "value of the robot in two frames": (
        "heartbeat: {signal: RL_Beat}",
        "throttle: {signal: RL_Beat}",
        "own_names.gear.signals.throttle",
        "throttle: {signal: RL_Beat}",
        "drive has throttle, too",
    ),
    "unit of another quantity": (
        "{signal: LU_Lean}",
        "{signal: LU_Lean, unit: deg/s}",
        "own_names.lean.signals.lean_rad.unit",
        "LU_Lean",
        "expected one of rad, deg, mrad",
    ),
    "unit that is none": (
        "{signal: LU_Lean}",
        "{signal: LU_Lean, unit: dog}",
        "own_names.lean.signals.lean_rad.unit",
        "LU_Lean",
        "got 'dog'",
    ),
    "unit against the DBC's": (
        "{signal: LU_Lean}",
        "{signal: LU_Lean, unit: rad}",
        "own_names.lean.signals.lean_rad.unit",
        "LU_Lean",
        "expected deg, which the DBC gives LU_Lean",
    ),
    "signal of another quantity": (
        "lean_rad: {signal: LU_Lean}\n    fixed: {LU_Temp: 25}",
        "lean_rad: {signal: LU_Temp}\n    fixed: {LU_Lean: 0}",
        "own_names.lean.signals.lean_rad",
        "lean_rad",
        "'degC', which is none we know",
    ),
    "scale of nothing": (
        "{signal: LU_Lean}",
        "{signal: LU_Lean, scale: 0}",
        "own_names.lean.signals.lean_rad.scale",
        "LU_Lean",
        "other than 0",
    ),
    "scale beyond its bounds": (
        "{signal: LU_Lean}",
        "{signal: LU_Lean, scale: 1.0e+9}",
        "own_names.lean.signals.lean_rad.scale",
        "LU_Lean",
        "from -1000000 to 1000000",
    ),
    "range that the value leaves": (
        "{signal: RD_Clutch}",
        "{signal: RD_Clutch, scale: 0.5}",
        "own_names.drive.signals.clutch",
        "clutch",
        "can say 0 to 1; by the DBC and this map RD_Clutch goes from 0 to 0.5",
    ),
    "count that is none": (
        "{signal: RL_Beat}",
        "{signal: RL_Beat, scale: 2}",
        "own_names.gear.signals.heartbeat",
        "heartbeat",
        "a plain count",
    ),
    "frame that does not say that it is emulated": (
        "      emulated: {signal: BM_Emulated}\n",
        "",
        "own_names.emulator_state.signals",
        "signals:",
        "expected emulated among them",
    ),
    "signal nobody speaks of": (
        "    fixed: {LU_Temp: 25}\n",
        "",
        "own_names.lean",
        "lean:",
        "missing: LU_Temp",
    ),
    "fixed signal missing in the DBC": (
        "LU_Temp: 25",
        "LU_Tamp: 25",
        "own_names.lean.fixed.LU_Tamp",
        "LU_Tamp",
        "mean 'LU_Temp'",
    ),
    "fixed value out of range": (
        "LU_Temp: 25",
        "LU_Temp: 300",
        "own_names.lean.fixed.LU_Temp",
        "LU_Temp",
        "from -40 to 214",
    ),
    "fixed value that can't be left open": (
        "EU_OilOk: 1",
        "EU_OilOk: not_available",
        "own_names.engine.fixed.EU_OilOk",
        "EU_OilOk",
        "every code of EU_OilOk",
    ),
    "fixed signal that carries a value": (
        "EU_OilOk: 1",
        "EU_OilOk: 1, EU_Gear: 3",
        "own_names.engine.fixed.EU_Gear",
        "EU_Gear",
        "EU_Gear carries gear",
    ),
    "CRC missing in the DBC": (
        "crc: WH_Crc",
        "crc: WH_Crk",
        "own_names.wheel_speed.protection.crc",
        "WH_Crk",
        "mean 'WH_Crc'",
    ),
    "CRC that carries a value": (
        "crc: AC_Crc",
        "crc: AC_Lat",
        "own_names.imu_force.protection.crc",
        "AC_Lat",
        "AC_Lat is force_y_m_s2",
    ),
    "counter that is the CRC": (
        "counter: AC_Cnt",
        "counter: AC_Crc",
        "own_names.imu_force.protection.counter",
        "AC_Crc",
        "another signal than that of the CRC",
    ),
    "CRC of another width": (
        "{profile: P11, mode: nibble, data_id: 0x0B21,",
        "{profile: P05, data_id: 0x0B21,",
        "own_names.imu_rates.protection.crc",
        "P05",
        "16 bits at bit 0 of byte 6",
    ),
    "CRC where its profile has none": (
        "{profile: P11, mode: nibble, data_id: 0x0B21, crc",
        "{profile: P02, data_ids: [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16], crc",
        "own_names.imu_rates.protection.crc",
        "P02",
        "is it profile 22?",
    ),
    "nibble that carries a value": (
        "profile: P22\n      data_ids: [9, 8, 7, 6, 5, 4, 3, 2, 1, 0, 251, 250, 249, 248, 247, 246]\n",
        "profile: P11\n      data_id: 7\n      mode: nibble\n",
        "own_names.drive.protection.mode",
        "mode: nibble",
        "RD_Grip is there",
    ),
    "profile that is none": (
        "P01, mode: alternating",
        "P03, mode: alternating",
        "own_names.imu_force.protection.profile",
        "P03",
        "none, P01, P02, P05, P11, P22",
    ),
    "mode that profile 11 has not": (
        "P11, mode: nibble",
        "P11, mode: low",
        "own_names.imu_rates.protection.mode",
        "mode: low",
        "both, nibble",
    ),
    "data id beyond 16 bits": (
        "0x1C37",
        "0x11C37",
        "own_names.imu_force.protection.data_id",
        "0x11C37",
        "0 to 65535",
    ),
    "data id of another frame": (
        "0x4A30",
        "0x4A10",
        "own_names.steering_angle.protection.data_id",
        "0x4A10",
        "with those of steering",
    ),
    "list of data ids too short": (
        "61, 62, 63,",
        "61, 62,",
        "own_names.wheel_speed.protection.data_ids",
        "[61, 62,",
        "16 numbers, one for each value of the counter, got 15",
    ),
    "number in it beyond 8 bits": (
        "61, 62, 63,",
        "61, 62, 263,",
        "own_names.wheel_speed.protection.data_ids.2",
        "263",
        "0 to 255",
    ),
    "no word on protection": (
        "    protection: {profile: none}\n    signals:\n      lean_rad",
        "    signals:\n      lean_rad",
        "own_names.lean",
        "lean:",
        "missing key 'protection'",
    ),
    "no frame": ("    frame: GYRO\n", "", "own_names.imu_rates", "imu_rates:", "missing key 'frame'"),
    "the same twice": (
        "      gear: {signal: EU_Gear}\n",
        "      gear: {signal: EU_Gear}\n      gear: {signal: EU_Gear}\n",
        "own_names.engine.signals.gear",
        "gear: {signal: EU_Gear}",
        "duplicate key",
    ),
    "no heartbeat": (
        "      heartbeat: {signal: RL_Beat}\n",
        "",
        "own_names",
        "own_names:",
        "expected heartbeat among the signals of a frame of the robot",
    ),
    "nothing the reference robot steers by": (
        "      rate_z_rad_s: {signal: GY_Yaw, scale: -1}\n",
        "    fixed: {GY_Yaw: 0}\n",
        "own_names",
        "own_names:",
        "outputs that carry rate_z_rad_s",
    ),
    "an output named like a frame of the robot": (
        "own_names:",
        "outputs: {gear: {rate_hz: 10.0, latency_ms: 5.0}}\n\nown_names:",
        "outputs.gear",
        "outputs:",
        "expected another name",
    ),
}


@pytest.mark.parametrize("name", ENTRIES)
def test_an_entry_that_can_not_be_is_told_at_its_place(lab: Path, name: str) -> None:
    old, new, key, line, words = ENTRIES[name]
    change(lab, old, new)
    problems = problems_of(lab)
    told = [p for p in problems if p.key == key and words in p.expected]
    assert len(told) == 1, problems
    assert told[0].file == str(lab)
    text = lab.read_text().splitlines()[told[0].line - 1]
    assert line in text, told[0]
    assert 1 <= told[0].column <= len(text)


# what is changed in the DBC, the rig's key, and words of the message
IN_DBC = {
    "signal that is gone": (
        ' SG_ GY_Roll : 7|16@0- (0.01,0) [-327.67|327.67] "deg/s" RIDER_ECU\n',
        "",
        "own_names.imu_rates.signals.rate_x_rad_s.signal",
        "expected a signal of GYRO",
    ),
    "frame that is gone": ("WHEELS:", "WHEELZ:", "own_names.wheel_speed.frame", "mean 'WHEELZ'"),
    "unit left out": (
        '(0.005,0) [-163.835|163.835] "deg"',
        '(0.005,0) [-163.835|163.835] ""',
        "own_names.lean.signals.lean_rad",
        "gives LU_Lean none; add the key unit",
    ),
    "unit changed": (
        '(0.005,0) [-163.835|163.835] "deg"',
        '(0.005,0) [-163.835|163.835] "km/h"',
        "own_names.lean.signals.lean_rad",
        "has LU_Lean in km/h: is it another signal?",
    ),
    "per cent without the sign": (
        'RD_Grip : 12|10@1+ (0.1,0) [0|100] "%"',
        'RD_Grip : 12|10@1+ (0.1,0) [0|100] ""',
        "own_names.drive.signals.throttle",
        "is its unit '%'?",
    ),
    "range that leaves out what has to be said": (
        "BM_Emulated : 32|1@1+ (1,0) [0|1]",
        "BM_Emulated : 32|2@1+ (1,0) [2|3]",
        "own_names.emulator_state.signals.emulated",
        "can say 1 to 1",
    ),
    "counter moved": (
        "WH_Cnt : 8|4",
        "WH_Cnt : 12|4",
        "own_names.wheel_speed.protection.counter",
        "4 bits at bit 0 of byte 1",
    ),
    "CRC the other way round": (
        "SS_Crc : 0|16@1+",
        "SS_Crc : 7|16@0+",
        "own_names.steering_angle.protection.crc",
        "16 bits at bit 0 of byte 0",
    ),
}


@pytest.mark.parametrize("name", IN_DBC)
def test_a_dbc_that_does_not_bear_the_map_out_is_told_in_the_rig(lab: Path, name: str) -> None:
    old, new, key, words = IN_DBC[name]
    change(lab.with_name("lab.dbc"), old, new)
    problems = problems_of(lab)
    assert [p for p in problems if p.key == key and words in p.expected and p.file == str(lab)], problems


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("AC_Lat : 32|16", "AC_Lat : 24|16", "belongs to AC_Long, too"),
        ("BO_ 288 GYRO", "BO_ 289 GYRO", "expected an identifier of its own"),
        ("LU_Temp : 0|8", "LU_Temp : 60|8", "expected bits 0 to 31"),
        ("(0.005,0) [-163.835|163.835]", "(0,0) [-163.835|163.835]", "a factor other than 0"),
    ],
)
def test_what_is_wrong_with_the_dbc_itself_is_told_at_its_line(
    lab: Path, old: str, new: str, words: str
) -> None:
    dbc = lab.with_name("lab.dbc")
    change(dbc, old, new)
    told = [p for p in problems_of(lab) if p.file == str(dbc)]
    assert any(words in p.expected for p in told), problems_of(lab)
    assert all(p.line > 1 for p in told)


def test_no_change_of_a_map_ends_in_anything_but_a_problem_or_a_codec(lab: Path) -> None:
    """Lines swapped, doubled, dropped and words exchanged at random: 25 times, the same each run."""
    dice, text = random.Random(5), lab.read_text()
    head, body = text.split("own_names:", 1)
    lines = body.splitlines()
    words = sorted(set(re.findall(r"[\w.-]+", body)))
    refused = 0
    for _ in range(25):
        made = list(lines)
        for _ in range(dice.randint(1, 3)):
            i, k = dice.randrange(1, len(made)), dice.randrange(1, len(made))
            kind = dice.randrange(4)
            if kind == 0:
                made[i], made[k] = made[k], made[i]
            elif kind == 1:
                made.insert(i, made[k])
            elif kind == 2:
                del made[i]
            else:
                found = re.findall(r"[\w.-]+", made[i])
                if found:
                    made[i] = made[i].replace(dice.choice(found), dice.choice(words), 1)
        lab.write_text(head + "own_names:" + "\n".join(made) + "\n")
        problems = problems_of(lab)
        refused += bool(problems)
        assert all(p.line >= 1 and p.column >= 1 and p.expected for p in problems)
    assert refused > 15


def test_a_stall_is_held_against_the_frame_that_carries_the_value(lab: Path) -> None:
    text = lab.read_text()
    lab.write_text(text + "\nlimits: {heartbeat_timeout_ms: 105.0}\n")
    told = [p for p in bench_findings(*load_rig(lab))[0] if p.key == "limits.heartbeat_timeout_ms"]
    assert "frame gear" in told[0].expected
    beat, torque = "      heartbeat: {signal: RL_Beat}\n", "      steering_torque_Nm"
    moved = text.replace(beat, "").replace(torque, beat + torque)
    lab.write_text(moved + "\nlimits: {heartbeat_timeout_ms: 105.0}\n")
    assert [p for p in bench_findings(*load_rig(lab))[0] if p.key == "limits.heartbeat_timeout_ms"] == []


def test_a_monitor_of_what_the_robot_does_not_send_is_refused(lab: Path) -> None:
    monitor = "lean_estimate: {within_rad: 0.1, for_ms: 500.0, then: trip}"
    lab.write_text(f"{lab.read_text()}\nmonitors: {{{monitor}}}\n")
    (problem,) = problems_of(lab)
    assert problem.key == "monitors.lean_estimate"
    assert "expected estimate_roll_rad among own_names" in problem.expected


def test_the_reference_robot_reads_what_the_check_asks_for() -> None:
    assert set(REFERENCE_NEEDS) <= set(SEEN)
