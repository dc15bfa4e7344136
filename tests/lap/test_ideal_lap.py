"""The quasi-steady lap against closed forms, the plant's own rides, and every limit it promises."""

from __future__ import annotations

import math
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from ruamel.yaml import YAML

from emulator.config.vehicle.file import load_vehicle
from emulator.core.compiled import jit
from emulator.core.constants import GRAVITY
from emulator.lap.ideal_lap import (
    Bike,
    IdealLap,
    _limit,
    bike_of,
    grip_along,
    ideal_lap,
    lean_at,
    most_roll,
    needs,
    planned_lap,
    sector_ends,
    sector_times,
)
from emulator.lap.steady_limits import (
    SPEEDS,
    GripLimits,
    SteadyLimits,
    lateral_limit,
    limits_on,
    steady_limits,
)
from emulator.road.build_line import Straight, Turn, build_line
from emulator.road.line import Line, Patch, surface
from emulator.vehicle.equilibrium import steady_motion
from emulator.vehicle.params import RigidMass, Vehicle, vehicle_record
from emulator.vehicle.state import (
    CLUTCH_TWIST,
    ENGINE,
    JOINT_RATE,
    REAR_WHEEL,
    U_GEAR,
    U_THROTTLE,
    VELOCITY,
)
from tests.support.limits import round_friction, table
from tests.support.lines import segments_from_rows, with_speed
from tests.support.machines import ride

DEG = math.pi / 180.0
G = GRAVITY
SCENARIOS = Path(__file__).parents[2] / "scenarios"
ROBOT = RigidMass(38.0, 0.60, 0.0, 0.78, 2.1, 2.6, 1.6)  # invented for the test
TORQUE = 220.0  # [N m] of the shipped rigs' steering actuator


@cache
def vehicle(name: str = "demo_racer") -> Vehicle:
    file = load_vehicle(SCENARIOS / "vehicles" / f"{name}.yaml")
    return vehicle_record(file.values, file.tables, robot=ROBOT)


@cache
def circuit(ds_m: float = 1.0) -> Line:
    rows = YAML(typ="safe").load(SCENARIOS / "circuits" / "ostrevel.yaml")["segments"]
    return build_line(segments_from_rows(rows), closed=True, blend_m=12.0, ds_m=ds_m)


@cache
def on_grip(name: str, grip: float, speeds: tuple[float, ...], columns: int) -> GripLimits:
    """Half a second's work, which tables of several grips share."""
    return limits_on(vehicle(name), grip, speeds=speeds, n_angles=columns)


def plants_limits(
    *grips: float, name: str = "demo_racer", speeds: tuple[float, ...] = SPEEDS, columns: int = 13
) -> SteadyLimits:
    return steady_limits([(g, on_grip(name, g, speeds, columns)) for g in grips])


@cache
def demo(*grips: float, name: str = "demo_racer") -> Bike:
    """The demo racer with the plant's own limits on these grips, rolled by the shipped rigs' actuator."""
    return bike_of(vehicle(name), plants_limits(*(grips or (1.0,)), name=name), steer_torque_Nm=TORQUE)


@cache
def demo_lap(name: str, grip: float, ds_m: float) -> IdealLap:
    """The demo circuit ridden by that bike, which several tests look at."""
    return ideal_lap(circuit(ds_m), demo(grip, name=name), grip=grip)


@cache
def round_limits(friction: float, lift: float = math.inf, stoppie: float = math.inf) -> SteadyLimits:
    return round_friction(friction, lift=lift, stoppie=stoppie)


def bare(limits: SteadyLimits, **changes: object) -> Bike:
    """A bike of these limits without air, crown and crankshaft, all the torque it wants; any roll rate."""
    bike = bike_of(vehicle(), limits)._replace(drag=0.0, crown=0.0, gear_inertia=np.zeros(6))
    strong = np.full(bike.wheel_torque.shape, 1e5)
    return bike._replace(**{"wheel_torque": strong, **changes})  # type: ignore[arg-type]


