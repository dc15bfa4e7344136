import math
from pathlib import Path

import pytest

from emulator.config.vehicle.file import CONVERSIONS, load_vehicle
from emulator.core.errors import ConfigError
from emulator.vehicle import params
from emulator.vehicle.params import Group, Parameter

GROUPS = (
    Group(
        "frame",
        "frame",
        (
            Parameter("mass", "kg", 1.0, 500.0, 100.0, 300.0, "mass"),
            Parameter("wheelbase", "m", 0.5, 3.0, 1.2, 1.7, "distance of the axles"),
        ),
    ),
    Group(
        "steering",
        "steering",
        (
            Parameter("rake", "rad", -0.5, 1.2, 0.35, 0.55, "steering axis from the vertical"),
            Parameter("ratio", "1", 0.0, math.inf, 0.0, math.inf, "a ratio"),
        ),
    ),
)
TABLES = {"engine_torque": params.Curve("rad/s", "N m", "torque over speed")}

VEHICLE = """\
kind: vehicle
name: bike of the test
frame:
  mass: {value: 190, unit: kg, source: weighed}
  wheelbase: {value: 1420, unit: mm, source: invented for the test}
steering:
  rake: {value: 24, unit: deg, source: drawing}
  ratio: {value: 3.0, unit: 1, source: counted}
engine_torque:
  unit: [rpm, N m]
  source: invented for the test
  points: [[1000, 40], [6000, 90.5], [12000, 80]]
"""

BROKEN = [
    (
        "kind: vehicle",
        "kind: rig",
        "1:7: kind: expected vehicle (a vehicle file), got 'rig'",
    ),
    (
        "name: bike of the test\n",
        "",
        "1:1: missing key 'name': text",
    ),
    (
        "{value: 190, unit: kg, source: weighed}",
        "190",
        "4:9: frame.mass: expected an entry {value, unit, source} (mass; kg), got 190",
    ),
    (
        "{value: 190, unit: kg, source: weighed}",
        "{value: 190, unit: kg}",
        "4:3: frame.mass: missing key 'source': text",
    ),
    (
        "{value: 190, unit: kg, source: weighed}",
        "{value: 190, unit: kg, source: ' '}",
        "4:40: frame.mass.source: expected some text, got nothing but space",
    ),
    (
        "{value: 190, unit: kg, source: weighed}",
        "{value: 190, unit: kg, source:}",
        "4:32: frame.mass.source:: unknown key, did you mean 'source'? known keys: value, unit, source",
    ),
    (
        "{value: 190, unit: kg, source: weighed}",
        "{value: 190, units: kg, source: weighed}",
        "4:22: frame.mass.units: unknown key, did you mean 'unit'? known keys: value, unit, source",
    ),
    (
        "value: 190",
        "value: 190kg",
        "4:17: frame.mass.value: expected a number, got '190kg'; write 190 alone, without a unit",
    ),
    (
        "value: 190",
        "value: 501",
        "4:17: frame.mass.value: expected from 1 to 500 kg (mass), got 501 kg",
    ),
    (
        "unit: kg",
        "unit: lb",
        "4:28: frame.mass.unit: expected one of kg, g, got 'lb'",
    ),
    (
        "unit: kg",
        "unit: 1",
        "4:28: frame.mass.unit: expected one of kg, g, got '1'",
    ),
    (
        "unit: mm",
        "unit: m",
        "5:22: frame.wheelbase.value: expected from 0.5 to 3 m (distance of the axles), got 1420 m",
    ),
    (
        "unit: deg",
        "unit: degrees",
        "7:27: steering.rake.unit: expected one of rad, deg, got 'degrees', did you mean 'deg'?",
    ),
    (
        "unit: 1,",
        "unit: 2,",
        "8:29: steering.ratio.unit: expected a unit, 1 for none, got 2; put text that looks like "
        "something else in quotes",
    ),
    (
        "value: 3.0",
        "value: -1",
        "8:18: steering.ratio.value: expected at least 0 (a ratio), got -1",
    ),
    (
        "  mass: {",
        "  mas: {",
        "4:3: frame.mas: unknown key, did you mean 'mass'? known keys: mass, wheelbase",
    ),
    (
        "  ratio: {value: 3.0, unit: 1, source: counted}\n",
        "",
        "6:1: steering: missing key 'ratio': an entry {value, unit, source} (a ratio; 1)",
    ),
    (
        "steering:\n",
        "steerage:\n",
        "6:1: steerage: unknown key, did you mean 'steering'? known keys: kind, name, purpose, "
        "calibration, engine_torque, frame, steering, control_unit, antilock, traction, wheelie, "
        "ride_by_wire, quickshifter, slipper_clutch, tank",
    ),
    (
        "unit: [rpm, N m]",
        "unit: rpm",
        "10:9: engine_torque.unit: expected two units, of the argument and of the value, got 'rpm'",
    ),
    (
        "unit: [rpm, N m]",
        "unit: [rpm]",
        "10:9: engine_torque.unit: expected two units, of the argument and of the value, got a list of 1",
    ),
    (
        "unit: [rpm, N m]",
        "unit: [rpm, kW]",
        "10:15: engine_torque.unit.1: expected one of N m, kN m, N mm, got 'kW'",
    ),
    (
        "[6000, 90.5]",
        "[1000, 90.5]",
        "12:25: engine_torque.points.1.0: expected more than the 1000 before it (strictly "
        "increasing), got 1000",
    ),
    (
        "[6000, 90.5]",
        "[6000]",
        "12:24: engine_torque.points.1: expected a list of 2 numbers, got a list of 1",
    ),
    (
        "[6000, 90.5]",
        "[6000, much]",
        "12:31: engine_torque.points.1.1: expected a number, got 'much'",
    ),
    (
        "[[1000, 40], [6000, 90.5], [12000, 80]]",
        "[[1000, 40]]",
        "12:11: engine_torque.points: expected a list of at least 2, got a list of 1",
    ),
    (
        "[6000, 90.5]",
        "[1001, 50], [1002, 50], [1003, 50], [1004, 50], [1005, 50], [1006, 50], [1007, 50], "
        "[1008, 50], [1009, 50], [1010, 50], [1011, 50], [1012, 50], [1013, 50], [1014, 50], "
        "[1015, 50]",
        "12:11: engine_torque.points: expected at most 16 points, got 17; thin them out",
    ),
]


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def load_small(path: str):  # type: ignore[no-untyped-def]
    return load_vehicle(path, GROUPS, TABLES)


