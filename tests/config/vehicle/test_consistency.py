"""Entries that contradict each other: what is said, and where."""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from emulator.config.vehicle.consistency import inertia_fault, mass_matrix, peg_angle_of_place
from emulator.config.vehicle.file import VehicleFile, load_vehicle
from emulator.core.errors import ConfigError
from emulator.vehicle.dynamics import derivative
from emulator.vehicle.equilibrium import rest_inputs
from emulator.vehicle.params import vehicle_record
from emulator.vehicle.state import N_X, QUATERNION, scratch

DEMO = (Path(__file__).parents[3] / "scenarios" / "vehicles" / "demo_racer.yaml").read_text(encoding="utf-8")


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def changed(**entries: object) -> VehicleFile:
    """The demo racer with ``group__name=value`` in the unit the file uses; raises as loading does."""
    text = DEMO
    for key, value in entries.items():
        group, name = key.split("__")
        start = text.index(f"\n{group}:\n")
        pattern = re.compile(rf"(\n  {name}: {{value: )([-0-9.]+)")
        match = pattern.search(text, start)
        assert match
        text = text[: match.start(2)] + str(value) + text[match.end(2) :]
    Path("bike.yaml").write_text(text, encoding="utf-8")
    return load_vehicle("bike.yaml")


def place(group: str, name: str) -> tuple[int, int]:
    """Line and column of an entry's value."""
    lines = Path("bike.yaml").read_text(encoding="utf-8").splitlines()
    start = lines.index(f"{group}:")
    row = next(i for i in range(start, len(lines)) if lines[i].startswith(f"  {name}:"))
    return row + 1, lines[row].index("value: ") + 8


IMPOSSIBLE = [
    (
        {"main_frame__ixx": -1.0},
        "main_frame.ixx",
        "expected from 0 to 1e+04 kg m2 (moment of inertia about x at the mass centre), got -1 kg m2",
    ),
    (
        {"main_frame__ixz": 9.9},
        "main_frame.ixz",
        "expected from -9.837 to 9.837 kg m2 (root of ixx times izz), got 9.9 kg m2",
    ),
    (
        {"main_frame__ixz": 8.0},
        "main_frame.ixz",
        "expected from -7.538 to 7.538 kg m2 (no principal moment is greater than the sum of the other two), "
        "got 8 kg m2",
    ),
    (
        {"main_frame__iyy": 20.5},
        "main_frame.iyy",
        "expected at most ixx + izz = 20 kg m2 "
        "(no principal moment is greater than the sum of the other two), got 20.5 kg m2",
    ),
    (
        {"main_frame__izz": 24.0},
        "main_frame.izz",
        "expected at most 23.7 kg m2 (no principal moment is greater than the sum of the other two), "
        "got 24 kg m2",
    ),
    (
        {"fork_lower__ixx": 0.3},
        "fork_lower.ixx",
        "expected at most 0.22 kg m2 (no principal moment is greater than the sum of the other two), "
        "got 0.3 kg m2",
    ),
    (
        {"rear_wheel__spin_inertia": 0.73},
        "rear_wheel.spin_inertia",
        "expected at most 0.72 kg m2 (twice the diametral one, as of a thin ring), got 0.73 kg m2",
    ),
    (
        {"main_frame__x": 2.2},
        "main_frame.x",
        "expected the bike's mass centre between its wheels (0.000 to 1.420 m), or it tips over; all bodies "
        "together are at 1.835 m",
    ),
    (
        {"tyre_front__radius": 1.2},
        "front_wheel.x",
        "expected a wheelbase of more than the two tyre radii (1.518 m), or the wheels overlap; it is 1.42 m",
    ),
    (
        {"tyre_rear__crown_radius": 0.318},
        "tyre_rear.crown_radius",
        "expected less than the tyre's radius (0.318 m), got 0.318 m",
    ),
    (
        {"fork__travel": 0.03},
        "fork.travel",
        "expected more than design_travel (0.035 m), got 0.03 m",
    ),
    (
        {"shock__travel": 0.018},
        "shock.travel",
        "expected more than design_travel (0.018 m), got 0.018 m",
    ),
    (
        {"gearbox__gear_3": 1.96},
        "gearbox.gear_3",
        "expected less than gear_2 (1.96; ratios fall from gear to gear), got 1.96",
    ),
    (
        {"clutch__bite_lever": 0.2},
        "clutch.bite_lever",
        "expected more than full_lever (0.25; 0 is released, so it bites before it holds fully), got 0.2",
    ),
    (
        {"antilock__most_slip": 0.06},
        "antilock.most_slip",
        "expected more than slip (0.07, from which a wheel is let off that slows too fast as well), got 0.06",
    ),
    (
        {"engine__idle_speed": 9000, "engine__limiter_speed": 8000},
        "engine.idle_speed",
        "expected less than limiter_speed (8000 rpm), got 9000 rpm",
    ),
    (
        {"engine__stall_speed": 1400},
        "engine.stall_speed",
        "expected less than idle_speed (1350 rpm), got 1400 rpm",
    ),
    (
        {"final_drive__countershaft_x": 0.12},
        "final_drive.countershaft_x",
        "expected the sprockets' centres more than their radii apart (0.1469 m), they are 0.128 m",
    ),
]


