"""What a vehicle is said to do is what the plant then does: shipped vehicles and one from a data sheet."""

from __future__ import annotations

import math
import shutil
from pathlib import Path

import numpy as np
import pytest

from emulator.assembly.session import load_session
from emulator.core.constants import GRAVITY
from emulator.inspection.subject import Subject, subject_of
from emulator.inspection.vehicle.figures import Figure, LIMITS_AT_km_h, VehicleFigures, figures_of
from emulator.inspection.vehicle.usual import Usual
from emulator.record.reader import read_run
from emulator.robot.gears import engine_speed
from emulator.runs.one import ride
from emulator.survey.own_vehicle.vehicle_file import new_vehicle
from emulator.vehicle.contact.tread import friction_left
from emulator.vehicle.driveline import engine_torque, lowest_gear, overall_ratio
from emulator.vehicle.state import U_STEER_TORQUE
from emulator.vehicle.whole.steady_turn import steady_turns
from tests.support.plain_rides import coast, full_throttle, hold, in_gear, machine_of, raised_until_lost

SCENARIOS = Path(__file__).parents[3] / "scenarios"
SHEET = SCENARIOS / "data_sheets" / "upright_twin.yaml"
NAMES = ("demo_racer", "light_trainer", "upright_twin")


class Described:
    """A vehicle with its figures."""

    def __init__(self, subject: Subject) -> None:
        self.vehicle = subject.vehicle
        self.found: VehicleFigures = figures_of(subject, "it")
        self._by_key = {f.key: f for section in self.found.sections for f in section.figures}

    def __getitem__(self, key: str) -> float:
        value = self._by_key[key].value
        assert value is not None
        return value

    def name(self, key: str) -> str:
        return self._by_key[key].name


