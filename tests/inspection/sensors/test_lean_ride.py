"""Errors of the lean on a ride: made-up motions in closed form, then whole rides against what came out."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from emulator.assembly.session import Session, load_session
from emulator.config.rig.file import Rig
from emulator.config.rig.lean_response import lag_s, lean_response, smoothed
from emulator.config.rig.sensors import ComputedLean, LeanSensor
from emulator.core.constants import GRAVITY
from emulator.core.errors import RecordError
from emulator.core.signals import RUNNING
from emulator.inspection.sensors.budget import budget_of
from emulator.inspection.sensors.capture import level_session
from emulator.inspection.sensors.lean_ride import (
    lag_ms,
    lean_on_ride,
    motion_at,
    received_lean,
    shown_on_ride,
)
from emulator.inspection.sensors.sample_age import Age
from emulator.inspection.sensors.survey import ridden_lean, sensors_of
from emulator.record.reader import Frames, Run, read_run
from emulator.record.writer import FRAME_SCHEMA
from emulator.runs.in_memory import ride_in_memory
from emulator.vehicle.equilibrium import steady_motion
from emulator.vehicle.linearise import linearise
from tests.support.ridden_once import RiddenOnce

SCENARIOS = Path(__file__).parents[3] / "scenarios"
RIG = SCENARIOS / "rigs" / "loopback.yaml"
G = GRAVITY
W = 2.0 * math.pi * 0.4  # [rad/s] of made-up swings
NOW = Age(0.0, 0.0)


def made_up(seconds: float, **truth: Callable[[np.ndarray], Any]) -> Run:
    """A record of functions of time [s], by the names of the truth; all else is nought."""
    tick = np.arange(round(1e3 * seconds))
    t = tick * 1e-3
    names = (
        *("heading_rad", "pitch_rad", "roll_rad", "speed_m_s", "speed_lateral_m_s", "z_m"),
        *("roll_rate_rad_s", "pitch_rate_rad_s", "yaw_rate_rad_s", "wheel_front_rad_s", "support", "fallen"),
    )
    signals = {f"truth.{name}": np.zeros(t.size) for name in names}
    signals |= {f"truth.{name}": np.broadcast_to(of(t), t.shape).astype(float) for name, of in truth.items()}
    signals |= {"bench.state": np.full(t.size, float(RUNNING)), "output.lean_rad": np.full(t.size, np.nan)}
    empty = FRAME_SCHEMA.empty_table()
    columns = {name: empty.column(name).to_numpy() for name in Frames._fields if name != "data"}
    frames = Frames(**columns, data=np.zeros((0, 64), np.uint8))
    return Run(Path("made-up"), {}, tick, tick * 1_000_000, signals, frames, [])


@pytest.fixture(scope="module")
def session() -> Session:
    return level_session(RIG)


def with_lean(rig: Rig, **own: Any) -> Rig:
    """The rig with a perfect computing sensor but for what is given."""
    computed = ComputedLean(**{"position_m": (0.55, 0.0, 0.62), "reference_time_constant_ms": 3000.0} | own)
    sensors = rig.sensors.model_copy(update={"lean": LeanSensor(computed=computed)})
    return rig.model_copy(update={"sensors": sensors})


def swinging(amplitude: float = 0.05, seconds: float = 40.0) -> Run:
    """Straight on at 20 m/s, rolling about the line on the ground."""
    return made_up(
        seconds,
        speed_m_s=lambda _t: 20.0,
        roll_rad=lambda t: amplitude * np.sin(W * t),
        roll_rate_rad_s=lambda t: amplitude * W * np.cos(W * t),
        wheel_front_rad_s=lambda _t: 60.0,
    )


def test_the_motion_of_a_place_is_a_rigid_bodys() -> None:
    """Round a circle of 50 m at 20 m/s, leaned by 0.6, pitched by 0.1: the centripetal force in there."""
    speed, turn, roll, pitch = 20.0, -0.4, 0.6, 0.1
    cr, sr, cp, sp = math.cos(roll), math.sin(roll), math.cos(pitch), math.sin(pitch)
    R = np.array([[cp, 0, sp], [0, 1, 0], [-sp, 0, cp]]) @ np.array([[1, 0, 0], [0, cr, -sr], [0, sr, cr]])
    rates = R.T @ [0.0, 0.0, turn]
    run = made_up(
        2.0,
        heading_rad=lambda t: turn * t,
        roll_rad=lambda _t: roll,
        pitch_rad=lambda _t: pitch,
        speed_m_s=lambda _t: speed,
        speed_lateral_m_s=lambda _t: 0.7,
        z_m=lambda t: 0.3 * t,
        roll_rate_rad_s=lambda _t: rates[0],
        pitch_rate_rad_s=lambda _t: rates[1],
        yaw_rate_rad_s=lambda _t: rates[2],
    )
    place = np.array([0.5, 0.1, 0.7])
    motion = motion_at(run, place.tolist())
    velocity = R.T @ [speed, 0.7, 0.3] + np.cross(rates, place)
    np.testing.assert_allclose(motion.velocity, np.tile(velocity, (2000, 1)), rtol=1e-9)
    np.testing.assert_allclose(motion.acceleration, 0.0, atol=1e-9)
    np.testing.assert_allclose(motion.up, np.tile(R.T @ [0.0, 0.0, 1.0], (2000, 1)), rtol=1e-12)
    force = motion.acceleration + np.cross(motion.rates, motion.velocity) + G * motion.up
    out = R @ place
    in_world = [-turn * 0.7 - turn**2 * out[0], turn * speed - turn**2 * out[1], G]
    np.testing.assert_allclose(force[1000], R.T @ in_world, rtol=1e-9)


def test_what_counts_is_riding_free_until_it_falls(session: Session) -> None:
    run = made_up(4.0, support=lambda t: t < 1.0, fallen=lambda t: (t > 3.0) & (t < 3.2))
    run.signals["bench.state"][:200] = 1.0
    riding = motion_at(run, (0.0, 0.0, 0.0)).riding
    assert np.flatnonzero(riding)[[0, -1]].tolist() == [1000, 3000]
    held = made_up(4.0, support=lambda _t: 1.0)
    with pytest.raises(RecordError, match="nobody rides free"):
        lean_on_ride(session.rig, session.vehicle, held, NOW, 0.0)
    with pytest.raises(RecordError, match="too few"):
        motion_at(made_up(0.002), (0.0, 0.0, 0.0))


def test_a_swing_about_the_ground_costs_what_its_transfer_says(session: Session) -> None:
    """|H - 1| = z w^2 / g / |1 + j w T|; of a small swing nothing else is wrong."""
    run, rig = swinging(0.05, 60.0), with_lean(session.rig)
    found = lean_on_ride(rig, session.vehicle, run, NOW, 0.0)
    off = 0.62 * W * W / G / (1.0 + 3j * W)
    causes = dict(found.causes)
    assert causes["own acceleration"] == pytest.approx(abs(off) * 0.05 / math.sqrt(2.0), rel=0.03)
    assert found.rms_rad == pytest.approx(causes["own acceleration"], rel=0.02)
    for name in set(causes) - {"own acceleration"}:
        assert causes[name] < 0.02 * found.rms_rad, name
    late = -math.atan2((1.0 + off).imag, (1.0 + off).real) / W
    assert found.lag_ms == pytest.approx(1e3 * late, abs=0.3)
    assert math.isnan(found.shown_rms_rad)


def test_latency_and_filter_are_a_lag_like_any_other(session: Session) -> None:
    """On the true roll: 8 ms of delay, 19.5 ms of a filter of 20; the error is the roll's rate times it."""
    lean = LeanSensor(time_constant_ms=20.0)
    rig = session.rig.model_copy(update={"sensors": session.rig.sensors.model_copy(update={"lean": lean})})
    found = lean_on_ride(rig, session.vehicle, swinging(), Age(8.0, 0.0), 1e-4)
    assert found.lag_ms == pytest.approx(27.5, abs=0.1)
    assert found.rms_rad == pytest.approx(math.hypot(0.05 * W * 0.0275 / math.sqrt(2.0), 1e-4), rel=0.01)
    assert [cause.name for cause in found.causes] == [
        "lag of its filter and age",
        "noise and step of the output",
    ]


