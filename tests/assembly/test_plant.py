"""From a checked session to the plant's memory: every number in its place, every misfit reported."""

import dataclasses
import math

import numpy as np
import pytest

from emulator.assembly.plant import build_plant
from emulator.config.rig.file import load_rig
from emulator.config.rig.inertial_unit import EngineOrder, RoadBand, Vibration
from emulator.config.rig.outputs import COMMAND_FRAMES, Output
from emulator.config.rig.sensors import AnalogueSensor
from emulator.config.scenario.events import Trigger
from emulator.config.scenario.schema import Wind
from emulator.config.vehicle.change import TreadTemperature, VehicleChange
from emulator.core.axes import roll_pitch_yaw, rotation_of
from emulator.core.random_streams import stream_start
from emulator.core.signals import ANALOGUE, OUTPUT_VALUES
from emulator.events.sample_faults import SAMPLE_EFFECTS as EFFECTS
from emulator.events.table import FAULT, GRIP, MARK
from emulator.events.trigger import AT_STATION, AT_TICK
from emulator.plant.outputs import STREAM_NAMES
from emulator.road.line import sample
from emulator.sensors.gnss import USUAL_ACCURACY
from emulator.sensors.imu import STREAMS as IMU_STREAMS
from emulator.vehicle.state import (
    FRONT,
    POSITION,
    QUATERNION,
    REAR,
    TREAD,
    U_SUPPORT,
    U_TOW_HEADING,
    U_WIND_X,
    U_WIND_Y,
    VELOCITY,
)
from emulator.wire.dbc_frames import load_codec
from tests.support.events import GripEvent, MarkEvent
from tests.support.scripted_robot import RIG, fault, variant, with_events


def test_the_bike_stands_at_the_start_in_the_support(session):
    start = session.scenario.start.model_copy(update={"station_m": 420.0, "gear": 2})
    plant = build_plant(variant(session, scenario={"start": start}))
    x, y, heading, _, _ = sample(session.line, 420.0)
    np.testing.assert_allclose(plant.x[POSITION : POSITION + 2], (x, y), atol=1e-9)
    roll, pitch, yaw = roll_pitch_yaw(rotation_of(*plant.x[QUATERNION : QUATERNION + 4]))
    assert math.cos(yaw - heading) == pytest.approx(1.0)
    assert roll == pytest.approx(0.0, abs=1e-12)
    slope = float(np.interp(420.0, session.line.station, session.line.slope))
    assert pitch == pytest.approx(-slope, abs=0.01)
    assert not plant.x[VELOCITY : VELOCITY + 3].any()
    assert plant.u[U_SUPPORT] == 1.0
    assert plant.u[U_TOW_HEADING] == heading
    assert plant.run[0]["station"] == 420.0
    assert plant.run[0]["gear"] == 2


def test_treads_begin_at_their_best_or_as_warm_as_the_scenario_says(session):
    """The state is over the best temperature, the scenario's over the air."""
    assert not build_plant(session).x[TREAD : TREAD + 2].any()
    change = VehicleChange(tread_over_air_K=TreadTemperature(front=20.0))
    x = build_plant(variant(session, scenario={"vehicle": change})).x
    best = float(session.vehicle.tyre[FRONT]["tread_best_temperature"])
    assert best > 20.0
    assert x[TREAD + FRONT] == 20.0 - best
    assert x[TREAD + REAR] == 0.0


