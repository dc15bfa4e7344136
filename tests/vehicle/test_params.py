"""The record of a vehicle: every number in its place, the robot merged by the parallel-axis theorem."""

from __future__ import annotations

import math

import numpy as np
import pytest

from emulator.vehicle.params import GROUPS, HARD_PARTS, JOINTS, TORQUE_POINTS, RigidMass, vehicle_record
from tests.support.machines import ROBOT, demo_file

FILE = demo_file()


def test_every_parameter_of_the_file_reaches_the_record() -> None:
    bending = {"x": 1.24, "z": 0.62, "stiffness": 5e4, "damping": 20.0}  # the demo racer's fork is rigid
    mount = {"z": 0.7, "stiffness": 2e4, "damping": 30.0}  # and its robot is part of the frame
    values = FILE.values | {"fork_bending": bending, "robot_mount": mount}
    vehicle = vehicle_record(values, FILE.tables, robot=ROBOT)
    parts = [group.name for group, _body in HARD_PARTS]
    for group in GROUPS:
        for p in group.parameters:
            value = values[group.name][p.name]
            if group.name in parts:
                assert vehicle.body[0][f"part_{p.name}"][parts.index(group.name)] == value
            elif group.name.startswith(("tyre", "tread")):
                name = p.name if group.name.startswith("tyre") else f"tread_{p.name}"
                assert vehicle.tyre[0 if group.name.endswith("rear") else 1][name] == value
            elif group.name.startswith("inflation"):
                continue  # changes the tyre's numbers, see test_tread
            else:
                assert vehicle.body[0][f"{group.name}_{p.name}"] == value
    assert vehicle.body.shape == (1,)
    assert vehicle.tyre.shape == (2,)
    assert not vehicle.body[0]["locked"].any()
    assert vehicle.body[0]["fork_bends"] == 1
    assert vehicle_record(FILE.values, FILE.tables).body[0]["fork_bends"] == 0


def test_parameters_are_named_once_and_their_ranges_are_ordered() -> None:
    names = [f"{g.name}.{p.name}" for g in GROUPS for p in g.parameters]
    assert len(names) == len(set(names))
    for group in GROUPS:
        for p in group.parameters:
            assert p.low <= p.plausible_low <= p.plausible_high <= p.high, f"{group.name}.{p.name}"
            assert p.meaning
            assert p.unit


def test_a_vehicle_has_the_hard_parts_that_its_file_has() -> None:
    values = {name: group for name, group in FILE.values.items() if name not in ("footpegs", "tail")}
    body = vehicle_record(values, FILE.tables).body[0]
    kinds = list(body["part_kind"][: int(body["parts"])])
    assert [HARD_PARTS[k][0].name for k in kinds] == [
        group.name for group, _body in HARD_PARTS if group.name not in ("footpegs", "tail")
    ]
    bare = {name: group for name, group in values.items() if name not in [g.name for g, _body in HARD_PARTS]}
    assert vehicle_record(bare, FILE.tables).body[0]["parts"] == 0


def test_torque_table_is_filled_up_with_its_last_value() -> None:
    body = vehicle_record(FILE.values, FILE.tables).body[0]
    points = FILE.tables["engine_torque"]
    assert list(body["torque_speed"][: len(points)]) == [s for s, _t in points]
    assert np.all(np.diff(body["torque_speed"]) > 0.0)
    assert np.all(body["torque_value"][len(points) :] == points[-1][1])
    assert body["torque_value"].shape == (TORQUE_POINTS,)


def _points(
    mass: float, x: float, z: float, ixx: float, iyy: float, izz: float, ixz: float
) -> list[tuple[float, ...]]:
    """Eight point masses with these moments: a stand-in whose sums need no theorem."""
    # Spreads of x, y, z about the centre from the moments, and the covariance of x and z.
    xx, yy, zz = (iyy + izz - ixx) / 2, (ixx + izz - iyy) / 2, (ixx + iyy - izz) / 2
    spread = np.array([[xx, 0.0, ixz], [0.0, yy, 0.0], [ixz, 0.0, zz]]) / mass
    values, vectors = np.linalg.eigh(spread)
    out: list[tuple[float, ...]] = []
    for k in range(8):
        signs = np.array([1.0 if k >> i & 1 else -1.0 for i in range(3)])
        d = vectors @ (signs * np.sqrt(values))
        out.append((mass / 8.0, x + d[0], d[1], z + d[2]))
    return out


def test_robot_is_merged_as_sums_over_points_say() -> None:
    frame = FILE.values["main_frame"]
    points = _points(*(frame[k] for k in ("mass", "x", "z", "ixx", "iyy", "izz", "ixz")))
    points += _points(ROBOT.mass, ROBOT.x, ROBOT.z, ROBOT.ixx, ROBOT.iyy, ROBOT.izz, 0.0)
    m, x, y, z = np.array(points).T
    mass, cx, cz = m.sum(), (m @ x) / m.sum(), (m @ z) / m.sum()
    dx, dz = x - cx, z - cz
    body = vehicle_record(FILE.values, FILE.tables, robot=ROBOT).body[0]
    assert body["main_frame_mass"] == pytest.approx(mass)
    assert body["main_frame_x"] == pytest.approx(cx)
    assert body["main_frame_z"] == pytest.approx(cz)
    assert body["main_frame_ixx"] == pytest.approx(m @ (y**2 + dz**2))
    assert body["main_frame_iyy"] == pytest.approx(m @ (dx**2 + dz**2))
    assert body["main_frame_izz"] == pytest.approx(m @ (dx**2 + y**2))
    assert body["main_frame_ixz"] == pytest.approx(m @ (dx * dz))


def test_robot_off_the_symmetry_plane_is_refused() -> None:
    with pytest.raises(ValueError, match=r"symmetry plane, got y = 0\.1 m"):
        vehicle_record(FILE.values, FILE.tables, robot=RigidMass(30.0, 0.6, 0.1, 0.8, 1.0, 1.0, 1.0))


def test_missing_parameter_is_named() -> None:
    values = {group: dict(entries) for group, entries in FILE.values.items()}
    del values["fork"]["stiffness"]
    with pytest.raises(KeyError, match="stiffness"):
        vehicle_record(values, FILE.tables)


def test_locked_joints_are_marked_and_unknown_ones_refused() -> None:
    body = vehicle_record(FILE.values, FILE.tables, locked=("fork", "swingarm")).body[0]
    assert [JOINTS[i] for i in np.flatnonzero(body["locked"])] == ["swingarm", "fork"]
    with pytest.raises(ValueError, match="no joint 'handlebar' to lock"):
        vehicle_record(FILE.values, FILE.tables, locked=("handlebar",))


def test_demo_racer_is_a_possible_body() -> None:
    """Moments of inertia of a real mass: the largest principal one is at most the sum of the others."""
    for group, entries in FILE.values.items():
        if "ixx" in entries:
            a, b, c, d = (entries[k] for k in ("ixx", "iyy", "izz", "ixz"))
            principal = sorted(np.linalg.eigvalsh([[a, 0.0, -d], [0.0, b, 0.0], [-d, 0.0, c]]))
            assert principal[0] > 0.0, group
            assert principal[2] <= principal[0] + principal[1] + 1e-9, group
    assert math.isclose(FILE.values["steering"]["rake"], math.radians(24.0))