def test_values_come_in_si() -> None:
    Path("bike.yaml").write_text(VEHICLE)
    vehicle = load_small("bike.yaml")
    assert vehicle.name == "bike of the test"
    assert vehicle.warnings == []
    assert vehicle.values == {
        "frame": {"mass": 190.0, "wheelbase": pytest.approx(1.42, rel=1e-15)},
        "steering": {"rake": pytest.approx(math.radians(24.0), rel=1e-15), "ratio": 3.0},
    }
    # 60 rpm are one turn, 2 pi rad, a second
    assert vehicle.tables["engine_torque"] == [
        (pytest.approx(1000 / 60 * 2 * math.pi), 40.0),
        (pytest.approx(6000 / 60 * 2 * math.pi), 90.5),
        (pytest.approx(12000 / 60 * 2 * math.pi), 80.0),
    ]
    assert len(vehicle.sha256) == 64


@pytest.mark.parametrize(("old", "new", "expected"), BROKEN)
def test_a_wrong_file_is_refused_at_its_place(old: str, new: str, expected: str) -> None:
    assert VEHICLE.count(old) == 1
    Path("bike.yaml").write_text(VEHICLE.replace(old, new))
    with pytest.raises(ConfigError) as caught:
        load_small("bike.yaml")
    assert str(caught.value) == "bike.yaml:" + expected


def test_an_unusual_value_only_warns() -> None:
    Path("bike.yaml").write_text(VEHICLE.replace("1420", "1950"))
    vehicle = load_small("bike.yaml")
    assert vehicle.values["frame"]["wheelbase"] == pytest.approx(1.95)
    assert [str(w) for w in vehicle.warnings] == [
        "bike.yaml:5:22: frame.wheelbase.value: unusual, motorcycles show from 1200 to 1700 mm "
        "(distance of the axles), got 1950 mm"
    ]