def test_numbers_of_the_rig_arrive_in_si(session):
    r = build_plant(session).rig[0]
    rig, scenario = session.rig, session.scenario
    assert tuple(r["imu_position"]) == rig.sensors.imu.position_m
    assert r["lean_gain"] == pytest.approx(1.0 - math.exp(-1.0 / 20.0))
    assert r["steer_gain"] == pytest.approx(1.0 - math.exp(-1.0 / 8.0))
    assert r["steer_step"] == pytest.approx(8.0)  # 8000 N m/s for a millisecond
    assert r["front_brake_limit"] == 20e5
    assert r["rear_brake_limit"] == 25e5
    assert r["heartbeat_ticks"] == 200
    assert r["command_ticks"] == 150
    assert r["ramp_ticks"] == 1500
    assert r["arming_ticks"] == 30_000
    assert r["limit_ticks"] == 180_000
    assert r["release_speed"] == pytest.approx(100.0 / 3.6)
    assert r["divergence_speed"] == pytest.approx(rig.limits.divergence_speed_km_h / 3.6)
    assert r["finish_station"] == scenario.start.station_m + scenario.laps * session.line.length
    assert r["gnss_fix"] == 4.0
    # of the rig for its fix, usual for the others
    assert r["gnss_errors"][4].tolist() == [0.008, 0.014, 30.0, 0.009, 0.014, 0.03]
    assert r["gnss_errors"][1].tolist() == list(USUAL_ACCURACY["single"])
    assert not r["gnss_errors"][[0, 3]].any()
    assert (r["gnss_course_sigma"], r["gnss_course_from"]) == (0.002, 0.4)
    assert r["angle_driven"] == 0
    assert tuple(r["antenna_position"]) == rig.sensors.gnss.antenna_position_m


def test_the_inertial_unit_arrives_in_si(session):
    imu = {
        "attitude_deg": (0.0, 0.0, 90.0),
        "misalignment_rad": (0.0, 0.0, 0.01),
        "rate_per_force_rad_s_per_m_s2": (1e-5, 2e-5, 3e-5),
        "vibration": Vibration(
            engine_orders=(EngineOrder(order=2.0, amplitude_m_s2=(0.0, 4.0, 0.0), at_rad_s=1000.0),),
            road=RoadBand(amplitude_m_s2_per_m_s=(0.02, 0.0, 0.01), centre_hz=50.0, damping=0.1),
        ),
    }
    changed = variant(session, sensors={"imu": imu}, seed=3)
    plant = build_plant(changed)
    given, u = changed.rig.sensors.imu, plant.imu[0]
    for t, triad in enumerate(("rate", "force")):
        unit = ("rad_s", "m_s2")[t]
        density = getattr(given, f"{triad}_noise_density_{unit}_sqrtHz")
        assert u["noise_tick"][t] == pytest.approx(density * math.sqrt(1000.0))
        assert u["noise_sample"][t] == 0.0  # it has a low-pass
        sigma = 0.6643 / 0.6174 * getattr(given, f"{triad}_bias_instability_{unit}")
        assert u["drift_sigma"][t] == pytest.approx(sigma, rel=2e-4)
        assert u["drift_keep"][t] == pytest.approx(math.exp(-1e-3 / 100.0))
        scale = np.array(getattr(given, f"{triad}_scale_error_ppm"))
        np.testing.assert_allclose(np.diag(u["matrix"][t]), 1.0 + 1e-6 * scale)
        cross = getattr(given, f"{triad}_cross_axis_rad")
        assert u["matrix"][t][~np.eye(3, dtype=bool)].tolist() == list(cross)
        assert u["scale_per_kelvin"][t].tolist() == pytest.approx(
            [1e-6 * v for v in getattr(given, f"{triad}_scale_ppm_per_K")]
        )
        assert tuple(u["bias_per_kelvin"][t]) == getattr(given, f"{triad}_bias_{unit}_per_K")
        turn_on = np.abs(u["bias"][t] - getattr(given, f"{triad}_bias_{unit}"))
        assert (turn_on > 0.0).all()
        assert turn_on.max() < 4.0 * getattr(given, f"{triad}_turn_on_bias_{unit}")
        assert u["natural"][t] == pytest.approx(2.0 * math.pi * 150.0)
        resolution = getattr(given, f"{triad}_resolution_{unit}")
        assert u["resolution"][t] == resolution
        limit = getattr(given, f"{triad}_range_{unit}")
        assert limit - resolution < u["limit"][t] <= limit
    walks = (given.rate_random_walk_rad_s2_sqrtHz, given.force_random_walk_m_s3_sqrtHz)
    np.testing.assert_allclose(u["walk_step"], np.array(walks) * math.sqrt(1e-3))
    assert (u["warm_start"], u["warm_end"]) == (-5.0, 17.0)  # over 25 degrees
    assert u["warm_gain"] == pytest.approx(1e-3 / 400.0, rel=1e-5)
    # a quarter turn to the left, and a little more: its x looks along the bike's y
    np.testing.assert_allclose(u["mount"][:3], (-math.sin(0.01), math.cos(0.01), 0.0), atol=1e-12)
    felt = 4e-6 * np.array((math.cos(0.01), -math.sin(0.01)))
    np.testing.assert_allclose(u["shake"][0, 0], (1e-5 * felt[0], 2e-5 * felt[1], 0.0), atol=1e-18)
    np.testing.assert_allclose(u["shake"][0, 1, :2], felt, atol=2e-9)
    radius = float(changed.vehicle.tyre[1]["radius"])
    np.testing.assert_allclose(u["road"], (0.02 * radius, 0.0, 0.01 * radius))
    assert [STREAM_NAMES[i] for i in u["stream"]] == list(IMU_STREAMS)


