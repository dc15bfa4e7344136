"""The ideal lap against closed forms, the whole model's steady turns, and every limit it promises."""

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
from emulator.core.constants import GRAVITY
from emulator.lap.ideal_lap import (
    Bike,
    IdealLap,
    _limit,
    bike_of,
    grip_along,
    ideal_lap,
    needs,
    planned_lap,
    sector_ends,
    sector_times,
)
from emulator.road.build_line import Straight, Turn, build_line
from emulator.road.line import Line, Patch, surface
from emulator.vehicle.driveline import engine_torque
from emulator.vehicle.equilibrium import AIR_DENSITY, steady_motion
from emulator.vehicle.params import RigidMass, Vehicle, vehicle_record
from tests.support.lines import segments_from_rows, with_speed

DEG = math.pi / 180.0
G = GRAVITY
SCENARIOS = Path(__file__).parents[2] / "scenarios"
ROBOT = RigidMass(38.0, 0.60, 0.0, 0.78, 2.1, 2.6, 1.6)  # invented for the test


@cache
def demo() -> Vehicle:
    file = load_vehicle(SCENARIOS / "vehicles" / "demo_racer.yaml")
    return vehicle_record(file.values, file.tables, robot=ROBOT)


@cache
def circuit(ds_m: float = 1.0) -> Line:
    rows = YAML(typ="safe").load(SCENARIOS / "circuits" / "ostrevel.yaml")["segments"]
    return build_line(segments_from_rows(rows), closed=True, blend_m=12.0, ds_m=ds_m)


@cache
def bike_of_demo() -> Bike:
    return bike_of(demo())


def bare(friction: float, **changes: object) -> Bike:
    """The demo bike without air, rolling resistance, crowns and spin, the same friction in all directions."""
    bike = bike_of(demo(), lean_limit_rad=1.4)._replace(
        crown=0.0,
        spin=0.0,
        wheels_mass=0.0,
        wheel_inertia=0.0,
        rear_crown=0.0,
        drag=0.0,
        lift=0.0,
        friction=np.full(4, friction),
        rolling=np.zeros(2),
        gear_inertia=np.zeros(6),
    )
    return bike._replace(**changes)  # type: ignore[arg-type]


def station(
    curvature: float = 0.0, bank: float = 0.0, slope: float = 0.0, rate: float = 0.0, grip: float = 1.0
):
    return np.array([curvature, bank, slope, rate, grip])


def ring(radius: float, *, left: bool = True) -> Line:
    return build_line([Turn(math.copysign(2.0 * math.pi, 1 if left else -1), radius, 0.0)], closed=True)


# -- closed forms ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("radius", [25.0, 200.0])
def test_on_a_circle_grip_times_gravity_holds_the_mass_centre_on_its_smaller_radius(radius):
    # mu g = v^2 / R (1 - h sin(lean) / R), tan(lean) = mu
    bike = bare(0.9)
    closer = 1.0 - bike.mass_z * math.sin(math.atan(0.9)) / radius
    lap = ideal_lap(ring(radius), bike)
    np.testing.assert_allclose(lap.speed, math.sqrt(0.9 * G * radius / closer), rtol=1e-4)
    assert lap.time[-1] == pytest.approx(2.0 * math.pi * radius / lap.speed[0], rel=1e-9)


@pytest.mark.parametrize("left", [True, False])
def test_the_lean_limit_with_crowns_and_gyroscopic_moment(left):
    # Roll balance about the contact: g q sin(lean) = v_c^2/R (t + q cos(lean) + j cos(lean)).
    lean, radius, t, j = 40.0 * DEG, 60.0, 0.08, 0.016
    bike = bare(3.0, crown=t, spin=j, lean_limit=lean)
    q = bike.mass_z - t
    need = G * q * math.sin(lean) / (t + (q + j) * math.cos(lean))
    # Without spin the crown adds asin(t sin(lean0) / (h - t)) to the lean of thin tyres, tan(lean0) = a / g.
    # Source: Cossalter (2006), from memory.
    thin = math.atan(math.sin(lean) * q / (t + q * math.cos(lean)))
    assert thin + math.asin(t * math.sin(thin) / q) == pytest.approx(lean, abs=1e-12)
    expected = math.sqrt(need * radius / (1.0 - q * math.sin(lean) / radius))
    np.testing.assert_allclose(ideal_lap(ring(radius, left=left), bike).speed, expected, rtol=1e-4)