def station(
    curvature: float = 0.0, bank: float = 0.0, slope: float = 0.0, rate: float = 0.0, grip: float = 1.0
):
    return np.array([curvature, bank, slope, rate, grip, 0.0, 0.0])


def ring(radius: float, *, left: bool = True) -> Line:
    return build_line([Turn(math.copysign(2.0 * math.pi, 1 if left else -1), radius, 0.0)], closed=True)


# -- closed forms ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("radius", [25.0, 200.0])
def test_on_a_circle_grip_times_gravity_is_the_lateral_acceleration(radius):
    lap = ideal_lap(ring(radius), bare(round_limits(0.9)))
    np.testing.assert_allclose(lap.speed, math.sqrt(0.9 * G * radius), rtol=1e-4)
    assert lap.time[-1] == pytest.approx(2.0 * math.pi * radius / lap.speed[0], rel=1e-9)


@pytest.mark.parametrize("left", [True, False])
def test_the_lean_limit_of_a_thin_bike(left):
    # tan(lean) = v^2 / (g R)
    lean, radius = 40.0 * DEG, 60.0
    limits = table(lambda grip: (-3.0, 3.0), lambda grip, f: math.sqrt(9.0 - f * f), lean_limit=lean)
    expected = math.sqrt(G * math.tan(lean) * radius)
    np.testing.assert_allclose(ideal_lap(ring(radius, left=left), bare(limits)).speed, expected, rtol=1e-4)
    assert lean_at(
        bare(limits), station(math.copysign(1 / radius, 1 if left else -1)), expected
    ) == pytest.approx(lean if left else -lean, abs=1e-3)


@pytest.mark.parametrize(("bank_deg", "left"), [(-8.0, True), (8.0, True), (8.0, False), (-8.0, False)])
def test_bank_is_positive_right_side_down(bank_deg, left):
    # v^2/R = g (mu + tan b) / (1 - mu tan b), b positive where the inner side is down
    radius, mu = 80.0, 0.8
    inner_down = math.tan(-bank_deg * DEG if left else bank_deg * DEG)
    need = G * (mu + inner_down) / (1.0 - mu * inner_down)
    lap = ideal_lap(ring(radius, left=left), bare(round_limits(0.8)), bank=bank_deg * DEG)
    np.testing.assert_allclose(lap.speed, math.sqrt(need * radius), rtol=1e-4)


@pytest.mark.parametrize("slope_deg", [0.0, 6.0, -6.0])
def test_braking_is_the_least_of_grip_and_stoppie(slope_deg):
    slope = slope_deg * DEG
    for limits, most in ((round_limits(0.5), 0.5), (round_limits(2.0, 1.1, 0.9), 0.9)):
        expected = most * G * math.cos(slope) + G * math.sin(slope)
        assert _limit(bare(limits), station(slope=slope), 30.0, False) == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize("slope_deg", [0.0, 6.0, -6.0])
def test_drive_is_the_least_of_grip_and_front_wheel_lift(slope_deg):
    slope = slope_deg * DEG
    for limits, most in ((round_limits(0.5), 0.5), (round_limits(2.0, 1.1, 0.9), 1.1)):
        expected = most * G * math.cos(slope) - G * math.sin(slope)
        assert _limit(bare(limits), station(slope=slope), 30.0, True) == pytest.approx(expected, abs=1e-6)


def test_a_crest_lightens_and_a_dip_loads():
    bike, v, k = bare(round_limits(0.6)), 30.0, 1.0 / 300.0
    for sign in (-1.0, 1.0):
        at = station(rate=sign * k)
        assert _limit(bike, at, v, False) == pytest.approx(0.6 * (G + sign * k * v * v), abs=1e-6)
    # Beyond sqrt(g / k) the wheels leave the road on a crest.
    line = build_line([Straight(200.0)], closed=False, ds_m=0.5)
    slope = -(line.station - 100.0) / 150.0 * 0.1
    lap = ideal_lap(line, bike, slope=slope)
    assert lap.speed.max() <= math.sqrt(G * 1500.0)
    assert lap.speed.size == 401