def test_without_a_low_pass_noise_is_that_of_the_output_rate(session):
    imu = {"rate_corner_hz": None, "rate_noise_density_rad_s_sqrtHz": 1e-4, "rate_turn_on_bias_rad_s": 0.0}
    u = build_plant(variant(session, sensors={"imu": imu})).imu[0]
    assert u["noise_sample"][0] == pytest.approx(1e-4 * math.sqrt(500.0))  # density times root of the rate
    assert (u["noise_tick"][0], u["filtered"][0]) == (0.0, 0)
    assert tuple(u["bias"][0]) == session.rig.sensors.imu.rate_bias_rad_s


def test_without_accuracy_the_receiver_has_white_noise_with_every_fix(session):
    gnss = {"accuracy": None, "position_noise_m": 0.1, "height_noise_m": 0.2, "speed_noise_m_s": 0.3}
    errors = build_plant(variant(session, sensors={"gnss": gnss})).rig[0]["gnss_errors"]
    assert errors[[1, 2, 4, 5]].tolist() == [[0.0, 0.0, 0.0, 0.1, 0.2, 0.3]] * 4


def test_a_computed_lean_arrives_in_si(session):
    r, given = build_plant(session).rig[0], session.rig.sensors.lean.computed
    assert r["lean_computed"] == 1
    assert r["lean_rate_sigma"] == pytest.approx(2e-4 * math.sqrt(1000.0))  # every tick
    assert r["lean_force_sigma"] == pytest.approx(3e-3 * math.sqrt(1000.0))
    assert r["lean_pull"] == pytest.approx(1.0 - math.exp(-1.0 / 3000.0))
    np.testing.assert_allclose(roll_pitch_yaw(tuple(r["lean_axes"])), given.mounting_rad, atol=1e-15)
    assert (r["lean_radius"], r["lean_crown"]) == (session.vehicle.tyre[1]["radius"], 0.055)
    told = given.model_copy(update={"rolling_radius_m": 0.31})
    assert build_plant(variant(session, sensors={"lean": {"computed": told}})).rig[0]["lean_radius"] == 0.31
    assert build_plant(variant(session, sensors={"lean": {"computed": None}})).rig[0]["lean_computed"] == 0