@pytest.mark.parametrize(("entries", "key", "text"), IMPOSSIBLE)
def test_what_no_vehicle_can_be_is_refused_at_its_place(entries, key, text):
    with pytest.raises(ConfigError) as caught:
        changed(**entries)
    (problem,) = caught.value.problems
    assert (problem.key, problem.expected) == (f"{key}.value", text)
    assert (problem.line, problem.column) == place(*key.split("."))


def test_axes_that_coincide_leave_the_mass_matrix_singular():
    # A steering axis that is the twist axis: both joints do the same, so their difference moves nothing.
    with pytest.raises(ConfigError) as caught:
        changed(
            steering__rake=0.0, frame_torsion__inclination=90.0, frame_torsion__x=1.2, steering__axis_x=1.2
        )
    (problem,) = caught.value.problems
    assert problem.key == "steering"
    assert problem.expected == (
        "expected a mass matrix that is positive definite at the design position; frame_torsion and steering "
        "can move without moving any mass: look at their axes and inertias"
    )
    assert (problem.line, problem.column) == (place("steering", "rake")[0], 3)


def test_a_curve_without_torque_is_refused():
    text = re.sub(r"(- \[[0-9.]+, )[0-9.]+\]", r"\g<1>-1.0]", DEMO)
    Path("bike.yaml").write_text(text, encoding="utf-8")
    with pytest.raises(
        ConfigError, match=r"engine_torque\.points: expected a torque above 0 N m at some speed"
    ):
        load_vehicle("bike.yaml")


UNUSUAL = [
    (
        {"steering__axis_x": 0.98},
        "steering.axis_x.value",
        r"unusual, motorcycles show a trail above 0 and up to 0\.15 m .*, these entries make -0\.0616 m",
    ),
    (
        {"steering__axis_x": 1.25},
        "steering.axis_x.value",
        r"unusual, motorcycles show a trail above 0 and up to 0\.15 m .*, these entries make 0\.2084 m",
    ),
    (
        {"front_wheel__z": 0.31},
        "front_wheel.z.value",
        r"unusual, at the design position a tyre of 0\.299 m is pressed in by 0 to 0\.04 m .*, got 0\.31 m",
    ),
    (
        {"fall__peg_angle": 63.5},
        "fall.peg_angle.value",
        r"unusual, a footpeg touches before the bike counts as down \(roll_limit, 63 deg\), got 63\.5 deg",
    ),
    (
        {"footpegs__y": 0.32},
        "footpegs.y.value",
        r"unusual, footpegs touch at peg_angle \(54 deg\) in a turn, springs deep; these touch at 50\.02 deg "
        r"with the springs as at standstill",
    ),
    (
        {"engine__limiter_speed": 14000},
        "engine_torque.points.9",
        r"unusual, the curve ends before limiter_speed \(14000 rpm\); "
        r"its last torque is held from 13200 rpm on",
    ),
]


