"""The vehicle file made from a data sheet: whole and right, its numbers the sheet's, every default told."""

from __future__ import annotations

import itertools
import math
import re
from pathlib import Path

import pytest

from emulator.assembly.session import load_session
from emulator.config.key_list import keys_of
from emulator.config.vehicle.data_sheet import DataSheet
from emulator.config.vehicle.file import load_vehicle
from emulator.core.errors import ConfigError
from emulator.runs.one import ride
from emulator.survey.own_vehicle.left_out import CAUTION, DEFAULTS
from emulator.survey.own_vehicle.vehicle_file import NewVehicle, new_vehicle
from emulator.vehicle.driveline import engine_torque
from emulator.vehicle.equilibrium import standing
from emulator.vehicle.params import RigidMass, vehicle_record
from emulator.vehicle.state import FORK, JOINT, POSITION, SWINGARM
from emulator.vehicle.whole.mass_properties import mass_properties

SCENARIOS = Path(__file__).parents[3] / "scenarios"
SHEET = SCENARIOS / "data_sheets" / "upright_twin.yaml"
_RPM = math.pi / 30.0

LIGHT = """kind: data_sheet
name: light single
wheelbase_mm: 1290
trail_mm: 86
head_angle_deg: 25.5
wet_mass_kg: 118
front_share_pct: 47
front_tyre: 90/90-17
rear_tyre: 110/80-17
power_kW: 11
power_rpm: 9600
torque_Nm: 12.2
torque_rpm: 7600
primary_ratio: 2.45
gear_ratios: [3.2, 2.2, 1.7, 1.4, 1.22, 1.1]
front_sprocket_teeth: 14
rear_sprocket_teeth: 46
"""
HEAVY = """kind: data_sheet
name: heavy tourer
purpose: two people's luggage
wheelbase_mm: 1640
trail_mm: 112
head_angle_deg: 29
wet_mass_kg: 298
front_share_pct: 49
front_tyre: 130/70 R18
rear_tyre: 200/55 R17
power_kW: 96
power_rpm: 6600
torque_Nm: 158
torque_rpm: 4300
limiter_rpm: 7400
primary_ratio: 1.62
gear_ratios: [2.2, 1.55, 1.25, 1.05, 0.92, 0.82]
front_sprocket_teeth: 20
rear_sprocket_teeth: 40
centre_of_mass_height_mm: 510
roll_inertia_kg_m2: 25
pitch_inertia_kg_m2: 90
yaw_inertia_kg_m2: 77
idle_rpm: 1000
drive_loss_pct: 0
chain_pitch_mm: 15.9
swingarm_length_mm: 640
rear_wheel_mass_kg: 19
front_wheel_mass_kg: 15
fork_travel_mm: 130
rear_travel_mm: 120
steering_stop_deg: 34
largest_lean_deg: 42
drag_area_m2: 0.55
rolling_resistance: 0.02
robot_mass_kg: 60
"""
SHEETS = {"twin": SHEET.read_text(), "light": LIGHT, "heavy": HEAVY}


def made(tmp_path: Path, text: str) -> NewVehicle:
    path = tmp_path / "sheet.yaml"
    path.write_text(text)
    return new_vehicle(path)


@pytest.mark.parametrize("text", SHEETS.values(), ids=SHEETS)
def test_it_is_a_whole_vehicle_without_a_doubtful_number(tmp_path: Path, text: str) -> None:
    new = made(tmp_path, text)
    (tmp_path / "vehicle.yaml").write_text(new.text)
    again = load_vehicle(tmp_path / "vehicle.yaml")
    assert (again.values, again.tables) == (new.file.values, new.file.tables)
    assert again.warnings == []


@pytest.mark.parametrize("text", SHEETS.values(), ids=SHEETS)
def test_it_has_the_sheet_s_mass_centre_and_inertias(tmp_path: Path, text: str) -> None:
    new = made(tmp_path, text)
    m = mass_properties(vehicle_record(new.file.values, new.file.tables))
    sheet = dict(re.findall(r"^(\w+): ([0-9.]+)", text, re.MULTILINE))
    mass, base = float(sheet["wet_mass_kg"]), float(sheet["wheelbase_mm"]) * 1e-3
    assert m.mass == pytest.approx(mass, rel=1e-5)
    # springs carry the robot, too: without it the bike stands a centimetre or two higher
    assert m.wheelbase == pytest.approx(base, rel=0.01)
    assert 100.0 * m.front_share == pytest.approx(float(sheet["front_share_pct"]), abs=0.6)
    height = float(sheet.get("centre_of_mass_height_mm", 370.0 * base))
    assert m.height * 1e3 == pytest.approx(height, abs=25.0)
    for axis, told, radius in (("roll", m.ixx, 0.185), ("pitch", m.iyy, 0.332), ("yaw", m.izz, 0.3)):
        expected = float(sheet.get(f"{axis}_inertia_kg_m2", mass * (radius * base) ** 2))
        assert told == pytest.approx(expected, rel=0.03)


