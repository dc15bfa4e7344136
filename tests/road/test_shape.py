"""The shape of the road: heights where they were asked for, no steps, planes that meet, a bike on it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from emulator.core.constants import GRAVITY
from emulator.road.build_line import Straight, Turn, build_line
from emulator.road.line import Line, locate, sample
from emulator.road.shape import Bump, RoadProfile, flat, height_at, plane_under, road_profile
from emulator.vehicle.equilibrium import standing, steady_motion
from emulator.vehicle.integrate import begin
from emulator.vehicle.state import (
    JOINT_RATE,
    POSITION,
    QUATERNION,
    T_LOAD,
    U_ROAD_FRONT,
    U_ROAD_REAR,
    VELOCITY,
    scratch,
)
from tests.support.machines import demo, demo_file, no_inputs, ride

G = GRAVITY
STRAIGHT = build_line((Straight(500.0),), closed=False, ds_m=0.5)
LAP = build_line(
    (
        Straight(200.0),
        Turn(math.pi / 2, 40.0, 20.0),
        Straight(100.0, free=True),
        Turn(math.pi / 2, 40.0, 20.0),
        Straight(200.0, free=True),
        Turn(math.pi / 2, 40.0, 20.0),
        Straight(100.0),
        Turn(math.pi / 2, 40.0, 20.0),
    ),
    closed=True,
    ds_m=0.5,
)


def wavy(line: Line = LAP) -> RoadProfile:
    """Everything at once, periodic in the lap."""
    turn = 2.0 * math.pi * line.station / line.length
    rough = 0.004 * np.random.default_rng(5).normal(size=4000)
    return road_profile(
        line,
        3.0 * np.sin(2.0 * turn),
        6.0 * 2.0 * math.pi / line.length * np.cos(2.0 * turn),
        0.08 * np.sin(turn),
        [Bump(100.0, 2.0, 0.05, 3.0, -3.0), Bump(line.length - 1.0, 3.0, -0.03, 9.0, -9.0)],
        rough,
        line.length / 4000,
    )


def under(
    road: RoadProfile, x: float, y: float, vx: float, vy: float, hint: float
) -> tuple[float, float, float]:
    """The plane for the next millisecond at a place near the station ``hint``."""
    station, offset, _ = locate(LAP, x, y, hint)
    return plane_under(road, LAP, station, offset, x, y, vx, vy, 1e-3)


def test_a_flat_road_is_flat() -> None:
    assert not flat(LAP).uneven
    assert height_at(flat(LAP), LAP, 33.0, 2.0) == 0.0
    assert under(flat(LAP), 5.0, 1.0, 20.0, 3.0, 5.0) == (0.0, 0.0, 0.0)


def test_bank_tilts_about_the_line_and_lifts_the_left_side_when_positive() -> None:
    n = LAP.station.size
    road = road_profile(LAP, np.zeros(n), np.zeros(n), np.full(n, 0.1))
    assert height_at(road, LAP, 70.0, 2.0) == pytest.approx(2.0 * math.tan(0.1))
    assert height_at(road, LAP, 70.0, -3.0) == pytest.approx(-3.0 * math.tan(0.1))
    assert height_at(road, LAP, 70.0, 0.0) == 0.0


def test_a_bump_is_one_wave_of_the_cosine_between_its_sides() -> None:
    n = LAP.station.size
    road = road_profile(LAP, np.zeros(n), np.zeros(n), np.zeros(n), [Bump(100.0, 2.0, 0.05, 1.0, -1.0)])
    assert height_at(road, LAP, 101.0, 0.0) == pytest.approx(0.05)
    assert height_at(road, LAP, 100.5, 0.5) == pytest.approx(0.025)
    assert height_at(road, LAP, 101.0 + LAP.length, 0.0) == pytest.approx(0.05)
    for station, offset in ((99.9, 0.0), (102.1, 0.0), (101.0, 1.3), (101.0, -1.3)):
        assert height_at(road, LAP, station, offset) == 0.0


@settings(max_examples=300)
@given(station=st.floats(-500.0, 1500.0), offset=st.floats(-6.0, 6.0))
def test_height_has_no_steps_anywhere(station: float, offset: float) -> None:
    road = wavy()
    here = height_at(road, LAP, station, offset)
    for ds, do in ((1e-6, 0.0), (0.0, 1e-6)):
        assert height_at(road, LAP, station + ds, offset + do) == pytest.approx(here, abs=2e-6)
    assert height_at(road, LAP, station + LAP.length, offset) == pytest.approx(here, abs=1e-9)


@settings(max_examples=200)
@given(
    station=st.floats(0.0, 500.0),
    offset=st.floats(-5.0, 5.0),
    speed=st.floats(0.0, 60.0),
    way=st.floats(-3, 3),
)
def test_the_plane_touches_the_road_here_and_where_the_tyre_will_be(
    station: float, offset: float, speed: float, way: float
) -> None:
    """The chord: on the road at both ends of the tick's way, up to the bend of the line within that way."""
    road = wavy()
    x0, y0, heading, _, _ = sample(LAP, station)
    x, y = x0 - offset * math.sin(heading), y0 + offset * math.cos(heading)
    vx, vy = speed * math.cos(heading + way), speed * math.sin(heading + way)
    z0, gx, gy = under(road, x, y, vx, vy, station)
    assert z0 + gx * x + gy * y == pytest.approx(height_at(road, LAP, station, offset), abs=1e-5)
    if speed > 20.0:
        z1, hx, hy = under(road, x + vx * 1e-3, y + vy * 1e-3, vx, vy, station)
        meet = (x + vx * 1e-3, y + vy * 1e-3)
        assert z0 + gx * meet[0] + gy * meet[1] == pytest.approx(z1 + hx * meet[0] + hy * meet[1], abs=1e-4)


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"elevation": np.zeros(3)}, "elevation: expected"),
        ({"bank": np.full(LAP.station.size, math.nan)}, "bank: expected"),
        ({"bumps": [Bump(1.0, 0.0, 0.1, 1.0, -1.0)]}, "bump 0: expected a length above 0"),
        ({"rough": np.array([math.inf])}, "roughness: expected finite heights"),
    ],
)
def test_shapes_that_make_no_sense_are_refused(change: dict[str, object], text: str) -> None:
    n = LAP.station.size
    good = {"elevation": np.zeros(n), "rise": np.zeros(n), "bank": np.zeros(n)}
    with pytest.raises(ValueError, match=text):
        road_profile(LAP, **{**good, **change})  # type: ignore[arg-type]