@pytest.fixture(scope="module", params=NAMES)
def described(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Described:
    if request.param != "upright_twin":
        return Described(subject_of(SCENARIOS / "vehicles" / f"{request.param}.yaml", None))
    path = tmp_path_factory.mktemp("twin") / "twin.yaml"
    path.write_text(new_vehicle(SHEET).text)
    return Described(subject_of(path, SCENARIOS / "rigs" / "loopback.yaml"))


def test_it_coasts_down_as_is_told(described: Described) -> None:
    ridden = coast(described.vehicle, 100.0 / 3.6, 50.0 / 3.6)
    assert ridden.times[-1] == pytest.approx(described["coast_down_s"], rel=0.01)
    slowed = 2.0 / 3.6 / (ridden.time_at(79.0 / 3.6) - ridden.time_at(81.0 / 3.6))
    assert slowed == pytest.approx(described["deceleration_80_km_h_m_s2"], rel=0.01)


def test_full_throttle_gains_speed_below_the_top_speed_and_loses_it_above(described: Described) -> None:
    top, gear = described["top_speed_km_h"] / 3.6, int(described["top_speed_gear"])
    assert full_throttle(described.vehicle, 0.99 * top, gear) > 0.0
    assert full_throttle(described.vehicle, 1.01 * top, gear) < 0.0
    for other in {gear - 1, gear + 1} & set(range(1, 7)):
        assert full_throttle(described.vehicle, 1.01 * top, other) < 0.0


def test_at_full_throttle_the_wheel_has_the_power_and_torque_that_are_told(described: Described) -> None:
    """On a fine grid of engine speeds, by the file's curve and ratios."""
    body = described.vehicle.body[0]
    engine = np.linspace(200.0, float(body["engine_limiter_speed"]) * 0.98, 5000)
    torque = np.interp(engine, body["torque_speed"], body["torque_value"])
    assert described["power_kW"] * 1e3 == pytest.approx((torque * engine).max(), rel=0.005)
    assert described["power_rpm"] * math.pi / 30.0 == pytest.approx(
        engine[(torque * engine).argmax()], rel=0.01
    )
    final = float(body["final_drive_rear_radius"] / body["final_drive_front_radius"])
    first = float(body["gearbox_primary"] * body["gearbox_gear_1"]) * final
    assert described["torque_Nm"] == pytest.approx(torque.max() * first, rel=0.005)
    assert described["gear_1_ratio"] == pytest.approx(first)


def test_tyres_are_the_files(described: Described) -> None:
    for which, end in ((0, "rear"), (1, "front")):
        tyre = described.vehicle.tyre[which]
        for key in ("radius", "crown_radius", "friction_x", "friction_y", "rolling_resistance"):
            assert described[f"{key}_{end}"] == float(tyre[key])
        assert described[f"vertical_stiffness_{end}"] == float(tyre["vertical_stiffness"]) * 1e-3


def test_the_worst_loop_of_shear_is_that_of_the_friction_ellipse(described: Described) -> None:
    """3/4 |L_x^2/k_x - L_y^2/k_y| by Stokes' theorem: tests/vehicle/contact/test_tyre.py goes round it."""
    for which, end in ((0, "rear"), (1, "front")):
        p, load = described.vehicle.tyre[which], 1100.0
        left = float(friction_left(p, load, 0.0))
        along = (left * float(p["friction_x"]) * load) ** 2 * float(p["relaxation_length_x"])
        along /= float(p["slip_stiffness_per_load"]) * load
        across = (left * float(p["friction_y"]) * load) ** 2 * float(p["relaxation_length"])
        across /= float(p["cornering_per_load"]) * load
        assert described[f"shear_loop_J_{end}"] == pytest.approx(0.75 * abs(along - across), rel=1e-9)


@pytest.mark.parametrize("gear", [1, 6])
def test_at_the_limiter_nothing_drives(described: Described, gear: int) -> None:
    speed = described[f"gear_{gear}_km_h"] / 3.6
    rolling = coast(described.vehicle, speed, speed - 0.1)
    body = described.vehicle.body[0]
    engine = rolling.rate * overall_ratio(body, gear)
    assert engine == pytest.approx(float(body["engine_limiter_speed"]), rel=1e-3)
    assert engine_torque(body, 1.001 * engine, 1.0, 0.0) < 0.0 < engine_torque(body, 0.985 * engine, 1.0, 0.0)


def test_a_wheel_lifts_where_driving_and_braking_are_said_to_end(described: Described) -> None:
    at = LIMITS_AT_km_h / 3.6
    for key, sign, lifts in (
        ("hardest_drive_g", 1.0, "front wheel lifts"),
        ("hardest_braking_g", -1.0, "rear wheel lifts"),
    ):
        said, told = lifts in described.name(key), described[key] * GRAVITY
        reached = raised_until_lost(described.vehicle, at, sign * told, equal_use=not said)
        assert reached.lifted == said
        assert sign * reached.acceleration == pytest.approx(told, rel=0.03)


@pytest.mark.parametrize(("speed", "lean"), [(50.0, 20.0), (80.0, 40.0)])
def test_a_turn_stays_as_it_is_with_the_torque_that_is_told(
    described: Described, speed: float, lean: float
) -> None:
    """For a second, in gear and at the throttle that the turn needs, nobody steering."""
    vehicle, v, wanted = described.vehicle, speed / 3.6, math.radians(lean)
    c = machine_of(vehicle)
    turn = steady_turns(c, v, [wanted], engine_speed(vehicle, v))[0]
    assert turn is not None
    told = described[f"steer_torque_{speed:.0f}_km_h_{lean:.0f}_deg_Nm"]
    gear = lowest_gear(vehicle.body[0], v / float(vehicle.tyre[0]["radius"]), engine_speed(vehicle, v) * 1.2)
    x, u = in_gear(vehicle, c, gear)
    u[U_STEER_TORQUE] = -told  # the steering torque, positive to the left: this turn goes to the right
    after = hold(vehicle, x, u, 1.0)
    assert after.lean == pytest.approx(wanted, rel=0.01)
    assert -after.yaw_rate == pytest.approx(turn.yaw_rate, rel=0.01)
    assert after.speed == pytest.approx(v, rel=0.01)


def test_another_torque_does_not_hold_the_turn(described: Described) -> None:
    vehicle, v, wanted = described.vehicle, 80.0 / 3.6, math.radians(40.0)
    c = machine_of(vehicle)
    steady_turns(c, v, [wanted], engine_speed(vehicle, v))
    x, u = in_gear(vehicle, c, 3)
    u[U_STEER_TORQUE] -= 2.0
    after = hold(vehicle, x, u, 1.0)
    assert abs(after.lean - wanted) > 0.01 * wanted


def test_masses_are_those_of_the_parts(described: Described) -> None:
    body = described.vehicle.body[0]
    groups = ("main_frame", "swingarm", "rear_wheel", "steered_frame", "fork_lower", "front_wheel")
    masses = np.array([float(body[f"{g}_mass"]) for g in groups])
    places = np.array([[float(body[f"{g}_{a}"]) for a in "xz"] for g in groups])
    centre = masses @ places / masses.sum()
    assert described["mass_kg"] == pytest.approx(masses.sum())
    # as it stands: the springs let it move by millimetres from the design position
    assert described["centre_ahead_m"] == pytest.approx(centre[0] - float(body["rear_wheel_x"]), abs=0.005)
    assert described["centre_height_m"] == pytest.approx(centre[1], abs=0.01)
    assert described["front_share_pct"] == pytest.approx(
        100.0 * centre[0] / described["wheelbase_m"], abs=0.5
    )
    far = places - centre
    own = {
        axis: sum(float(body[f"{g}_{own}"]) for g, own in zip(groups, names, strict=True))
        for axis, names in (
            ("roll", ("ixx", "ixx", "diametral_inertia", "ixx", "ixx", "diametral_inertia")),
            ("pitch", ("iyy", "iyy", "spin_inertia", "iyy", "iyy", "spin_inertia")),
            ("yaw", ("izz", "izz", "diametral_inertia", "izz", "izz", "diametral_inertia")),
        )
    }
    moved = {"roll": far[:, 1] ** 2, "pitch": (far**2).sum(axis=1), "yaw": far[:, 0] ** 2}
    for axis, arms in moved.items():
        told = described[f"{axis}_inertia_kg_m2"]
        assert told == pytest.approx(own[axis] + masses @ arms, rel=0.02)
        assert described[f"{axis}_radius_m"] == pytest.approx(math.sqrt(told / masses.sum()))


def test_the_shipped_vehicles_and_the_sheet_s_are_usual(described: Described) -> None:
    assert described.found.outside == []


@pytest.mark.parametrize(
    ("value", "outside"),
    [(0.9, True), (1.0, False), (1.5, False), (2.0, False), (2.1, True), (None, False)],
)
def test_what_lies_outside_is_marked(value: float | None, outside: bool) -> None:
    assert Figure("k", "name", value, "m", Usual(1.0, 2.0)).outside is outside
    assert not Figure("k", "name", value, "m").outside


@pytest.mark.timing
def test_the_reference_robot_holds_a_circle_with_the_torque_that_is_told(
    described: Described, tmp_path: Path
) -> None:
    """Sensors, GNSS and all: means over the second lap of a circle of 90 m to the left at 60 km/h."""
    scenarios = tmp_path / "scenarios"
    shutil.copytree(SCENARIOS, scenarios)
    rig = "trainer" if "trainer" in described.found.subject else "loopback"
    vehicle = scenarios / "vehicles" / ("demo_racer.yaml" if rig == "loopback" else "light_trainer.yaml")
    if "twin" in described.found.subject:
        vehicle.write_text(new_vehicle(SHEET).text)
    wide = "based_on: circle.yaml\nname: wide circle\nmanoeuvre: {kind: circle, radius_m: 90.0, side: left}\n"
    (scenarios / "runs" / "wide.yaml").write_text(wide)
    paths = (scenarios / "rigs" / f"{rig}.yaml", scenarios / "runs" / "wide.yaml")
    ride(load_session(*paths), paths, tmp_path / "run", virtual=True)
    run = read_run(tmp_path / "run")
    assert not run.signals["truth.fallen"].any()
    last = slice(-20_000, -2_000)
    mean = {name: float(np.mean(column[last])) for name, column in run.signals.items()}
    v, lean = mean["truth.speed_m_s"], -mean["truth.roll_rad"]
    assert (v, math.degrees(lean)) == (pytest.approx(60.0 / 3.6, rel=0.01), pytest.approx(20.0, abs=1.0))
    turn = steady_turns(machine_of(described.vehicle), v, [lean], mean["truth.engine_rad_s"])[0]
    assert turn is not None
    assert mean["truth.yaw_rate_rad_s"] == pytest.approx(turn.yaw_rate * math.cos(lean), rel=0.01)
    assert mean["actuator.steering_torque_Nm"] == pytest.approx(turn.steer_torque, abs=0.1)
    assert mean["truth.steer_rad"] == pytest.approx(turn.steer, rel=0.01)