def test_air_drag_helps_braking():
    bike, v = bare(round_limits(0.5), drag=1e-3), 50.0
    assert _limit(bike, station(), v, False) == pytest.approx(0.5 * G + 1e-3 * v * v, abs=1e-6)


def test_between_two_grips_the_limit_is_between():
    bike = bare(round_limits(1.0))
    low, middle, high = (_limit(bike, station(grip=g), 20.0, False) for g in (0.5, 0.51, 0.525))
    assert low == pytest.approx(0.5 * G, abs=1e-6)
    assert low < middle < high


def test_a_hill_is_climbed_slower_and_its_length_counts():
    line = build_line([Straight(1000.0)], closed=False, ds_m=1.0)
    torque_of_f = 200.0 * G * 0.31  # of the table: 200 kg on a wheel of 0.31 m
    bike = bare(round_limits(2.0), wheel_torque=np.full((6, 1201), 200.0))
    rise = 4.0 * DEG
    # Constant force uphill from 20 m/s: v^2 = v0^2 + 2 (F/m - g sin s) S, S = plan length / cos s.
    lap = ideal_lap(line, bike, slope=rise, initial_speed_m_s=20.0)
    force = 200.0 / torque_of_f * G - G * math.sin(rise)
    expected = np.sqrt(400.0 + 2.0 * force * line.station / math.cos(rise))
    np.testing.assert_allclose(lap.speed, expected, rtol=1e-6)
    assert lap.time[-1] == pytest.approx((lap.speed[-1] - 20.0) / force, rel=1e-6)


# -- roll rate ---------------------------------------------------------------------------------------------


def chicane(length: float = 60.0) -> Line:
    """Straight, left, right, straight; the turns are all transition, so that curvature changes evenly."""
    angle, radius = 60.0 * DEG, 40.0
    return build_line(
        [
            Straight(200.0),
            Turn(angle, radius, length / 2.0),
            Turn(-angle, radius, length / 2.0),
            Straight(200.0),
        ],
        closed=False,
        ds_m=0.25,
    )


@jit
def leans(bike, curvature, speed, at, out):
    """Fill ``out`` (n,) with the lean [rad] on flat road; ``at``: a station."""
    for i in range(out.size):
        at[0] = curvature[i]
        out[i] = lean_at(bike, at, speed[i])


def rolled(bike: Bike, line: Line, lap: IdealLap) -> np.ndarray:
    """Roll rate [rad/s] in each step of a flat lap: change of lean over the step's time."""
    lean = np.empty(lap.speed.size)
    leans(bike, line.curvature, lap.speed, station(), lean)
    return np.diff(lean) / np.diff(lap.time)


def test_a_change_of_lean_takes_no_more_roll_rate_than_there_is():
    line, limits = chicane(), round_limits(1.2)
    free = bare(limits)
    fast = ideal_lap(line, free)
    most = 1.2
    slow_to_roll = free._replace(roll_rate=np.full(limits.speeds.size, most))
    lap = ideal_lap(line, slow_to_roll)
    assert np.abs(rolled(free, line, fast)).max() > 2.0 * most
    rates = np.abs(rolled(free, line, lap))
    assert rates.max() < 1.03 * most
    assert lap.time[-1] > fast.time[-1] + 0.2
    # Where the curvature passes through zero nothing but the speed rolls: tan(lean) = k v^2 / g
    # gives k' v^3 / g.
    change = np.gradient(line.curvature, line.station)
    crossing = int(np.argmin(np.abs(line.curvature[900:-900]))) + 900
    assert lap.speed[crossing] == pytest.approx((most * G / abs(change[crossing])) ** (1.0 / 3.0), rel=0.02)
    assert rates[crossing] == pytest.approx(most, rel=0.03)