def test_a_speed_it_is_told_wrongly_is_its_angle_in_a_turn(session: Session) -> None:
    """atan(e |turn rate| / g) (emulator.sensors.lean), for as long as the turn lasts."""
    speed, turn = 20.0, -0.3
    lean = math.atan(speed * abs(turn) / G)
    radius = float(session.vehicle.tyre[1]["radius"])
    run = made_up(
        60.0,
        heading_rad=lambda t: turn * t,
        roll_rad=lambda _t: lean,
        speed_m_s=lambda _t: speed,
        pitch_rate_rad_s=lambda _t: turn * math.sin(lean),
        yaw_rate_rad_s=lambda _t: turn * math.cos(lean),
        wheel_front_rad_s=lambda _t: speed / radius,
    )
    told = with_lean(session.rig, rolling_radius_m=1.05 * radius, position_m=(0.0, 0.0, 0.0))
    causes = dict(lean_on_ride(told, session.vehicle, run, NOW, 0.0).causes)
    assert causes["speed it is told"] == pytest.approx(math.atan(0.05 * speed * abs(turn) / G), rel=0.01)
    assert causes["own acceleration"] == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("late", [0.0, 12.0, 47.3, 180.6])
def test_a_lag_is_found_between_ticks(late: float) -> None:
    t = np.arange(20_000) * 1e-3

    def roll(at: np.ndarray) -> np.ndarray:
        return 0.2 * np.sin(1.1 * at) + 0.1 * np.sin(2.7 * at + 1.0)

    at = np.arange(500, 20_000, 10)
    lean = 0.98 * roll(t[at] - 1e-3 * late) + 0.01
    assert lag_ms(roll(t), at, lean) == pytest.approx(late, abs=0.1)
    assert math.isnan(lag_ms(0.01 * roll(t), at, lean))