def test_analogue_sensors_arrive_each_in_its_row(session):
    own = AnalogueSensor(noise=0.1, time_constant_ms=20.0, resolution=0.5, range=(-3.0, 4.0))
    sensors = session.rig.sensors.model_copy(update={"analogue": {"fork_travel_m": own}})
    r = build_plant(variant(session, rig={"sensors": sensors})).rig[0]
    row = ANALOGUE.index("fork_travel_m")
    assert r["analogue"][row].tolist() == pytest.approx([0.1, 1.0 - math.exp(-1 / 20), 0.5, -3.0, 4.0])
    others = np.delete(r["analogue"], row, 0)
    assert (others == [0.0, 1.0, 0.0, -math.inf, math.inf]).all()


def test_rings_behind_the_pulse_frames_are_there_if_a_frame_carries_them(session):
    assert build_plant(session).rings["teeth"].tolist() == [48, 50, 0, 0]
    pulses = {"wheel_pulses_rear": Output(rate_hz=100.0, latency_ms=1.0)}
    sending = variant(session, rig={"outputs": {**session.rig.outputs, **pulses}}, outputs={"lean": {}})
    assert build_plant(sending).rings["teeth"].tolist() == [48, 50, 48, 50]


def test_an_actuator_without_a_time_constant_follows_at_once(session):
    throttle = session.rig.actuators.throttle.model_copy(update={"time_constant_ms": 0.0})
    actuators = session.rig.actuators.model_copy(update={"throttle": throttle})
    assert build_plant(variant(session, rig={"actuators": actuators})).rig[0]["throttle_gain"] == 1.0


@pytest.mark.parametrize(
    ("from_deg", "east", "north"), [(0.0, 0.0, -5.0), (90.0, -5.0, 0.0), (225.0, 5 / 2**0.5, 5 / 2**0.5)]
)
def test_wind_blows_from_where_it_comes_from(session, from_deg, east, north):
    plant = build_plant(variant(session, scenario={"wind": Wind(speed_m_s=5.0, from_deg=from_deg)}))
    assert plant.u[U_WIND_X] == pytest.approx(east, abs=1e-12)
    assert plant.u[U_WIND_Y] == pytest.approx(north, abs=1e-12)


def test_outputs_carry_the_signals_of_their_frames_in_the_order_of_the_codec(session):
    plant = build_plant(session)
    for o, name in zip(plant.out, session.outputs, strict=False):
        f = session.codec.frame(name)
        assert o["frame"] == f
        carried = [OUTPUT_VALUES[v] for v in o["value_of"] if v >= 0]
        assert carried == list(session.codec.signals[f])
    gnss = plant.out[-1]
    assert gnss["frame"] == -1
    assert (gnss["rate_num"], gnss["rate_den"]) == (10, 1)
    assert gnss["latency_ns"] == 60_000_000
    assert gnss["jitter_ns"] == 4_000_000


def test_each_user_of_random_numbers_has_a_stream_by_its_own_name(session):
    plant = build_plant(with_events(session, fault("lean_rad", "noise", 1.0, 1.0, 0.1)))
    names = [
        *STREAM_NAMES,
        *(f"jitter/{name}" for name in [*session.outputs, "gnss"]),
        "event/lean_rad noise",
        "event/lean_rad noise/chance",
    ]
    assert plant.streams.tolist() == [int(stream_start(session.seed, name)) for name in names]
    assert plant.out["stream"].tolist() == [names.index(f"jitter/{n}") for n in [*session.outputs, "gnss"]]
    assert plant.events[0][["stream", "chance"]].tolist() == (len(names) - 2, len(names) - 1)
    assert plant.streams is not plant.streams_0


def test_two_plants_share_no_memory_that_a_tick_writes(session):
    a, b = build_plant(session), build_plant(session)
    for name in (
        *("run", "memory", "x", "last_valid_state", "u", "work", "out", "streams", "streams_0", "imu"),
        *("events", "triggers", "actuators", "frame_faults", "past"),
    ):
        assert not np.shares_memory(getattr(a, name), getattr(b, name)), name
    assert not np.shares_memory(a.robot.robot, b.robot.robot)
    assert not np.shares_memory(a.x, a.last_valid_state)