@pytest.mark.parametrize(("bank_deg", "left"), [(-8.0, True), (8.0, True), (8.0, False), (-8.0, False)])
def test_bank_is_positive_right_side_down(bank_deg, left):
    # v^2/R = g (mu + tan b) / (1 - mu tan b), b positive where the inner side is down
    bike, radius, mu = bare(0.8), 80.0, 0.8
    inner_down = math.tan(-bank_deg * DEG if left else bank_deg * DEG)
    need = G * (mu + inner_down) / (1.0 - mu * inner_down)
    lap = ideal_lap(ring(radius, left=left), bike, bank=bank_deg * DEG)
    # The mass centre leans by atan(mu) against the road; its way inwards is taken in the road's plane.
    closer = 1.0 - bike.mass_z * math.sin(math.atan(mu)) / radius
    np.testing.assert_allclose(lap.speed, math.sqrt(need * radius / closer), rtol=1e-4)


@pytest.mark.parametrize("slope_deg", [0.0, 6.0, -6.0])
def test_braking_is_the_least_of_grip_and_stoppie(slope_deg):
    slope = slope_deg * DEG
    at = station(slope=slope)
    low = bare(0.5)
    assert _limit(low, at, 30.0, False) == pytest.approx(
        0.5 * G * math.cos(slope) + G * math.sin(slope), abs=1e-6
    )
    # The rear wheel lifts when the deceleration felt times height outweighs the load's lever to the front.
    high = bare(5.0)
    lever = (high.wheelbase - high.mass_x) / high.mass_z
    expected = G * math.cos(slope) * lever + G * math.sin(slope)
    assert _limit(high, at, 30.0, False) == pytest.approx(expected, abs=1e-6)
    lower = high._replace(mass_z=high.mass_z - 0.1)
    assert _limit(lower, at, 30.0, False) > expected + 1.0


@pytest.mark.parametrize("slope_deg", [0.0, 6.0, -6.0])
def test_drive_is_the_least_of_grip_and_front_wheel_lift(slope_deg):
    slope = slope_deg * DEG
    at = station(slope=slope)
    strong = {"wheel_torque": np.full((6, demo_torque().shape[1]), 1e5)}
    down, along = G * math.cos(slope), G * math.sin(slope)
    low = bare(0.4, **strong)
    # F = mu N_r, N_r = m (g (p - b) + F/m h) / p
    force = 0.4 * down * (low.wheelbase - low.mass_x) / (low.wheelbase - 0.4 * low.mass_z)
    assert _limit(low, at, 30.0, True) == pytest.approx(force - along, abs=1e-6)
    high = bare(5.0, **strong)
    assert _limit(high, at, 30.0, True) == pytest.approx(down * high.mass_x / high.mass_z - along, abs=1e-6)


def demo_torque() -> np.ndarray:
    return bike_of_demo().wheel_torque


def test_a_crest_lightens_and_a_dip_loads():
    bike, v, k = bare(0.6), 30.0, 1.0 / 300.0
    for sign in (-1.0, 1.0):
        at = station(rate=sign * k)
        assert _limit(bike, at, v, False) == pytest.approx(0.6 * (G + sign * k * v * v), abs=1e-6)
    # Beyond sqrt(g / k) the wheels leave the road on a crest.
    n = 400
    line = build_line([Straight(200.0)], closed=False, ds_m=0.5)
    slope = -(line.station - 100.0) / 150.0 * 0.1
    lap = ideal_lap(line, bike, slope=slope)
    assert lap.speed.max() <= math.sqrt(G * 1500.0)
    assert lap.speed.size == n + 1