# -- rides ---------------------------------------------------------------------------------------------------


def shown_by(session: Session, run: Run) -> tuple[float, float]:
    rms_rad, late_ms = shown_on_ride(run, session.codec, "lean")
    return math.degrees(rms_rad), late_ms


@pytest.mark.slow
@pytest.mark.parametrize(
    ("rig", "name"),
    [
        ("loopback", "first_lap"),
        pytest.param("loopback", "wet_lap", marks=pytest.mark.timing),  # for the ordinary run's length only
        pytest.param("loopback", "rough_lap", marks=pytest.mark.timing),
        pytest.param("trainer", "trainer_lap", marks=pytest.mark.timing),
        ("loopback", "slalom"),
    ],
)
def test_the_error_stated_for_a_lap_is_the_one_it_shows(rig: str, name: str, ridden_once: RiddenOnce) -> None:
    once = ridden_once(SCENARIOS / "rigs" / f"{rig}.yaml", SCENARIOS / "runs" / f"{name}.yaml")
    stated = ridden_lean(level_session(SCENARIOS / "rigs" / f"{rig}.yaml"), once.folder)
    rms_deg, late_ms = shown_by(once.session, once.run)
    assert rms_deg > 0.2  # far beyond the 0.04 degrees of the budget upright and unaccelerated
    assert math.degrees(stated.rms_rad) == pytest.approx(rms_deg, rel=0.15)
    assert stated.lag_ms == pytest.approx(late_ms, abs=1.0)


GATES, SPACING_M, SETTLED = 14, 45.0, 4  # cones, and after how many the swing is steady


