"""Worn tyres, pressure, loads and fuel against rigid bodies composed by hand and a worn torus's geometry."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError

from emulator.config.vehicle.change import (
    Load,
    TreadTemperature,
    TyrePressure,
    TyreWear,
    VehicleChange,
    Wear,
    changed_values,
)
from emulator.config.vehicle.file import VehicleFile, load_vehicle
from emulator.config.yaml_source import Source, load
from emulator.core.errors import ConfigError
from emulator.vehicle.equilibrium import standing
from emulator.vehicle.params import vehicle_record
from emulator.vehicle.state import POSITION

FOLDER = Path(__file__).parents[3] / "scenarios"


@pytest.fixture(scope="module")
def file() -> VehicleFile:
    return load_vehicle(FOLDER / "vehicles" / "demo_racer.yaml")


@pytest.fixture(scope="module")
def source() -> Source:
    return load(FOLDER / "runs" / "wet_lap.yaml")


def frame_inertia(values: dict[str, float], x: float, z: float) -> np.ndarray:
    """Inertia [ixx, iyy, izz, ixz] of the main frame about a point in the symmetry plane."""
    m, dx, dz = values["mass"], values["x"] - x, values["z"] - z
    return np.array(
        [
            values["ixx"] + m * dz * dz,
            values["iyy"] + m * (dx * dx + dz * dz),
            values["izz"] + m * dx * dx,
            values["ixz"] + m * dx * dz,
        ]
    )


def test_loads_add_mass_moments_and_inertia_about_any_point(file: VehicleFile, source: Source) -> None:
    loads = (
        Load(name="box", mass_kg=6.0, position_m=(0.1, 0.0, 0.85), inertia_kg_m2=(0.2, 0.3, 0.25)),
        Load(name="lead", mass_kg=3.0, position_m=(1.2, 0.0, 0.3)),
    )
    before = file.values["main_frame"]
    after = changed_values(VehicleChange(load=loads), file, source)["main_frame"]
    assert after["mass"] == pytest.approx(before["mass"] + 9.0)
    for axis, k in (("x", 0), ("z", 2)):
        moment = before["mass"] * before[axis] + sum(one.mass_kg * one.position_m[k] for one in loads)
        assert after["mass"] * after[axis] == pytest.approx(moment)
    # about one fixed point inertias only add
    about = (0.4, 0.2)
    expected = frame_inertia(before, *about)
    for one in loads:
        point = {"mass": one.mass_kg, "x": one.position_m[0], "z": one.position_m[2], "ixz": 0.0}
        point |= dict(zip(("ixx", "iyy", "izz"), one.inertia_kg_m2, strict=True))
        expected = expected + frame_inertia(point, *about)
    np.testing.assert_allclose(frame_inertia(after, *about), expected, rtol=1e-12)


def test_fuel_goes_where_the_tank_is_and_counts_from_what_the_file_has(
    file: VehicleFile, source: Source
) -> None:
    assert file.tank == {"x": 0.72, "z": 0.82, "capacity": 12.0, "fuel": 4.0}
    same = changed_values(VehicleChange(fuel_kg=4.0), file, source)
    for key, value in file.values["main_frame"].items():
        assert same["main_frame"][key] == pytest.approx(value, rel=1e-12)
    empty = changed_values(VehicleChange(fuel_kg=0.0), file, source)["main_frame"]
    assert empty["mass"] == pytest.approx(file.values["main_frame"]["mass"] - 4.0)
    # filling what was emptied brings the file's bike back
    tank = Load(name="fuel", mass_kg=4.0, position_m=(0.72, 0.0, 0.82))
    emptied = VehicleFile(file.name, {**file.values, "main_frame": empty}, file.tables, [], "", None)
    again = changed_values(VehicleChange(load=(tank,)), emptied, source)["main_frame"]
    for key, value in file.values["main_frame"].items():
        assert again[key] == pytest.approx(value, rel=1e-12)


def test_wear_makes_a_smaller_torus_round_the_same_ring(file: VehicleFile, source: Source) -> None:
    wear = Wear(front=TyreWear(depth_mm=2.0, stiffness=1.2, friction=0.9))
    values = changed_values(VehicleChange(tyre_wear=wear), file, source)
    new, old = values["tyre_front"], file.values["tyre_front"]
    assert values["tyre_rear"] == file.values["tyre_rear"]
    assert old["radius"] - new["radius"] == pytest.approx(0.002)
    assert new["radius"] - new["crown_radius"] == pytest.approx(old["radius"] - old["crown_radius"])
    for key in ("cornering_per_load", "camber_per_load", "slip_stiffness_per_load"):
        assert new[key] == pytest.approx(1.2 * old[key])
    # the carcass gives as it did
    assert new["cornering_per_load"] / new["relaxation_length"] == pytest.approx(
        old["cornering_per_load"] / old["relaxation_length"]
    )
    assert new["friction_x"] == pytest.approx(0.9 * old["friction_x"])
    assert new["friction_y"] == pytest.approx(0.9 * old["friction_y"])
    untouched = ("vertical_stiffness", "vertical_damping", "rolling_resistance", "pneumatic_trail")
    assert all(new[key] == old[key] for key in untouched)


def test_a_bike_on_worn_tyres_stands_lower_by_the_depth(file: VehicleFile, source: Source) -> None:
    even = TyreWear(depth_mm=3.0)
    values = changed_values(VehicleChange(tyre_wear=Wear(front=even, rear=even)), file, source)
    heights = [
        standing(vehicle_record(v, file.tables), 0.0, 0.0, 0.0)[POSITION + 2] for v in (file.values, values)
    ]
    assert heights[0] - heights[1] == pytest.approx(0.003, abs=1e-6)


def test_no_change_is_the_file(file: VehicleFile, source: Source) -> None:
    assert changed_values(VehicleChange(), file, source) == file.values


def test_a_value_is_put_in_before_the_rest_changes_it(file: VehicleFile, source: Source) -> None:
    change = VehicleChange(
        values={"main_frame.mass": 120.0, "tyre_rear.radius": 0.32},
        tyre_wear=Wear(rear=TyreWear(depth_mm=3.0)),
        load=(Load(name="box", mass_kg=6.0, position_m=(0.1, 0.0, 0.85)),),
    )
    new = changed_values(change, file, source)
    assert new["main_frame"]["mass"] == pytest.approx(126.0)
    assert new["tyre_rear"]["radius"] == pytest.approx(0.317)
    assert new["steering"] == file.values["steering"]


@pytest.mark.parametrize(
    ("values", "key", "words"),
    [
        ({"robot_mount.damping": 1.0}, "robot_mount.damping", "expected section.key of a value that"),
        ({"main_frame.mass": -1.0}, "main_frame.mass", "expected 0.001 to 2000 kg"),
        ({"main_frame.ixz": 50.0}, "main_frame.ixz", "root of ixx times izz"),
        ({"engine.stall_speed": 300.0}, "engine.stall_speed", "less than idle_speed"),
    ],
)
def test_values_that_this_bike_or_no_bike_has_are_told(
    file: VehicleFile, source: Source, values: dict[str, float], key: str, words: str
) -> None:
    with pytest.raises(ConfigError) as caught:
        changed_values(VehicleChange(values=values), file, source)
    assert f"vehicle.values.{key}" in {problem.key for problem in caught.value.problems}
    assert words in " ".join(problem.expected for problem in caught.value.problems)


@pytest.mark.parametrize(
    ("name", "words"),
    [("main_frame.masss", "did you mean 'main_frame.mass'"), ("mass", "expected section.key")],
)
def test_a_value_that_no_vehicle_has_is_told_without_one(name: str, words: str) -> None:
    with pytest.raises(ValidationError, match=words):
        VehicleChange(values={name: 1.0})


def test_too_much_fuel_is_told_in_the_scenario(file: VehicleFile, source: Source) -> None:
    with pytest.raises(ConfigError) as caught:
        changed_values(VehicleChange(fuel_kg=12.5), file, source)
    (problem,) = caught.value.problems
    assert (problem.key, problem.expected) == (
        "vehicle.fuel_kg",
        "expected at most the tank's 12 kg, got 12.5",
    )
    assert problem.file.endswith("wet_lap.yaml")
    assert problem.line > 1


def test_a_tread_that_is_worn_through_is_told(file: VehicleFile, source: Source) -> None:
    thin = {**file.values, "tyre_rear": {**file.values["tyre_rear"], "crown_radius": 0.006}}
    bike = VehicleFile(file.name, thin, file.tables, [], "")
    with pytest.raises(
        ConfigError, match=r"vehicle\.tyre_wear\.rear\.depth_mm: expected less than .* of 6 mm"
    ):
        changed_values(VehicleChange(tyre_wear=Wear(rear=TyreWear(depth_mm=6.0))), bike, source)


def test_a_pressure_is_that_of_its_tyre_alone_and_a_warmth_changes_no_number(
    file: VehicleFile, source: Source
) -> None:
    change = VehicleChange(
        tyre_pressure_bar=TyrePressure(rear=1.8), tread_over_air_K=TreadTemperature(front=0.0)
    )
    new = changed_values(change, file, source)
    assert new["inflation_rear"]["pressure"] == pytest.approx(1.8e5)
    new["inflation_rear"]["pressure"] = file.values["inflation_rear"]["pressure"]
    assert new == file.values


@pytest.mark.parametrize(
    ("change", "section", "key"),
    [
        (
            VehicleChange(tyre_pressure_bar=TyrePressure(front=2.0)),
            "inflation_front",
            "tyre_pressure_bar.front",
        ),
        (VehicleChange(tread_over_air_K=TreadTemperature(rear=0.0)), "tread_rear", "tread_over_air_K.rear"),
    ],
)
def test_what_the_vehicle_does_not_know_of_its_tyres_can_not_be_changed(
    file: VehicleFile, source: Source, change: VehicleChange, section: str, key: str
) -> None:
    bare = {group: entries for group, entries in file.values.items() if group != section}
    with pytest.raises(ConfigError, match=rf"vehicle\.{key}: expected a vehicle whose file has .*{section}"):
        changed_values(change, VehicleFile(file.name, bare, file.tables, [], ""), source)


@pytest.mark.parametrize(
    ("keys", "at"),
    [
        ({"position_m": (0.1, 0.05, 0.8)}, ("position_m", 1)),
        ({"position_m": (5.0, 0.0, 0.8)}, ("position_m", 0)),
        ({"position_m": (0.1, 0.0, -0.8)}, ("position_m", 2)),
        ({"position_m": (0.1, 0.0, 0.8), "inertia_kg_m2": (1.0, 0.2, 0.2)}, ("inertia_kg_m2",)),
    ],
)
def test_a_load_that_can_not_be_is_refused(keys: dict[str, Any], at: tuple[str | int, ...]) -> None:
    with pytest.raises(ValidationError) as caught:
        Load(name="box", mass_kg=1.0, **keys)
    assert caught.value.errors()[0]["ctx"]["key"] == at


def test_fuel_without_a_tank_is_told(source: Source) -> None:
    without = load_vehicle(FOLDER / "vehicles" / "light_trainer.yaml")
    assert without.tank is None
    with pytest.raises(
        ConfigError, match=r"vehicle\.fuel_kg: expected a vehicle whose file says where its tank"
    ):
        changed_values(VehicleChange(fuel_kg=1.0), without, source)
