"""What a rig file says that will not do for the vehicle it names, with the figure: refused, or warned of.

A new warning is a generator in ``_CHECKS`` and a row in its test.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping

from emulator.config.rig.file import Rig
from emulator.config.yaml_source import Loc, Source
from emulator.core.constants import GRAVITY
from emulator.core.errors import Problem
from emulator.vehicle.params import ROBOT_MOUNT

Values = Mapping[str, Mapping[str, float]]

QUICK_ROLL = 1.3
"""[rad/s] of a quick change of lean; common practice, no source. The demo's laps reach 0.8."""
_IMU = ("sensors", "imu")


def rig_warnings(rig: Rig, source: Source, vehicle: Values) -> list[Problem]:
    """Warnings about a rig and the vehicle it names; ``vehicle``: the vehicle file's values in SI."""
    return sorted(source.problem(loc, text) for check in _CHECKS for loc, text in check(rig, vehicle))


def robot_tips_over(rig: Rig, vehicle: Values) -> Iterator[tuple[Loc, str]]:
    """Where the robot's mount is too soft to hold it; ``vehicle``: the vehicle file's values in SI."""
    mount, robot = vehicle.get(ROBOT_MOUNT.name), rig.robot
    if mount is None:
        return
    needed = robot.mass_kg * GRAVITY * (robot.position_m[2] - mount["z"])
    if mount["stiffness"] <= needed:
        yield (
            ("robot", "position_m"),
            f"expected a robot that its mount holds: {robot.mass_kg:g} kg so high over the vehicle's mount "
            f"(robot_mount) need more than {needed:.0f} N m/rad, it has {mount['stiffness']:g}",
        )


def _force_range(rig: Rig, vehicle: Values) -> Iterator[tuple[Loc, str]]:
    imu = rig.sensors.imu
    if imu.force_range_m_s2 is None:
        return
    lean, limiter = vehicle["fall"]["peg_angle"], vehicle["engine"]["limiter_speed"]
    turn = GRAVITY / math.cos(lean)
    lines = [0.0, 0.0, 0.0]
    for line in imu.vibration.engine_orders:
        passed = (limiter / line.at_rad_s) ** 2
        if imu.force_corner_hz is not None:
            r = line.order * limiter / (2.0 * math.pi * imu.force_corner_hz)
            passed /= math.hypot(1.0 - r * r, 2.0 * imu.force_damping * r)
        for k in range(3):
            lines[k] += abs(line.amplitude_m_s2[k]) * passed
    needed = turn + max(lines)
    if imu.force_range_m_s2 < needed:
        yield (
            (*_IMU, "force_range_m_s2"),
            f"{turn:.1f} m/s2 of a steady turn on the pegs ({math.degrees(lean):.0f} deg) and "
            f"{max(lines):.1f} of the engine's vibration at its limiter: expected at least {needed:.1f} "
            f"m/s2, got {imu.force_range_m_s2:g}",
        )


def _rate_range(rig: Rig, _: Values) -> Iterator[tuple[Loc, str]]:
    limit = rig.sensors.imu.rate_range_rad_s
    if limit is not None and limit < QUICK_ROLL:
        yield (
            (*_IMU, "rate_range_rad_s"),
            f"a quick change of lean rolls at {QUICK_ROLL} rad/s: expected at least that, got {limit:g}",
        )


def _corners(rig: Rig, _: Values) -> Iterator[tuple[Loc, str]]:
    imu = rig.sensors.imu
    for key, corner, frame in (
        ("rate_corner_hz", imu.rate_corner_hz, "imu_rates"),
        ("force_corner_hz", imu.force_corner_hz, "imu_force"),
    ):
        output = rig.outputs.get(frame)
        if output is not None and corner is not None and corner > 0.5 * output.rate_hz:
            yield (
                (*_IMU, key),
                f"samples at {output.rate_hz:g} Hz fold what lies above {0.5 * output.rate_hz:g} Hz: "
                f"expected a corner below, got {corner:g}",
            )


_CHECKS: tuple[Callable[[Rig, Values], Iterator[tuple[Loc, str]]], ...] = (
    _force_range,
    _rate_range,
    _corners,
)
