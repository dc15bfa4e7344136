"""Samples of a left-hand bend: signs by physics, sizes by closed forms, frames as the bench sends them."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from emulator.core.constants import GRAVITY
from emulator.inspection.interface.bend import bend_of, gear_for, without_errors
from emulator.inspection.interface.description import Interface
from emulator.inspection.sensors.capture import level_session
from emulator.vehicle.driveline import overall_ratio
from emulator.wire.nmea_reading import Gga, Rmc, parse
from tests.support.scripted_robot import RIG, Ride


def shown(interface: Interface, situation: str) -> dict[str, float]:
    """Values of all samples of the bench's frames."""
    return {
        name: value
        for f in interface.frames
        if f.sender == "bench"
        for s in f.samples
        if s.situation == situation
        for name, value in s.values.items()
        if value is not None
    }


def test_signs_and_sizes_in_the_bend(demo: Interface) -> None:
    bend, v = demo.bend, shown(demo, "bend")
    lean, rate, speed = bend.lean_rad, bend.yaw_rate_rad_s, bend.speed_m_s
    assert lean == pytest.approx(math.radians(-30.0), abs=1e-6)
    assert rate > 0.0
    assert bend.radius_m == pytest.approx(speed / rate, rel=1e-6)
    # An ideal bike has g tan(lean) = v rate. Round tyres of section t touch beside the plane of symmetry:
    # with the mass h above the ground, lean less asin(t sin(lean) / (h - t)) counts, here 0.5 m < h < 0.7 m.
    t = 0.5 * (demo.wheel_front.crown_radius_m + demo.wheel_rear.crown_radius_m)
    low, high = (math.tan(-lean - math.asin(t * math.sin(-lean) / (h - t))) * GRAVITY for h in (0.5, 0.7))
    assert low < speed * rate < high
    assert v["lean_rad"] == pytest.approx(lean, abs=1e-4)
    # rate of a frame leaned by lean and pitched by a little: (0, rate sin(lean), rate cos(lean))
    assert v["rate_x_rad_s"] == pytest.approx(0.0, abs=0.03 * rate)
    assert v["rate_y_rad_s"] == pytest.approx(rate * math.sin(lean), abs=1e-3)
    assert v["rate_z_rad_s"] == pytest.approx(rate * math.cos(lean), rel=2e-3)
    assert v["rate_y_rad_s"] < 0.0 < v["rate_z_rad_s"]
    # specific force: gravity and centripetal acceleration at the unit, which is nearer to the axis
    imu = demo.mounting.imu_m
    radius = bend.radius_m + imu[2] * math.sin(lean)
    across = rate * rate * radius
    assert v["force_y_m_s2"] == pytest.approx(across * math.cos(lean) + GRAVITY * math.sin(lean), abs=0.1)
    assert v["force_z_m_s2"] == pytest.approx(-across * math.sin(lean) + GRAVITY * math.cos(lean), rel=0.01)
    assert v["steering_angle_rad"] > 0.0
    assert v["steering_rate_rad_s"] == 0.0
    for wheel, name in ((demo.wheel_front, "wheel_front_m_s"), (demo.wheel_rear, "wheel_rear_m_s")):
        leaned = wheel.radius_m - wheel.crown_radius_m * (1.0 - math.cos(lean))
        assert v[name] == pytest.approx(speed * wheel.radius_m / leaned, rel=0.02)
        assert v[name] > speed  # it over-reads, as the page says
    assert v["gear"] == bend.gear
    assert v["engine_rad_s"] == pytest.approx(
        v["wheel_rear_m_s"] / demo.wheel_rear.radius_m * demo.gearbox.ratios[bend.gear - 1], rel=2e-3
    )
    assert v["emulated"] == 1.0
    assert v["state"] == 0.0