# --- the bike on it ----------------------------------------------------------------------------------


def slope_inputs(slope: float) -> np.ndarray:
    u = no_inputs()
    u[U_ROAD_REAR + 1] = u[U_ROAD_FRONT + 1] = slope
    return u


@pytest.mark.parametrize("degrees", [-6.0, 6.0])
def test_downhill_it_rolls_off_by_the_slope_less_rolling_resistance(degrees: float) -> None:
    """a = g sin(theta) - f g cos(theta), the wheels' inertia added; common practice, no source."""
    theta = math.radians(degrees)
    vehicle, u = demo(), slope_inputs(math.tan(theta))
    x = standing(vehicle, 0.0, 0.0, 0.0, u[U_ROAD_REAR : U_ROAD_REAR + 6])
    ride(vehicle, x, u, 1e-3, 300)  # off the rest position
    start = float(x[VELOCITY])
    ride(vehicle, x, u, 1e-3, 1000)
    values = demo_file().values
    mass = 38.0 + sum(e["mass"] for e in values.values() if "mass" in e)
    spun = sum(
        values[w]["spin_inertia"] / values[t]["radius"] ** 2
        for w, t in (("rear_wheel", "tyre_rear"), ("front_wheel", "tyre_front"))
    )
    down = mass * G * math.sin(abs(theta)) - 0.016 * mass * G * math.cos(theta)
    gained = (float(x[VELOCITY]) - start) * (-1.0 if degrees > 0.0 else 1.0)
    # the chain drags gears and countershaft of the neutral box along: nothing there has inertia
    assert gained == pytest.approx(down / (mass + spun), rel=0.01)


def test_standing_on_a_slope_the_wheels_carry_the_weight_across_it() -> None:
    theta = math.radians(5.0)
    u = slope_inputs(math.tan(theta))
    vehicle, s = demo(), scratch()
    x = standing(vehicle, 3.0, -2.0, 0.0, u[U_ROAD_REAR : U_ROAD_REAR + 6])
    begin(vehicle.body, vehicle.tyre, x, u, s)
    values = demo_file().values
    mass = 38.0 + sum(e["mass"] for e in values.values() if "mass" in e)
    load = float(s[0]["tyre"][0, T_LOAD] + s[0]["tyre"][1, T_LOAD])
    assert load == pytest.approx(mass * G * math.cos(theta), rel=2e-3)
    assert x[POSITION + 2] == pytest.approx(3.0 * math.tan(theta), abs=0.02)
    level = standing(vehicle, 3.0, -2.0, 0.0)
    nose_up = 2.0 * math.asin(float(level[QUATERNION + 2])) - 2.0 * math.asin(float(x[QUATERNION + 2]))
    assert nose_up == pytest.approx(theta, abs=0.01)


def test_over_a_step_of_slope_the_suspension_works_and_settles() -> None:
    """From the level onto 4 % at 15 m/s: after a second the bike climbs at the slope's rate."""
    vehicle, x = demo(), steady_motion(demo(), 15.0).x.copy()
    ride(vehicle, x, slope_inputs(0.04), 1e-3, 1)
    u = slope_inputs(0.04)
    x[POSITION : POSITION + 2] = 0.0
    ride(vehicle, x, u, 1e-3, 1000)
    z = float(x[POSITION + 2])
    px = float(x[POSITION])
    ride(vehicle, x, u, 1e-3, 200)
    assert (x[POSITION + 2] - z) / (x[POSITION] - px) == pytest.approx(0.04, rel=0.02)
    assert np.isfinite(x[JOINT_RATE : JOINT_RATE + 6]).all()