@pytest.fixture(scope="module")
def long_slalom(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The shipped slalom with more cones, so that its frequency is one, at a speed without the robot's weave.

    It rolls by 10 degrees; the stated transfer is that of a small roll.
    """
    folder = tmp_path_factory.mktemp("runs")
    changes = {
        "gates: 6": f"gates: {GATES}",
        "spacing_m: 30.0": f"spacing_m: {SPACING_M}",
        "offset_m: 0.8": "offset_m: 1.2",
        "top_speed_km_h: 40.0": "top_speed_km_h: 60.0",
    }
    (folder / "straight.yaml").write_text((SCENARIOS / "runs" / "straight.yaml").read_text())
    text = (SCENARIOS / "runs" / "slalom.yaml").read_text()
    for old, new in changes.items():
        assert old in text
        text = text.replace(old, new)
    (folder / "slalom.yaml").write_text(text)
    return folder / "slalom.yaml"


def swing(t: np.ndarray, values: np.ndarray, hertz: float) -> complex:
    """Complex amplitude of a sine in values about a straight line, weighed down towards both ends."""
    w = 2.0 * math.pi * hertz
    weight = np.sqrt(np.sin(math.pi * (t - t[0]) / (t[-1] - t[0])) ** 2)
    design = np.column_stack([np.ones(t.size), t, np.sin(w * t), np.cos(w * t)])
    fit = np.linalg.lstsq(design * weight[:, None], values * weight, rcond=None)[0]
    return complex(fit[2], fit[3])


@pytest.mark.slow
@pytest.mark.parametrize("height", [0.62, 0.35])
@pytest.mark.parametrize("time_s", [1.5, 3.0, 10.0])
def test_round_cones_the_lean_lags_as_it_is_stated(long_slalom: Path, time_s: float, height: float) -> None:
    """Phase at the cones' frequency of lean on arrival against roll, beside the stated lag at that speed."""
    given = load_session(RIG, long_slalom)
    own = given.rig.sensors.lean.computed
    assert own is not None
    changes = {"reference_time_constant_ms": 1e3 * time_s, "position_m": (0.55, 0.0, height)}
    lean = given.rig.sensors.lean.model_copy(update={"computed": own.model_copy(update=changes)})
    rig = given.rig.model_copy(update={"sensors": given.rig.sensors.model_copy(update={"lean": lean})})
    session = dataclasses.replace(given, rig=rig)
    run = ride_in_memory(session).run

    station = run.signal("line.station_m")
    weaving = (station > 200.0 + SETTLED * SPACING_M) & (station < 200.0 + (GATES - 2) * SPACING_M)
    t, roll, speed = run.time_s, run.signal("truth.roll_rad"), run.signal("truth.speed_m_s")
    v = float(np.mean(speed[weaving]))
    hertz = v / (2.0 * SPACING_M)
    rows, shown = received_lean(run, session.codec, "lean")
    keep = weaving[rows]
    ratio = swing(t[rows][keep], shown[keep], hertz) / swing(t[weaving], roll[weaving], hertz)
    measured_ms = -1e3 * math.atan2(ratio.imag, ratio.real) / (2.0 * math.pi * hertz)

    steady = steady_motion(session.vehicle, v)
    response = lean_response(rig.sensors.lean, session.vehicle, steady, linearise(session.vehicle, steady))
    age = budget_of(rig, session.vehicle, session.codec, speed_m_s=v).output("lean").age
    stated_ms = age.mean + 1e3 * lag_s(response, hertz)
    alone_ms = age.mean + 1e3 * lag_s(lambda s: smoothed(rig.sensors.lean, s), hertz)
    assert alone_ms == pytest.approx(27.5, abs=0.1)  # the latency and the filter, whatever the motion
    assert stated_ms - alone_ms > 0.5 * height / (GRAVITY * time_s) * 1e3
    assert measured_ms == pytest.approx(stated_ms, abs=1.0)


@pytest.mark.slow
def test_what_came_out_stands_beside_it_if_that_sensor_rode(ridden_once: RiddenOnce, tmp_path: Path) -> None:
    once = ridden_once(RIG, SCENARIOS / "runs" / "slalom.yaml")
    session, run = once.session, read_run(once.copy(tmp_path / "run"))
    on_ride = sensors_of(RIG, ride=tmp_path / "run").ride
    assert on_ride is not None
    assert on_ride.run == "run"
    assert math.degrees(on_ride.shown_rms_rad) == pytest.approx(shown_by(session, run)[0], rel=1e-12)
    other = sensors_of(SCENARIOS / "rigs" / "trainer.yaml", ride=tmp_path / "run").ride
    assert other is not None
    assert math.isnan(other.shown_rms_rad)
    assert math.isfinite(other.rms_rad)