def test_the_robot_s_samples_hold_that_bend(demo: Interface) -> None:
    values = {n: x for f in demo.frames if f.sender == "robot" for n, x in f.samples[1].values.items()}
    assert values["estimate_roll_rad"] == pytest.approx(demo.bend.lean_rad, abs=1e-4)
    assert values["estimate_speed_m_s"] == pytest.approx(demo.bend.speed_m_s, abs=5e-3)
    assert values["steering_angle_rad"] == pytest.approx(shown(demo, "bend")["steering_angle_rad"], abs=5e-5)
    assert 0.0 < (values["throttle"] or 0.0) < 0.5
    assert shown(demo, "bend")["throttle"] == pytest.approx(values["throttle"], abs=4e-3)
    assert values["gear_request"] == demo.bend.gear


def test_standing_shows_gravity_and_nothing_else(demo: Interface) -> None:
    v = shown(demo, "standing")
    still = {n: x for n, x in v.items() if n.startswith(("rate_", "wheel_", "lean", "steering"))}
    assert set(still.values()) == {0.0}
    assert v["force_z_m_s2"] == pytest.approx(GRAVITY, abs=0.01)
    assert v["force_y_m_s2"] == 0.0


def test_the_receiver_goes_round_with_the_bend(demo: Interface) -> None:
    said = [parse(line.encode() + b"\r\n") for line in demo.gnss.sample if line[3:6] in ("GGA", "RMC")]
    (gga,) = (s for s in said if isinstance(s, Gga))
    (rmc,) = (s for s in said if isinstance(s, Rmc))
    assert gga.fix_quality == demo.gnss.quality
    heading = (0.5 * math.pi - rmc.course_rad) % (2.0 * math.pi)
    # the antenna is ahead of the rear contact and nearer to the axis: it points a little outward
    assert abs(math.remainder(heading - demo.bend.heading_rad, 2.0 * math.pi)) < 0.05
    inner = demo.bend.radius_m + demo.gnss.antenna_m[2] * math.sin(demo.bend.lean_rad)
    assert rmc.speed_m_s == pytest.approx(demo.bend.yaw_rate_rad_s * inner, rel=2e-3)
    assert [line[3:6] for line in demo.gnss.sample] == list(demo.gnss.sentences)


def test_without_a_fix_it_says_so(demo: Interface) -> None:
    for line in demo.gnss.without_fix:
        said = parse(line.encode() + b"\r\n")
        if isinstance(said, Gga):
            assert said.fix_quality == 0
            assert math.isnan(said.latitude_rad)
        if isinstance(said, Rmc):
            assert not said.valid


def test_standing_samples_are_on_the_bus_of_a_bench_without_errors(demo: Interface) -> None:
    session = level_session(RIG)
    ride = Ride(replace(session, rig=without_errors(session.rig)))
    ride.commands, ride.every = {}, 0
    ride.step(1000)
    for frame in demo.frames:
        if frame.sender != "bench" or frame.name == "emulator_state":  # its count goes on
            continue
        sample = frame.samples[0]
        sent = {payload.hex() for _, name, payload, _, _ in ride.frames if name == frame.name}
        assert sample.hex in sent, frame.name


def test_a_bend_that_can_not_be_held_is_told_with_the_vehicle() -> None:
    session = level_session(RIG)
    slick = session.vehicle._replace(tyre=session.vehicle.tyre.copy())
    slick.tyre["friction_y"] *= 0.2
    with pytest.raises(ValueError, match="expected a turn the vehicle can hold"):
        bend_of(replace(session, vehicle=slick))


def test_the_gear_is_one_the_engine_turns_easily_in() -> None:
    vehicle = level_session(RIG).vehicle
    limiter = float(vehicle.body[0]["engine_limiter_speed"])
    for wheel in (10.0, 60.0, 120.0):
        gear = gear_for(vehicle, wheel)
        assert wheel * overall_ratio(vehicle.body[0], gear) <= 0.6 * limiter
        assert gear == 1 or wheel * overall_ratio(vehicle.body[0], gear - 1) > 0.6 * limiter
    assert gear_for(vehicle, 1000.0) == 6