@pytest.mark.parametrize(("entries", "key", "text"), UNUSUAL)
def test_what_is_only_unusual_warns(entries, key, text):
    vehicle = changed(**entries)
    (warning,) = vehicle.warnings
    assert warning.key == key
    assert re.fullmatch(text, warning.expected)
    assert warning.line > 1


def test_contradictions_come_with_other_mistakes_and_not_about_them():
    with pytest.raises(ConfigError) as caught:
        changed(gearbox__gear_3=-1.0, fork__travel=0.02, steering__rake=500.0)
    # gear_4 is not held against a gear_3 that is wrong by itself, nor the trail against such a rake
    assert [p.key for p in caught.value.problems] == [
        "steering.rake.value",
        "fork.travel.value",
        "gearbox.gear_3.value",
    ]


def test_the_demo_racer_contradicts_nothing():
    vehicle = changed()
    assert vehicle.warnings == []


def test_pegs_touch_where_the_bike_has_rolled_on_its_crowns_until_they_are_on_the_road():
    """Height of the peg, t + (z - t) cos a - y sin a, by searching for its zero."""
    values = changed().values
    part, rear, front = values["footpegs"], values["tyre_rear"], values["tyre_front"]
    t = float(
        np.interp(part["x"], [0.0, values["front_wheel"]["x"]], [r["crown_radius"] for r in (rear, front)])
    )
    angle = brentq(lambda a: t + (part["z"] - t) * math.cos(a) - part["y"] * math.sin(a), 0.0, math.pi / 2)
    assert peg_angle_of_place(lambda group, name: values[group][name]) == pytest.approx(angle, rel=1e-9)


# -- the rules themselves --------------------------------------------------------------------------------


@given(
    points=st.lists(
        st.tuples(st.floats(0.01, 5.0), st.floats(-1.0, 1.0), st.floats(-1.0, 1.0), st.floats(-1.0, 1.0)),
        min_size=1,
        max_size=6,
    )
)
def test_any_real_body_has_possible_inertias(points):
    # Point masses, mirrored in y so that the body is symmetric, about whatever point: definition of inertia.
    m, x, y, z = np.array(points).T
    assert (
        inertia_fault(
            float(m @ (y * y + z * z)),
            float(m @ (x * x + z * z)),
            float(m @ (x * x + y * y)),
            float(m @ (x * z)),
        )
        is None
    )


@given(a=st.floats(0.1, 10.0), b=st.floats(0.1, 10.0), c=st.floats(0.1, 10.0), angle=st.floats(0.0, 3.1))
def test_turned_principal_moments_are_judged_by_their_triangle(a, b, c, angle):
    s, k = math.sin(angle), math.cos(angle)
    ixx, izz, ixz = a * k * k + c * s * s, a * s * s + c * k * k, (a - c) * s * k
    slack = min(a + b - c, b + c - a, c + a - b) / max(a, b, c)
    found = inertia_fault(ixx, b, izz, ixz)
    if abs(slack) > 1e-6:
        assert (found is None) == (slack > 0.0)


def test_the_mass_matrix_is_the_one_the_dynamics_factorises():
    # The compiled dynamics leave M = L^T D L behind, D on the diagonal and L below it (Featherstone 2008).
    vehicle = changed()
    record = vehicle_record(vehicle.values, vehicle.tables)
    x, xdot, s = np.zeros(N_X), np.zeros(N_X), scratch()
    x[QUATERNION] = 1.0
    derivative(record.body, record.tyre, x, rest_inputs(), s, xdot)
    left = s[0]["M"]
    lower = np.tril(left, -1) + np.eye(12)
    for i in range(12):  # what is not on a path to the root is never written
        for j in range(i):
            if (i, j) in {(8, 6), (8, 7), (9, 6), (9, 7), (10, 6), (10, 7), (11, 6), (11, 7)}:
                lower[i, j] = 0.0
    expected = lower.T @ np.diag(np.diagonal(left)) @ lower
    np.testing.assert_allclose(mass_matrix(vehicle.values), expected, rtol=1e-9, atol=1e-9)