def test_air_drag_helps_braking_and_lift_takes_grip():
    bike, v = bare(0.5, drag=0.3, air_z=0.0), 50.0
    plain = 0.5 * G
    assert _limit(bike, station(), v, False) == pytest.approx(plain + 0.3 * v * v / bike.mass, abs=1e-6)
    lifted = bare(0.5, lift=0.1, air_x=bike.mass_x)
    assert _limit(lifted, station(), v, False) == pytest.approx(0.5 * (G - 0.1 * v * v / bike.mass), abs=1e-6)


# -- power -------------------------------------------------------------------------------------------------


def balance(v: float) -> float:
    """Acceleration at full throttle, upright, in the best gear [m/s^2]: the power balance written out."""
    body, rear, front = demo().body[0], demo().tyre[0], demo().tyre[1]
    mass = bike_of_demo().mass
    best = -math.inf
    for n in range(1, 7):
        ratio = float(body["gearbox_primary"] * body[f"gearbox_gear_{n}"])
        ratio *= float(body["final_drive_rear_radius"] / body["final_drive_front_radius"])
        w = v / float(rear["radius"])
        if w * ratio >= float(body["engine_limiter_speed"]):
            continue
        power = float(engine_torque(body, w * ratio, 1.0, 0.0)) * ratio * w
        drag = 0.5 * AIR_DENSITY * float(body["air_drag_area"]) * v**3
        rolling = float(rear["rolling_resistance"]) * mass * G * v
        spin = float(body["rear_wheel_spin_inertia"]) + float(body["engine_inertia"]) * ratio**2
        heavy = mass + spin / float(rear["radius"]) ** 2
        heavy += float(body["front_wheel_spin_inertia"]) / float(front["radius"]) ** 2
        best = max(best, (power - drag - rolling) / v / heavy)
    return best


def test_acceleration_on_a_straight_is_the_power_balance():
    line = build_line([Straight(500.0)], closed=False, ds_m=0.5)
    lap = ideal_lap(
        line, bike_of_demo(), initial_speed_m_s=55.0
    )  # below, the front wheel's lift is the bound
    a = np.diff(lap.speed**2) / (2.0 * 0.5)
    middle = np.sqrt(0.5 * (lap.speed[1:] ** 2 + lap.speed[:-1] ** 2))
    expected = np.array([balance(float(v)) for v in middle])
    np.testing.assert_allclose(a, expected, atol=0.05)
    assert a[-1] < 0.6 * a[0]


def test_top_speed_is_where_drag_takes_all_the_power():
    line = build_line([Straight(6000.0)], closed=False, ds_m=4.0)
    thick = bike_of_demo()._replace(drag=2.0 * bike_of_demo().drag)
    v = ideal_lap(line, thick, initial_speed_m_s=60.0).speed[-1]
    more = 0.5 * AIR_DENSITY * float(demo().body[0]["air_drag_area"]) * v**2

    def left(v: float) -> float:
        return balance(v) - more / (thick.mass + 15.0)  # spin of wheels and crankshaft: 15 kg, about

    assert left(v - 0.3) > 0.0 > left(v + 0.3)


def test_from_rest_the_clutch_slips_in_first_gear():
    line = build_line([Straight(60.0)], closed=False, ds_m=0.5)
    lap = ideal_lap(line, bike_of_demo(), initial_speed_m_s=0.0)
    a = np.diff(lap.speed**2)
    # Front wheel lift is the bound for this bike; a tenth of the torque makes it the clutch's.
    assert a[0] == pytest.approx(a[3], rel=0.05)
    weak = bike_of_demo()._replace(wheel_torque=0.1 * demo_torque())
    slow = ideal_lap(line, weak, initial_speed_m_s=0.0)
    ratio = 1.68 * 2.46 * 0.1062 / 0.0407
    heavy = weak.mass + weak.wheels_mass + (weak.wheel_inertia + weak.gear_inertia[0]) / weak.radius**2
    pull = 0.1 * 110.0 * ratio / weak.radius - 0.016 * weak.mass * G
    assert slow.speed[1] == pytest.approx(math.sqrt(2.0 * 0.5 * pull / heavy), rel=1e-3)


# -- against the whole model -------------------------------------------------------------------------------