@pytest.mark.parametrize("text", SHEETS.values(), ids=SHEETS)
def test_with_the_robot_it_stands_at_its_design_position(tmp_path: Path, text: str) -> None:
    new = made(tmp_path, text)
    base = new.file.values["front_wheel"]["x"]
    mass = float(dict(re.findall(r"^(\w+): ([0-9.]+)", text, re.MULTILINE)).get("robot_mass_kg", 45.0))
    robot = RigidMass(mass, 0.37 * base, 0.0, 0.605 * base, 0.0, 0.0, 0.0)
    x = standing(vehicle_record(new.file.values, new.file.tables, robot=robot), 0.0, 0.0, 0.0)
    assert abs(x[POSITION + 2]) < 1e-4
    assert abs(x[JOINT + FORK]) < 1e-4
    assert abs(x[JOINT + SWINGARM]) < 1e-3


@pytest.mark.parametrize("text", SHEETS.values(), ids=SHEETS)
def test_torque_and_power_peak_where_the_sheet_says_less_what_the_drive_loses(
    tmp_path: Path, text: str
) -> None:
    new = made(tmp_path, text)
    body = vehicle_record(new.file.values, new.file.tables).body[0]
    sheet = {key: float(v) for key, v in re.findall(r"^(\w+): ([0-9.]+)", text, re.MULTILINE)}
    left = 1.0 - 0.01 * sheet.get("drive_loss_pct", 6.0)
    rpm = [100.0 * k for k in range(12, 200) if 100.0 * k < 0.97 * float(body["engine_limiter_speed"]) / _RPM]
    torque = [engine_torque(body, n * _RPM, 1.0, 0.0) for n in rpm]
    power = [t * n * _RPM for t, n in zip(torque, rpm, strict=True)]
    assert max(torque) == pytest.approx(left * sheet["torque_Nm"], rel=1e-4)
    assert rpm[torque.index(max(torque))] == sheet["torque_rpm"]
    assert max(power) == pytest.approx(left * sheet["power_kW"] * 1e3, rel=2e-3)
    assert power[rpm.index(sheet["power_rpm"])] == pytest.approx(left * sheet["power_kW"] * 1e3, rel=1e-4)


def test_between_the_peaks_the_power_stays_below_its_peak(tmp_path: Path) -> None:
    """A flat peak: a straight line of torque from one to the other would pass the power by a percent."""
    text = HEAVY.replace("power_kW: 96", "power_kW: 73").replace("power_rpm: 6600", "power_rpm: 5500")
    file = made(tmp_path, text).file
    body = vehicle_record(file.values, file.tables).body[0]
    rpm = range(4300, 5500, 10)
    power = [engine_torque(body, n * _RPM, 1.0, 0.0) * n * _RPM for n in rpm]
    assert max(power) <= 1.002 * 73e3


@pytest.mark.parametrize("gears", [1, 3, 5])
def test_gears_that_a_sheet_does_not_have_follow_its_last_one_closely(tmp_path: Path, gears: int) -> None:
    ratios = [2.64, 1.83, 1.46, 1.22, 1.05][:gears]
    text, changed = re.subn(r"gear_ratios: .*", f"gear_ratios: {ratios}", SHEETS["twin"])
    assert changed == 1
    new = made(tmp_path, text)
    made_of = [new.file.values["gearbox"][f"gear_{n}"] for n in range(1, 7)]
    assert made_of[:gears] == ratios
    for before, ratio in itertools.pairwise(made_of[gears - 1 :]):
        assert 0.985 < ratio / before < 1.0
    assert f"The sheet has {gears} gears" in " ".join(new.text.replace("#", "").split())
    sources = re.findall(r"gear_(\d): .*source: (default|data sheet)", new.text)
    assert [s == "data sheet" for _, s in sources] == [n <= gears for n in range(1, 7)]
    assert new.file.warnings == []


