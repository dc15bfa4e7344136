"""Two rides at equal stations, steady turns, and how a torque follows its command: by planted differences."""

import dataclasses
import math

import numpy as np
import pytest

from emulator.core.errors import RecordError
from emulator.record.reader import Frames, Run
from emulator.track.comparison.actuation import following
from emulator.track.comparison.equal_stations import equal_stations
from emulator.track.comparison.steady_figures import FIGURES, steady_turns
from emulator.vehicle.modes import SteadyTurns
from emulator.vehicle.state import JOINT, STEER, U_STEER_TORQUE
from tests.support.scripted_robot import demo_session

NOTHING = Frames(*([np.zeros(0, np.int64)] * 6), np.zeros((0, 64), np.uint8), np.zeros(0, np.int64))
SECONDS = 20.0


def ridden(tmp_path, **columns):
    """A made-up record, a row a millisecond: 20 m/s on its line, a bend of 40 degrees from 5 to 15 s."""
    tick = np.arange(round(SECONDS * 1e3))
    time = tick / 1e3
    bend = np.clip(np.minimum(time - 5.0, 15.0 - time), 0.0, 2.0) / 2.0
    made = {
        "truth.speed_m_s": np.full(len(tick), 20.0),
        "truth.roll_rad": math.radians(40.0) * np.sin(0.5 * math.pi * bend) ** 2,
        "actuator.steering_torque_Nm": 5.0 * bend,
        "truth.support": np.zeros(len(tick)),
        "line.station_m": 20.0 * time,
        "bench.state": np.full(len(tick), 2.0),
    } | columns
    line = {"length_m": 1000.0, "closed": False}
    return Run(tmp_path, {"line": line}, tick, tick * 10**6, made, NOTHING, [])


def test_a_ride_beside_itself_differs_in_nothing(tmp_path):
    run = ridden(tmp_path)
    found = equal_stations(run, run)
    assert found.seconds == 0.0
    assert all(d.rms == 0.0 and d.most == 0.0 for d in found.differences)
    (corner,) = found.corners
    assert corner.lean == pytest.approx(math.radians(40.0))
    assert all(rating.whole == pytest.approx(1.0) for signal, rating in corner.ratings)


def test_a_planted_torque_is_told_in_its_unit_at_its_station(tmp_path):
    run = ridden(tmp_path)
    more = run.signals["actuator.steering_torque_Nm"].copy()
    more[8000:8200] += 2.0
    other = dataclasses.replace(run, signals={**run.signals, "actuator.steering_torque_Nm": more})
    told = {d.signal.column: d for d in equal_stations(run, other).differences}
    torque = told["actuator.steering_torque_Nm"]
    assert torque.most == pytest.approx(-2.0)
    assert 160.0 <= torque.at_m <= 164.0
    # 0.2 s of 20 s: two newton metres times the root of a hundredth
    assert torque.rms == pytest.approx(0.2, rel=0.1)
    assert told["truth.roll_rad"].rms == 0.0


def test_a_slower_ride_is_longer_by_what_it_takes(tmp_path):
    slow = ridden(tmp_path, **{"line.station_m": 18.0 * np.arange(20000) / 1e3})
    found = equal_stations(slow, ridden(tmp_path))
    length = found.to_m - found.from_m
    assert found.seconds == pytest.approx(length / 18.0 - length / 20.0, abs=2e-3)


def test_a_ride_that_begins_before_the_line_is_laid_beside_one_that_begins_upon_it(tmp_path):
    lap = {"line": {"length_m": 380.0, "closed": True}}
    run = dataclasses.replace(ridden(tmp_path), manifest=lap)
    station = run.signals["line.station_m"] + 380.0 - 0.02
    early = dataclasses.replace(run, signals={**run.signals, "line.station_m": station})
    for mine, other in ((early, run), (run, early)):
        found = equal_stations(mine, other)
        assert found.to_m - found.from_m > 390.0
        assert abs(found.seconds) < 1e-3


def test_rides_of_two_lines_are_refused_in_words(tmp_path):
    other = dataclasses.replace(ridden(tmp_path), manifest={"line": {"length_m": 1.0, "closed": True}})
    with pytest.raises(RecordError, match="another line"):
        equal_stations(ridden(tmp_path), other)


def test_a_record_without_station_is_refused_in_words(tmp_path):
    run = ridden(tmp_path)
    columns = {n: v for n, v in run.signals.items() if n != "line.station_m"}
    with pytest.raises(RecordError, match="no station is recorded"):
        equal_stations(dataclasses.replace(run, signals=columns), run)


def test_steady_stretches_are_laid_beside_the_models_own_turn(tmp_path):
    vehicle = demo_session().vehicle
    turns = SteadyTurns(vehicle)
    steady = turns.at(20.0, math.radians(40.0))
    lean = ridden(tmp_path).signals["truth.roll_rad"]
    run = ridden(
        tmp_path,
        **{
            "actuator.steering_torque_Nm": np.full(len(lean), float(steady.u[U_STEER_TORQUE])),
            "truth.steer_rad": np.full(len(lean), float(steady.x[JOINT + STEER])),
        },
    )
    found = steady_turns(run, vehicle)
    leant = [t for t in found if t.lean > math.radians(39.9)]
    assert len(leant) >= 8
    for turn in leant:
        assert np.allclose(turn.recorded[:2], turn.model[:2], rtol=1e-3)
        assert np.isnan(turn.recorded[2:]).all()  # no slip was recorded
        assert np.isfinite(turn.model).all()
    assert not [t for t in found if math.radians(8.0) < t.lean < math.radians(32.0)]  # it rolls there
    assert len(FIGURES) == 4


@pytest.mark.parametrize(("late", "offset"), [(0, 0.0), (7, 0.3), (40, -0.5)])
def test_a_torque_that_follows_late_and_beside_is_told(tmp_path, late, offset):
    draws = np.random.default_rng(3)
    asked = np.convolve(draws.standard_normal(20000 + 200), np.hanning(201), mode="valid")[:20000]
    acts = np.roll(asked, late) + offset
    run = ridden(tmp_path, **{"robot.steering_torque_Nm": asked, "actuator.steering_torque_Nm": acts})
    found = following(run)
    assert found.later_ms == pytest.approx(late, abs=0.05)
    assert found.offset_Nm == pytest.approx(offset, abs=1e-6)
    assert found.left_Nm < 1e-3


def test_a_first_order_lag_follows_by_its_time_constant(tmp_path):
    # at frequencies far below 1 / tau a first-order lag is a delay of tau
    time = np.arange(20000) / 1e3
    asked, tau = np.sin(2.0 * math.pi * 0.5 * time), 0.012
    acts = np.sin(2.0 * math.pi * 0.5 * time - math.atan(2.0 * math.pi * 0.5 * tau))
    run = ridden(tmp_path, **{"robot.steering_torque_Nm": asked, "actuator.steering_torque_Nm": acts})
    assert following(run).later_ms == pytest.approx(1e3 * tau, rel=0.01)


def test_a_record_without_command_follows_nothing(tmp_path):
    assert following(ridden(tmp_path)) is None