def test_more_roll_rate_is_never_slower():
    line, limits = chicane(), round_limits(1.2)
    times = [
        ideal_lap(line, bare(limits, roll_rate=np.full(limits.speeds.size, most))).time[-1]
        for most in (0.6, 1.0, 1.8, 3.5, math.inf)
    ]
    assert (np.diff(times) < 1e-9).all()
    assert (np.diff(times)[:2] < -0.1).all()


def test_on_the_demo_circuit_the_steering_torque_is_enough():
    """The shipped actuator's torque bounds the roll rate at speed; a third of it costs time."""
    line, lap = circuit(), demo_lap("demo_racer", 1.0, 1.0)
    weak = bike_of(vehicle(), plants_limits(1.0), steer_torque_Nm=TORQUE / 3.0)
    free = bike_of(vehicle(), plants_limits(1.0))
    assert ideal_lap(line, free).time[-1] <= lap.time[-1] + 1e-9
    assert ideal_lap(line, weak).time[-1] > lap.time[-1] + 0.1
    bike = demo()
    rates = np.abs(rolled(bike, line, lap))
    most = np.array([most_roll(bike, float(v)) for v in lap.speed])
    assert (rates < 1.05 * np.maximum(most[1:], most[:-1])).all()


# -- power -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("speed", "gear"), [(62.0, 4), (70.0, 5), (75.0, 6)])
def test_at_full_throttle_the_plant_gains_speed_as_the_lap_says(speed, gear):
    """Ridden straight on; from there the front wheel stays down."""
    plant, bike = vehicle(), demo()
    steady = steady_motion(plant, speed)
    x, u = steady.x.copy(), steady.u.copy()
    body = plant.body[0]
    ratio = float(body["gearbox_primary"] * body[f"gearbox_gear_{gear}"] * body["final_drive_rear_radius"])
    x[ENGINE] = x[JOINT_RATE + REAR_WHEEL] * ratio / float(body["final_drive_front_radius"])
    x[CLUTCH_TWIST] = 0.1
    u[U_GEAR], u[U_THROTTLE] = gear, 1.0
    ride(plant, x, u, 5e-4, 1200)  # the driveline winds up and the suspension settles
    before = float(x[VELOCITY])
    ride(plant, x, u, 5e-4, 400)
    grown = (float(x[VELOCITY]) - before) / 0.2
    at = 0.5 * (float(x[VELOCITY]) + before)
    only = np.zeros_like(bike.wheel_torque)
    only[gear - 1] = bike.wheel_torque[gear - 1]
    assert _limit(bike._replace(wheel_torque=only), station(), at, True) == pytest.approx(grown, abs=0.06)
    assert _limit(bike, station(), at, True) >= grown - 0.06


def test_top_speed_is_where_nothing_is_left():
    line = build_line([Straight(9000.0)], closed=False, ds_m=4.0)
    thick = demo()._replace(drag=2.0 * demo().drag)
    v = float(ideal_lap(line, thick, initial_speed_m_s=60.0).speed[-1])
    assert _limit(thick, station(), v - 0.3, True) > 0.0 > _limit(thick, station(), v + 0.3, True)


def test_from_rest_the_clutch_slips_in_first_gear():
    line = build_line([Straight(60.0)], closed=False, ds_m=0.5)
    bike = demo()
    a = np.diff(ideal_lap(line, bike, initial_speed_m_s=0.0).speed ** 2)
    # Front wheel lift is the limit for this bike; a tenth of the torque makes it the clutch's.
    assert a[0] == pytest.approx(a[3], rel=0.05)
    weak = bike._replace(wheel_torque=0.1 * bike.wheel_torque)
    slow = ideal_lap(line, weak, initial_speed_m_s=0.0)
    ratio = 1.68 * 2.46 * 0.1062 / 0.0407
    body = vehicle().body[0]
    parts = ("main_frame", "swingarm", "rear_wheel", "steered_frame", "fork_lower", "front_wheel")
    mass = sum(float(body[f"{part}_mass"]) for part in parts)
    radius = 0.31  # loaded, half an inch less than the tyre's own
    heavy = mass + 0.46 / 0.29**2 + (0.6 + weak.gear_inertia[0]) / radius**2
    pull = 0.1 * 110.0 * ratio / radius - 0.016 * mass * G
    assert slow.speed[1] == pytest.approx(math.sqrt(2.0 * 0.5 * pull / heavy), rel=0.02)