def test_a_key_that_is_left_out_is_told_with_its_default_and_how_it_is_measured(tmp_path: Path) -> None:
    new = made(tmp_path, LIGHT)
    assert set(new.left_out) == set(DEFAULTS)
    said = " ".join(new.text.replace("\n# ", " ").split())
    for key, default in DEFAULTS.items():
        assert f"{key} is not in the sheet: taken as " in said
        assert " ".join(f"To measure it: {default.measured}.".split()) in said
    assert CAUTION in said
    for value in ("477.3 mm", "6 %", "1400 rpm", "0.4 m2", "30 deg"):
        assert f"taken as {value}." in said


def test_a_key_that_is_given_is_not_asked_for_again(tmp_path: Path) -> None:
    new = made(tmp_path, HEAVY)
    assert new.left_out == ()
    assert "is not in the sheet" not in new.text
    assert "largest_lean_deg" in new.text  # as the source of the peg angle
    assert CAUTION in " ".join(new.text.replace("\n# ", " ").split())


def test_the_keys_that_may_be_left_out_are_those_with_a_default() -> None:
    optional = {key for key, field in DataSheet.model_fields.items() if not field.is_required()}
    assert optional == {*DEFAULTS, "purpose"}
    words = dict(keys_of("data_sheet"))
    for key, default in DEFAULTS.items():
        numbers = re.findall(r"[0-9.]*[0-9]", words[key].partition("Left out:")[2])
        assert numbers, key
        assert numbers[0] in default.why or float(numbers[0]) == default.value(None), key  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("changes", "key", "said"),
    [
        ({"wet_mass_kg": 55}, "wet_mass_kg", "wheels, fork and swingarm alone make"),
        (
            {"front_share_pct": 30, "front_wheel_mass_kg": 40},
            "front_share_pct",
            "mass centre between the wheels",
        ),
        ({"centre_of_mass_height_mm": 220}, "centre_of_mass_height_mm", "0.25 to 1.2 m up"),
        ({"roll_inertia_kg_m2": 5}, "roll_inertia_kg_m2", "expected more than"),
        ({"pitch_inertia_kg_m2": 20}, "pitch_inertia_kg_m2", "expected more than"),
        ({"yaw_inertia_kg_m2": 30}, "yaw_inertia_kg_m2", "expected more than"),
        ({"pitch_inertia_kg_m2": 180}, "pitch_inertia_kg_m2", "moments of inertia that go together"),
        (
            {"swingarm_length_mm": 260, "rear_sprocket_teeth": 80, "front_sprocket_teeth": 70},
            "",
            "expected numbers of one motorcycle; these make final_drive.countershaft_x",
        ),
    ],
    ids=lambda value: next(iter(value)) if isinstance(value, dict) else None,
)
def test_numbers_of_no_motorcycle_are_refused_at_their_place(
    tmp_path: Path, changes: dict[str, float], key: str, said: str
) -> None:
    text = HEAVY
    for name, value in changes.items():
        text, n = re.subn(rf"(?m)^{name}: .*$", f"{name}: {value}", text)
        assert n == 1
    with pytest.raises(ConfigError) as refused:
        made(tmp_path, text)
    (problem,) = refused.value.problems
    assert said in problem.expected
    assert problem.key == key
    assert not key or text.splitlines()[problem.line - 1].startswith(f"{key}:")


def test_what_the_name_holds_stays_text(tmp_path: Path) -> None:
    new = made(tmp_path, LIGHT.replace("light single", '"twin: \'no\' # \\" 1e3"'))
    assert new.file.name == "twin: 'no' # \" 1e3"


def test_the_same_sheet_gives_the_same_bytes(tmp_path: Path) -> None:
    assert made(tmp_path, LIGHT).text == made(tmp_path, LIGHT).text


@pytest.mark.slow
@pytest.mark.parametrize(
    "text",
    [
        pytest.param(SHEETS["twin"], id="twin"),
        pytest.param(LIGHT, id="light", marks=pytest.mark.timing),
        pytest.param(HEAVY, id="heavy", marks=pytest.mark.timing),
    ],
)
def test_the_reference_robot_rides_it_through_a_bend(tmp_path: Path, text: str) -> None:
    vehicle = tmp_path / "vehicle.yaml"
    vehicle.write_text(made(tmp_path, text).text)
    paths = (SCENARIOS / "rigs" / "loopback.yaml", SCENARIOS / "runs" / "short_bend.yaml")
    verdict = ride(load_session(*paths, vehicle=vehicle), paths, tmp_path / "run", virtual=True)
    assert verdict.result == "pass", verdict.reasons