@pytest.mark.parametrize(("speed", "roll_deg"), [(10.0, 30.0), (20.0, -30.0), (20.0, 48.0), (40.0, 40.0)])
def test_lean_and_curvature_are_those_of_the_whole_models_steady_turn(speed, roll_deg):
    steady = None
    for part in (0.25, 0.5, 0.75, 1.0):
        steady = steady_motion(demo(), speed, part * roll_deg * DEG, grip=1.2, guess=steady)
    bike = bike_of_demo()
    # The main frame's origin moves on the circle; the contacts stay within the crown's radius of it.
    _, _, lean = needs(bike, station(steady.curvature), speed)
    assert -lean / DEG == pytest.approx(roll_deg, abs=1.0)


# -- the lap -----------------------------------------------------------------------------------------------


def limits_used(bike: Bike, line: Line, lap: IdealLap, grip: np.ndarray) -> np.ndarray:
    """Share of each limit used in each interval, the greater of its ends, written out anew in numpy.

    (n, 5): rear tyre, front tyre, both when braking, wheel lift, lean; 1 is the limit.
    """
    a = np.diff(lap.speed**2) / (2.0 * line.length / (line.station.size - 1))
    use = []
    for end in (slice(None, -1), slice(1, None)):
        v, kappa, mu = lap.speed[end], line.curvature[end], grip[end]
        q, t = bike.mass_z - bike.crown, bike.crown
        lean = np.arctan(kappa * v**2 / G)
        for _ in range(40):
            inward = kappa * v**2 * (1.0 - kappa * q * np.sin(lean))
            miss = G * q * np.sin(lean) - inward * (t + (q + bike.spin) * np.cos(lean))
            lean = lean - miss / (G * q * np.cos(lean) + inward * (q + bike.spin) * np.sin(lean))
        height = t + q * np.cos(lean)
        air = bike.drag * v**2
        pitch = bike.mass * a * (height + bike.spin) + air * bike.air_z * np.cos(lean)
        pitch += bike.lift * v**2 * bike.air_x
        front = (bike.mass * G * bike.mass_x - pitch) / bike.wheelbase
        rear = bike.mass * G - bike.lift * v**2 - front
        lift = 1.0 - np.minimum(front, rear) / (bike.mass * G)
        side = bike.mass * inward
        x = bike.mass * a + air
        driving = x > 0.0
        share = bike.mass_x / bike.wheelbase
        fx = np.where(driving, bike.rolling[1] * front + bike.wheels_mass * np.maximum(a, 0.0), 0.0)
        rear_x = np.where(driving, x + fx, 0.0)
        side_rear, side_front = side * (1.0 - share) / bike.friction[1], side * share / bike.friction[3]
        use_rear = np.hypot(rear_x / bike.friction[0], side_rear) / np.maximum(mu * rear, 1e-9)
        use_front = np.hypot(fx / bike.friction[2], side_front) / np.maximum(mu * front, 1e-9)
        left = bike.friction[0] * np.sqrt(np.maximum((mu * rear) ** 2 - side_rear**2, 0.0))
        left += bike.friction[2] * np.sqrt(np.maximum((mu * front) ** 2 - side_front**2, 0.0))
        braking = np.where(driving, 0.0, -x - left) / (bike.mass * G)
        use.append(
            np.column_stack([use_rear, use_front, 1.0 + braking, lift, np.abs(lean) / bike.lean_limit])
        )
    return np.max(use, axis=0)


@pytest.mark.parametrize("grip", [0.5, 0.9, 1.3])
def test_no_limit_is_exceeded_anywhere_on_the_demo_circuit(grip):
    line, bike = circuit(), bike_of_demo()
    road = surface(grip, [Patch(820.0, 860.0, 4.0, -4.0, 0.7 * grip, 2.0)])
    along = grip_along(road, line)
    lap = ideal_lap(line, bike, grip=along)
    use = limits_used(bike, line, lap, along)
    assert use.max() <= 1.001
    # Nothing is left lying about: nearly everywhere a tyre, wheel lift, lean or the engine is at its limit.
    a = np.diff(lap.speed**2) / (2.0 * line.length / (line.station.size - 1))
    engine = np.array([balance(float(v)) for v in 0.5 * (lap.speed[1:] + lap.speed[:-1])])
    assert np.mean((use.max(axis=1) < 0.97) & (a < engine - 0.5)) < 0.03