# -- against the whole model -------------------------------------------------------------------------------


@pytest.mark.parametrize(("speed", "roll_deg"), [(10.0, 30.0), (20.0, -30.0), (20.0, 48.0), (40.0, 40.0)])
def test_lean_and_curvature_are_those_of_the_whole_models_steady_turn(speed, roll_deg):
    steady = None
    for part in (0.25, 0.5, 0.75, 1.0):
        steady = steady_motion(vehicle(), speed, part * roll_deg * DEG, grip=1.2, guess=steady)
    at = station(steady.curvature)
    path = speed / math.cos(steady.drift)
    assert -lean_at(demo(), at, path) / DEG == pytest.approx(roll_deg, abs=0.4)


# -- the lap -----------------------------------------------------------------------------------------------


@jit
def shares(bike, curvature, grip, speed, a, at, out):
    """Fill ``out`` (n, 2): lateral acceleration over its limit at both ends of each interval; 2: no limit.

    Returns whether the road bore gravity and nothing else everywhere.
    """
    flat = True
    for i in range(a.size):
        for end in range(2):
            at[0], at[4] = curvature[i + end], grip[i + end]
            v = speed[i + end]
            y, n = needs(bike, at, v)
            flat = flat and n == G
            # a hair of f is what halving leaves
            f = (a[i] + bike.drag * v * v) / G
            most = lateral_limit(bike.limits, at[4], v, f)
            most = max(most, lateral_limit(bike.limits, at[4], v, f * (1.0 - 1e-4)))
            out[i, end] = abs(y) / G / most if most > 0.0 else 2.0
    return flat


def share_used(bike: Bike, line: Line, lap: IdealLap, grip: np.ndarray) -> np.ndarray:
    """Lateral acceleration over its limit in each interval, the greater of its ends; 2 where f is beyond."""
    ds = line.length / (line.station.size - 1)
    a = np.diff(lap.speed**2) / (2.0 * ds)
    used = np.empty((a.size, 2))
    assert shares(bike, line.curvature, grip, lap.speed, a, station(), used)
    return used.max(axis=1)


@jit
def idle_steps(bike, curvature, grip, speed, a, used, at):
    """In how many intervals neither tyres, lift, lean, roll rate nor engine are at their limit."""
    idle = 0
    for i in range(a.size):
        at[0], at[4] = curvature[i], grip[i]
        drive, brake = _limit(bike, at, speed[i], True), -_limit(bike, at, speed[i], False)
        idle += used[i] < 0.97 and brake + 0.5 < a[i] < drive - 0.5
    return idle


@pytest.mark.parametrize("grip", [0.5, 0.9, 1.3])
def test_no_limit_is_exceeded_anywhere_on_the_demo_circuit(grip):
    line, bike = circuit(), demo(0.7 * grip, grip)
    road = surface(grip, [Patch(820.0, 860.0, 4.0, -4.0, 0.7 * grip, 2.0)])
    along = grip_along(road, line)
    lap = ideal_lap(line, bike, grip=along)
    used = share_used(bike, line, lap, along)
    assert used.max() <= 1.03
    # Nothing is left lying about: nearly everywhere the tyres, lift, lean, roll rate or the engine is at
    # its limit.
    a = np.diff(lap.speed**2) / (2.0 * line.length / (line.station.size - 1))
    idle = idle_steps(bike, line.curvature, along, lap.speed, a, used, station())
    assert idle / a.size < 0.05