def test_mistakes_of_form_and_of_meaning_come_together() -> None:
    text = (
        VEHICLE.replace("unit: kg", "unit: lb").replace("value: 24", "value: steep").replace("1420", "9000")
    )
    Path("bike.yaml").write_text(text.replace("6000", "600"))
    with pytest.raises(ConfigError) as caught:
        load_small("bike.yaml")
    assert [(p.line, p.column, p.key) for p in caught.value.problems] == [
        (4, 28, "frame.mass.unit"),
        (5, 22, "frame.wheelbase.value"),
        (7, 17, "steering.rake.value"),
        (12, 25, "engine_torque.points.1.0"),
    ]


@pytest.mark.parametrize("spelling", ["N m/rad", "Nm/rad", "N·m/rad", "N*m/rad", "N  m/rad"])
def test_spellings_of_a_unit(spelling: str) -> None:
    groups = (Group("g", "g", (Parameter("k", "N m/rad", 0.0, 9.0, 0.0, 9.0, "stiffness"),)),)
    Path("bike.yaml").write_text(
        f"kind: vehicle\nname: x\ng:\n  k: {{value: 5, unit: {spelling}, source: invented}}\n"
    )
    assert load_vehicle("bike.yaml", groups, {}).values["g"]["k"] == 5.0


def test_metre_seconds_are_not_milliseconds() -> None:
    # "m s" with its space must not pass for "ms"
    groups = (Group("g", "g", (Parameter("t", "s", 0.0, 9.0, 0.0, 9.0, "time"),)),)
    Path("bike.yaml").write_text("kind: vehicle\nname: x\ng:\n  t: {value: 5, unit: m s, source: invented}\n")
    with pytest.raises(ConfigError, match=r"^bike.yaml:4:23: g.t.unit: expected one of s, ms, got 'm s'"):
        load_vehicle("bike.yaml", groups, {})


@pytest.mark.parametrize(
    ("si", "other", "value", "expected"),
    [  # by definition of the units (BIPM SI brochure, 9th edition, from memory)
        ("rad", "deg", 180.0, math.pi),
        ("rad/s", "rpm", 60.0, 2 * math.pi),
        ("rad/s", "deg/s", 360.0, 2 * math.pi),
        ("m/s", "km/h", 36.0, 10.0),
        ("Pa", "bar", 1.0, 1e5),
        ("N m/Pa", "N m/bar", 20.0, 2e-4),
        ("N/m", "N/mm", 1.0, 1e3),
        ("N/m", "kN/m", 1.0, 1e3),
        ("N m/rad", "N m/deg", math.pi, 180.0),
        ("1/rad", "1/deg", math.pi, 180.0),
        ("kg m2", "kg cm2", 1e4, 1.0),
        ("m2", "cm2", 1e4, 1.0),
        ("N m s/rad", "N m/rpm", 2 * math.pi, 60.0),
    ],
)
def test_conversions(si: str, other: str, value: float, expected: float) -> None:
    assert value * CONVERSIONS[si][other] == pytest.approx(expected, rel=1e-14)


def test_the_whole_table_can_be_loaded_and_becomes_a_record() -> None:
    # the middle of each plausible range, but for what has to fit together
    fitting = {"front_wheel.x": 1.4, "rear_wheel.x": 0.0, "steering.axis_x": 1.15}
    fitting |= {f"{body}.ixz": 0.0 for body in ("main_frame", "swingarm", "steered_frame", "fork_lower")}
    fitting |= {f"gearbox.gear_{n}": 2.6 - 0.2 * n for n in range(1, 7)}
    lines = ["kind: vehicle", "name: middle of the ranges"]
    for group in params.GROUPS:
        lines.append(f"{group.name}:")
        for p in group.parameters:
            middle = fitting.get(f"{group.name}.{p.name}", (p.plausible_low + p.plausible_high) / 2)
            lines.append(f"  {p.name}: {{value: {middle!r}, unit: {p.unit}, source: invented for the test}}")
    lines += ["engine_torque:", "  unit: [rad/s, N m]", "  source: invented for the test"]
    lines += ["  points: [[100, 40], [1300, 90]]"]
    Path("bike.yaml").write_text("\n".join(lines))
    vehicle = load_vehicle("bike.yaml")
    assert vehicle.warnings == []
    record = params.vehicle_record(vehicle.values, vehicle.tables)
    assert record.body["main_frame_mass"][0] == vehicle.values["main_frame"]["mass"]
    assert record.body["torque_speed"][0][1] == 1300.0