# --- events -------------------------------------------------------------------------------------------


def test_events_arrive_in_ticks_and_stations_with_laps_added(session):
    length = session.line.length
    by_station = fault("lean_rad", "offset", 0.0, 2.0, 0.1, 0.5)
    events = (
        fault("wheel_front_m_s", "drift", 1.5, 0.25, 2.0, 0.1),
        by_station.model_copy(update={"name": "a", "at": Trigger(station_m=700.0)}),
        by_station.model_copy(update={"name": "b", "at": Trigger(station_m=700.0, lap=3)}),
        by_station.model_copy(update={"name": "c", "at": Trigger(station_m=100.0)}),
        GripEvent(kind="grip", name="rain", at=Trigger(time_s=2.0), duration_s=3.0, factor=0.6, ramp_s=1.0),
        MarkEvent(kind="mark", name="here", at=Trigger(time_s=0.0), text="look"),
    )
    start = session.scenario.start.model_copy(update={"station_m": 500.0})
    plant = build_plant(variant(session, scenario={"events": events, "start": start}))
    table, triggers = plant.events, plant.triggers
    assert table["kind"].tolist() == [FAULT, FAULT, FAULT, FAULT, GRIP, MARK]
    by_time, by_place = triggers[[0, 4, 5]], triggers[[1, 2, 3]]
    assert (by_time["kind"] == AT_TICK).all()
    assert by_time["tick"].tolist() == [1500, 2000, 0]
    assert (by_place["kind"] == AT_STATION).all()
    assert triggers["event"].tolist() == [0, 1, 2, 3, 4, 5]
    # 100 m lies before the start at 500 m: lap 1 passes it at its end
    np.testing.assert_allclose(by_place["station"], [700.0, 700.0 + 2 * length, 100.0 + length])
    assert table["duration"].tolist() == [250, 2000, 2000, 2000, 3000, 0]
    assert table["ramp"].tolist() == [100, 500, 500, 500, 1000, 0]
    assert table["value"][:5].tolist() == [2.0, 0.1, 0.1, 0.1, 0.6]
    assert EFFECTS[table[0]["effect"]] == "drift"
    assert OUTPUT_VALUES[table[0]["signal"]] == "wheel_front_m_s"
    assert (table["started"] == -1).all()
    assert np.isnan(table["held"]).all()


# --- another DBC ------------------------------------------------------------------------------------------


def with_dbc(session, tmp_path, *changes):
    text = (RIG.parent / session.rig.dbc).read_text()
    for old, new in changes:
        assert text.count(old) >= 1, old
        text = text.replace(old, new)
    path = tmp_path / "other.dbc"
    path.write_text(text)
    codec = load_codec(path, [*session.outputs, *COMMAND_FRAMES])
    return dataclasses.replace(session, codec=codec)


def test_a_frame_may_mix_values_of_many_sensors(session, tmp_path):
    names = [
        "rate_x_rad_s",
        "force_x_m_s2",
        "lean_rad",
        "steering_angle_rad",
        "gear",
        "emulated",
        "wheel_front_m_s",
    ]
    lines = "".join(f' SG_ {n} : {16 + 4 * i}|4@1+ (1,0) [0|14] "1" ROBOT\n' for i, n in enumerate(names))
    old = ' SG_ lean_rad : 16|16@1- (0.0001,0) [-3.2767|3.2767] "rad" ROBOT\n'
    plant = build_plant(with_dbc(session, tmp_path, (old, lines)))
    o = plant.out[session.outputs.index("lean")]
    assert len([f for f in o["family"] if f >= 0]) == 7


def test_the_demo_rig_is_what_the_tests_take_it_for():
    rig, _ = load_rig(RIG)
    assert rig.steering == "torque_driven"
    assert list(rig.outputs) == [
        "imu_rates",
        "imu_force",
        "steering_angle",
        "lean",
        "wheel_speed",
        "engine",
        "emulator_state",
    ]