@settings(max_examples=6)
@given(
    radii=st.tuples(*[st.floats(15.0, 120.0)] * 3),
    first=st.floats(40.0, 400.0),
    grip=st.floats(0.3, 1.4),
    wet=st.floats(0.4, 1.0),
    power=st.floats(0.2, 1.5),
)
def test_on_circuits_drawn_at_random_no_limit_is_exceeded(radii, first, grip, wet, power):
    a, b, c = radii
    line = build_line(
        [
            Straight(first + 300.0),
            Turn(130 * DEG, a, 0.4 * a),
            Straight(100.0, True),
            Turn(110 * DEG, b, 0.4 * b),
            Straight(100.0, True),
            Turn(120 * DEG, c, 0.4 * c),
            Straight(30.0),
        ],
        closed=True,
        blend_m=6.0,
        ds_m=1.0,
    )
    bike = bare(round_limits(1.0, 1.1, 1.1))
    bike = bike._replace(wheel_torque=power * bike_of(vehicle(), bike.limits).wheel_torque)
    road = surface(grip, [Patch(330.0, 380.0, 4.0, -4.0, wet * grip, 3.0)])
    along = grip_along(road, line)
    lap = ideal_lap(line, bike, grip=along)
    assert share_used(bike, line, lap, along).max() <= 1.01
    assert lap.speed[0] == lap.speed[-1]
    assert lap.time[-1] == pytest.approx(
        np.sum(2.0 * np.diff(line.station) / (lap.speed[1:] + lap.speed[:-1]))
    )


def test_a_closed_lap_has_no_first_sample():
    line, bike = circuit(), demo(0.9)
    lap = ideal_lap(line, bike, grip=0.9)
    assert lap.speed[0] == lap.speed[-1]
    shift = 700
    rolled_on = np.roll(line.curvature[:-1], shift)
    again = ideal_lap(line._replace(curvature=np.append(rolled_on, rolled_on[0])), bike, grip=0.9)
    np.testing.assert_allclose(again.speed[:-1], np.roll(lap.speed[:-1], shift), rtol=1e-4)


def test_more_grip_and_more_power_are_never_slower():
    line = circuit()
    grips = (0.5, 1.0, 1.4)
    laps = [ideal_lap(line, demo(*grips), grip=grip).time[-1] for grip in grips]
    assert (np.diff(laps) < -0.5).all()
    bike = demo()
    laps = [
        lap.time[-1]
        for lap in (
            ideal_lap(line, bike._replace(wheel_torque=0.3 * bike.wheel_torque)),
            demo_lap("demo_racer", 1.0, 1.0),
            ideal_lap(line, bike._replace(wheel_torque=1.3 * bike.wheel_torque)),
        )
    ]
    assert (np.diff(laps) < 0.0).all()


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "grip"),
    [
        ("demo_racer", 1.0),
        pytest.param("light_trainer", 0.5, marks=pytest.mark.timing),  # for the ordinary run's length only
        pytest.param("demo_racer", 0.5, marks=pytest.mark.timing),
        pytest.param("light_trainer", 1.0, marks=pytest.mark.timing),
    ],
)
def test_no_refinement_beats_the_stated_error(name, grip):
    """Half the steps of the line, half those of the table's rows and columns, and both."""
    rows = tuple(float(v) for v in np.interp(np.arange(0, 11.1, 0.5), np.arange(12), SPEEDS))
    fine = plants_limits(grip, name=name, speeds=rows, columns=26)
    lap = demo_lap(name, grip, 1.0)
    assert 0.0 < lap.error_s < 0.01 * lap.time[-1]
    finer_bike = bike_of(vehicle(name), fine, steer_torque_Nm=TORQUE)
    for again in (
        demo_lap(name, grip, 0.5),
        demo_lap(name, grip, 0.25),
        ideal_lap(circuit(), finer_bike, grip=grip),
        ideal_lap(circuit(0.25), finer_bike, grip=grip),
    ):
        assert abs(again.time[-1] - lap.time[-1]) <= lap.error_s
        assert again.error_s < 1.1 * lap.error_s


