"""Warnings about a rig that can be, but will not do for its vehicle: what is said, and where."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from emulator.assembly.check import check
from emulator.config.rig.consistency import rig_warnings, robot_tips_over
from emulator.config.rig.file import Rig, load_rig, vehicle_path
from emulator.config.validation import validate
from emulator.config.vehicle.file import load_vehicle
from emulator.config.yaml_source import load
from emulator.core.constants import GRAVITY

RIGS = Path(__file__).parents[3] / "scenarios" / "rigs"
VEHICLE = load_vehicle(RIGS.parent / "vehicles" / "demo_racer.yaml").values


def doubted(tmp_path: Path, *changes: tuple[str, str]) -> list[str]:
    text = (RIGS / "loopback.yaml").read_text(encoding="utf-8")
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    (tmp_path / "rig.yaml").write_text(text, encoding="utf-8")
    source = load(tmp_path / "rig.yaml")
    found = rig_warnings(validate(Rig, source), source, VEHICLE)
    for problem in found:
        line = text.splitlines()[problem.line - 1]
        assert line.strip().startswith(problem.key.split(".")[-1] + ":")
    return [f"{problem.key}: {problem.expected}" for problem in found]


@pytest.mark.parametrize("name", ["loopback.yaml", "trainer.yaml"])
def test_the_demo_rigs_will_do(name: str) -> None:
    rig, source = load_rig(RIGS / name)
    assert rig_warnings(rig, source, load_vehicle(vehicle_path(rig, source)).values) == []


def test_a_force_range_a_turn_and_the_engine_go_beyond_is_doubted(tmp_path: Path) -> None:
    lean, limiter = VEHICLE["fall"]["peg_angle"], VEHICLE["engine"]["limiter_speed"]
    turn, lines = GRAVITY / math.cos(lean), 0.0
    for order, amplitude in ((0.5, 0.4), (1.0, 1.0), (2.0, 5.0)):  # z, the largest, of the demo rig
        r = order * limiter / (2.0 * math.pi * 150.0)
        lines += amplitude * (limiter / 1200.0) ** 2 / abs(1.0 - r * r + 1.4j * r)
    enough = turn + lines
    assert doubted(tmp_path, ("force_range_m_s2: 98.0", f"force_range_m_s2: {enough + 0.01:.2f}")) == []
    assert doubted(tmp_path, ("force_range_m_s2: 98.0", "force_range_m_s2: 12.0")) == [
        f"sensors.imu.force_range_m_s2: {turn:.1f} m/s2 of a steady turn on the pegs "
        f"({math.degrees(lean):.0f} deg) and {lines:.1f} of the engine's vibration at its limiter: "
        f"expected at least {enough:.1f} m/s2, got 12"
    ]


def test_a_rate_range_a_quick_change_of_lean_goes_beyond_is_doubted(tmp_path: Path) -> None:
    assert doubted(tmp_path, ("rate_range_rad_s: 7.8", "rate_range_rad_s: 1.3")) == []
    assert doubted(tmp_path, ("rate_range_rad_s: 7.8", "rate_range_rad_s: 1.2")) == [
        "sensors.imu.rate_range_rad_s: a quick change of lean rolls at 1.3 rad/s: expected at "
        "least that, got 1.2"
    ]


def test_a_corner_above_half_the_output_rate_is_doubted(tmp_path: Path) -> None:
    slower = ("imu_force: {rate_hz: 500.0,", "imu_force: {rate_hz: 200.0,")
    assert doubted(tmp_path, slower) == [
        "sensors.imu.force_corner_hz: samples at 200 Hz fold what lies above 100 Hz: expected a corner "
        "below, got 150"
    ]


def test_without_a_range_and_a_low_pass_there_is_nothing_to_doubt(tmp_path: Path) -> None:
    assert doubted(tmp_path, ("    force_range_m_s2: 98.0\n", ""), ("    rate_range_rad_s: 7.8\n", "")) == []


def test_checking_files_tells_the_warnings(tmp_path: Path) -> None:
    text = (RIGS / "loopback.yaml").read_text(encoding="utf-8")
    text = text.replace("../vehicles", str(RIGS.parent / "vehicles")).replace("dbc: ", f"dbc: {RIGS}/")
    (tmp_path / "rig.yaml").write_text(text.replace("rate_range_rad_s: 7.8", "rate_range_rad_s: 1.0"))
    found = check([tmp_path / "rig.yaml"])[0]
    assert found.problems == []
    assert [problem.key for problem in found.warnings] == ["sensors.imu.rate_range_rad_s"]


def test_a_robot_that_its_mount_can_t_hold_is_refused(tmp_path: Path) -> None:
    """Weight times height over the axis against the stiffness: an inverted pendulum, textbook."""
    rig, _source = load_rig(RIGS / "loopback.yaml")
    needed = rig.robot.mass_kg * GRAVITY * (rig.robot.position_m[2] - 0.6)
    for stiffness, refused in ((1.01 * needed, False), (0.99 * needed, True)):
        values = {**VEHICLE, "robot_mount": {"z": 0.6, "stiffness": stiffness, "damping": 1.0}}
        assert bool(list(robot_tips_over(rig, values))) is refused
    assert list(robot_tips_over(rig, VEHICLE)) == []
    (tmp_path / "soft.yaml").write_text(
        f"kind: vehicle\nname: soft\nbased_on: {RIGS.parent / 'vehicles' / 'demo_racer.yaml'}\nrobot_mount:\n"
        "  z: {value: 0.6, unit: m, source: test}\n"
        "  stiffness: {value: 30, unit: N m/rad, source: test}\n"
        "  damping: {value: 1, unit: N m s/rad, source: test}\n"
    )
    (tmp_path / "rig.yaml").write_text(
        f"kind: rig\nname: soft\nbased_on: {RIGS / 'loopback.yaml'}\nvehicle: soft.yaml\n"
    )
    (problem,) = check([tmp_path / "rig.yaml"])[0].problems
    assert problem.key == "robot.position_m"
    assert problem.expected.endswith(f"need more than {needed:.0f} N m/rad, it has 30")