@settings(max_examples=12)
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
    bike = bike_of_demo()._replace(wheel_torque=power * demo_torque())
    road = surface(grip, [Patch(330.0, 380.0, 4.0, -4.0, wet * grip, 3.0)])
    along = grip_along(road, line)
    lap = ideal_lap(line, bike, grip=along)
    assert limits_used(bike, line, lap, along).max() <= 1.002
    assert lap.speed[0] == lap.speed[-1]
    assert lap.time[-1] == pytest.approx(
        np.sum(2.0 * np.diff(line.station) / (lap.speed[1:] + lap.speed[:-1]))
    )


def test_a_closed_lap_has_no_first_sample():
    line, bike = circuit(), bike_of_demo()
    lap = ideal_lap(line, bike, grip=0.9)
    assert lap.speed[0] == lap.speed[-1]
    shift = 700
    rolled = np.roll(line.curvature[:-1], shift)
    again = ideal_lap(line._replace(curvature=np.append(rolled, rolled[0])), bike, grip=0.9)
    np.testing.assert_allclose(again.speed[:-1], np.roll(lap.speed[:-1], shift), rtol=1e-6)


def test_more_grip_and_more_power_are_never_slower_anywhere():
    line, bike = circuit(), bike_of_demo()
    before = ideal_lap(line, bike, grip=0.5)
    for grip in (0.7, 1.0, 1.4):
        lap = ideal_lap(line, bike, grip=grip)
        assert (lap.speed >= before.speed - 1e-6).all()
        assert lap.time[-1] < before.time[-1] - 0.5
        before = lap
    before = ideal_lap(line, bike._replace(wheel_torque=0.3 * demo_torque()))
    for power in (0.6, 1.0, 1.3):
        lap = ideal_lap(line, bike._replace(wheel_torque=power * demo_torque()))
        assert (lap.speed >= before.speed - 1e-6).all()
        assert lap.time[-1] < before.time[-1]
        before = lap


def test_halving_the_step_converges():
    bike = bike_of_demo()
    times = [ideal_lap(circuit(ds), bike).time[-1] for ds in (4.0, 2.0, 1.0, 0.5)]
    changes = np.abs(np.diff(times))
    assert (changes[1:] < 0.75 * changes[:-1]).all()
    assert changes[-1] < 0.1


def test_a_standing_start_is_that_of_two_laps_straight_on():
    line, bike = circuit(), bike_of_demo()
    flying = ideal_lap(line, bike)
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
    np.testing.assert_allclose(first.speed, straight_on.speed[: line.station.size], atol=1e-6)
    assert flying.time[-1] + 1.0 < first.time[-1] < flying.time[-1] + 8.0


def test_a_hill_is_climbed_slower_and_its_length_counts():
    line = build_line([Straight(1000.0)], closed=False, ds_m=1.0)
    bike = bare(5.0, wheel_torque=0.0 * demo_torque() + 200.0)
    rise = 4.0 * DEG
    # Constant force uphill from 20 m/s: v^2 = v0^2 + 2 (F/m - g sin s) S, S = plan length / cos s.
    lap = ideal_lap(line, bike, slope=rise, initial_speed_m_s=20.0)
    force = 200.0 / bike.radius / bike.mass - G * math.sin(rise)
    expected = np.sqrt(400.0 + 2.0 * force * line.station / math.cos(rise))
    np.testing.assert_allclose(lap.speed, expected, rtol=1e-6)
    assert lap.time[-1] == pytest.approx((lap.speed[-1] - 20.0) / force, rel=1e-6)


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
    line, bike = build_line([Straight(300.0)], closed=False), bike_of_demo()
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
        ideal_lap(line, bike._replace(wheel_torque=0.0 * demo_torque()), initial_speed_m_s=0.0)
    with pytest.raises(ValueError, match="no target speed above 0"):
        planned_lap(line)