def test_halving_the_step_converges():
    times = [demo_lap("demo_racer", 1.0, ds).time[-1] for ds in (4.0, 2.0, 1.0, 0.5)]
    changes = np.abs(np.diff(times))
    assert (changes[1:] < 0.75 * changes[:-1]).all()
    assert changes[-1] < 0.1


def test_a_standing_start_is_that_of_two_laps_straight_on():
    line, bike, flying = circuit(), demo(), demo_lap("demo_racer", 1.0, 1.0)
    first = ideal_lap(line, bike, initial_speed_m_s=0.0, flying=flying)
    both = line._replace(
        station=np.concatenate([line.station[:-1], line.station + line.length]),
        curvature=np.concatenate([line.curvature[:-1], line.curvature]),
        bank=np.zeros(2 * line.station.size - 1),
        slope=np.zeros(2 * line.station.size - 1),
        length=2.0 * line.length,
        closed=False,
    )
    straight_on = ideal_lap(both, bike, initial_speed_m_s=0.0)
    np.testing.assert_allclose(first.speed, straight_on.speed[: line.station.size], atol=1e-3)
    assert flying.time[-1] + 1.0 < first.time[-1] < flying.time[-1] + 8.0
    assert first.error_s == flying.error_s > 0.0


# -- sectors -----------------------------------------------------------------------------------------------


def test_sector_times_add_up_and_are_those_of_constant_speed():
    line = with_speed(ring(100.0), np.full(ring(100.0).station.size, 20.0))
    lap = planned_lap(line)
    assert sector_times(line, lap, sector_ends(line.length)) == pytest.approx(
        [line.length / 60.0] * 3, rel=1e-12
    )
    ends = sector_ends(line.length, (100.25, 400.0))
    assert sector_times(line, lap, ends) == pytest.approx(
        [100.25 / 20, 299.75 / 20, (line.length - 400) / 20]
    )


def test_a_mark_between_samples_is_passed_in_uniform_acceleration():
    line = build_line([Straight(100.0)], closed=False, ds_m=10.0)
    line = with_speed(line, np.sqrt(2.0 * 3.0 * (line.station + 5.0)))
    lap = planned_lap(line)
    (first, second) = sector_times(line, lap, (33.0, 100.0))
    start = math.sqrt(2.0 * 5.0 / 3.0)
    assert first == pytest.approx(math.sqrt(2.0 * 38.0 / 3.0) - start, rel=1e-12)
    assert first + second == pytest.approx(lap.time[-1], rel=1e-12)


@pytest.mark.parametrize("marks", [(0.0,), (300.0, 200.0), (100.0, 100.0), (1000.0,), (-5.0,)])
def test_marks_outside_the_lap_or_out_of_order_are_refused(marks):
    with pytest.raises(ValueError, match=r"expected rising stations above 0 and below 1000\.0 m, got"):
        sector_ends(1000.0, marks)


def test_what_can_not_be_ridden_is_refused():
    line, bike = build_line([Straight(300.0)], closed=False), bare(round_limits(1.0))
    with pytest.raises(
        ValueError, match=r"at station 0\.0 m the bike can't stand: bank 0\.0 and slope 30\.0"
    ):
        ideal_lap(line, bike, slope=30.0 * DEG, grip=0.3)
    with pytest.raises(ValueError, match="can't stand: bank -35"):
        ideal_lap(line, bike, bank=-35.0 * DEG, grip=0.4)
    with pytest.raises(ValueError, match="grip, bank, slope: expected finite numbers, grip above 0"):
        ideal_lap(line, bike, grip=0.0)
    with pytest.raises(ValueError, match="initial_speed_m_s: expected 0 to"):
        ideal_lap(line, bike, initial_speed_m_s=400.0)
    with pytest.raises(ValueError, match="the engine can't move the bike"):
        ideal_lap(line, bike._replace(wheel_torque=0.0 * bike.wheel_torque), initial_speed_m_s=0.0)
    with pytest.raises(ValueError, match="no target speed above 0"):
        planned_lap(line)
