"""Short predictions of a true model err by noise; of a wrong one as the linear growth says."""

import dataclasses

import numpy as np
import pytest

from emulator.assembly.session import load_session
from emulator.core.errors import RecordError
from emulator.runs.in_memory import ride_in_memory
from emulator.track.comparison import short_predictions
from emulator.track.comparison.growth import SUSPECTS, growth, variants, with_more
from emulator.track.comparison.misfit import misfit
from emulator.track.comparison.playing import N_DEVIATIONS, PLAYED, difference, play, shift
from emulator.track.comparison.short_predictions import APART, HORIZONS_S, model_of, predictions
from emulator.track.comparison.smoothed_state import STRETCH_BLOCKS, measured, smoothed_state
from emulator.vehicle.modes import SteadyTurns
from emulator.vehicle.state import DEFLECTION, FRONT, N_X, REAR
from tests.support.planted_record import SIGMA, lap_start, measured_by_a_bike, with_torque_read_less
from tests.support.scripted_robot import RIG, RUN

EVERY_s = APART / 1e3
LESS_TRAIL_m = 5e-4
OFFSET_Nm = 0.1
AXIS = next(s for s in SUSPECTS if s.name == "steering.axis_x")
CLOSE = 0.2
"""Of the linear forced prediction: what the work asks for."""


@pytest.fixture(scope="module")
def session():
    return lap_start()[0]


@pytest.fixture(scope="module")
def record():
    return measured_by_a_bike(lap_start()[1], seed=11)


@pytest.fixture(scope="module")
def treads_taken():
    """(tick, treads) that each start of ``true`` was begun with."""
    return []


@pytest.fixture(scope="module")
def true(session, record, treads_taken):
    def noted(seen, model, turns, tick, blocks, treads, suspects):
        treads_taken.append((tick + seen.first, treads.copy()))
        return smoothed_state(seen, model, turns, tick, blocks, treads, suspects)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(short_predictions, "smoothed_state", noted)
        return predictions(record, model_of(session), EVERY_s)


@pytest.fixture(scope="module")
def less_trail(session, record):
    bike = with_more(session.vehicle, AXIS, -LESS_TRAIL_m)
    return predictions(record, model_of(session, bike), EVERY_s)


@pytest.fixture(scope="module")
def wrong_torque(session, record):
    return predictions(with_torque_read_less(record, OFFSET_Nm), model_of(session), EVERY_s)


def test_played_from_its_own_state_the_records_model_is_the_record(session):
    run = lap_start()[1]
    model = model_of(session)
    found = predictions(run, model, 13.0)
    assert len(found.ones) >= 2
    for one in found.ones:
        for (_, reading), error in zip(one.rows, one.error, strict=True):
            if found.measured.readings[reading].key in ("roll", "steer"):
                assert abs(error) < 1e-4


def test_errors_of_the_true_model_are_white(true):
    found = misfit(true)
    assert found.starts == len(true.ones) >= 5
    assert not true.refused
    assert found.noisy
    assert found.size.chance > 0.01
    assert found.white.chance > 0.01
    assert not found.told_apart


def test_treads_that_nobody_measured_go_on_as_they_were_played(session, true, treads_taken):
    """They cool by 10 K in the record; taken at their best, late starts would be off by as much."""
    run = lap_start()[1]
    off = []
    for tick, treads in treads_taken:
        row = np.searchsorted(run.tick, tick)
        for which, end in ((REAR, "rear"), (FRONT, "front")):
            best = float(session.vehicle.tyre[which]["tread_best_temperature"])
            off.append(treads[which] - (run.signals[f"truth.tread_{end}_K"][row] - best))
    assert len(off) == 2 * len(true.ones)
    assert np.abs(off).max() < 3.0
    assert min(treads.max() for _, treads in treads_taken) < -7.0


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_a_start_that_leaves_more_than_noise_is_looked_for_another_way():
    """Of eight whole laps one start lay in a valley with a tyre bent by 0.16 m, at 1.16 times the noise."""
    session = load_session(RIG, RUN, seed=5)
    record = measured_by_a_bike(ride_in_memory(session).run, seed=1001)
    model = model_of(session)
    seen = measured(record, model.vehicle)
    tick = 23_591 - seen.first
    treads = np.array([-10.38, -11.16])  # what they have over their best there
    turns = SteadyTurns(model.vehicle)
    state = smoothed_state(seen, model, turns, tick, STRETCH_BLOCKS + 1, treads)
    assert np.abs(state.played.states[0, DEFLECTION : DEFLECTION + 4]).max() < 0.05


@pytest.mark.timing  # for the ordinary run's length only: half a minute of processor time
@pytest.mark.timeout(1800)
def test_a_whole_lap_of_the_true_model_is_not_called_wrong():
    """The lap ends with treads 30 K below their best, as nobody measured them."""
    session = load_session(RIG, RUN, seed=5)
    record = measured_by_a_bike(ride_in_memory(session).run, seed=11)
    found = misfit(predictions(record, model_of(session), EVERY_s))
    assert found.starts >= 20
    assert min(found.size.chance, found.white.chance) > 0.01
    assert not found.told_apart


def test_noise_is_estimated_from_the_record(true):
    told = {r.column: s for r, s in zip(true.measured.readings, true.measured.sigma, strict=True)}
    assert told == pytest.approx({name: SIGMA[name] for name in told}, rel=0.05)
    assert true.measured.torque_sigma == pytest.approx(SIGMA["actuator.steering_torque_Nm"], rel=0.05)


def forced(true, wrong, response):
    """(5,) by horizon: what the wrong model errs more than the true one, less the linear forced prediction,
    over that prediction; both over the noise of each signal, all starts and signals together."""
    apart, told = np.zeros(len(HORIZONS_S)), np.zeros(len(HORIZONS_S))
    for a, b in zip(true.ones, wrong.ones, strict=True):
        assert a.tick == b.tick
        scale = np.sqrt(np.diag(a.covariance))
        shown = np.array([true.measured.readings[k].shown for k in a.rows[:, 1]])
        linear = response(b) / scale
        error = (b.error - a.error) / scale
        for h in range(len(HORIZONS_S)):
            at = (a.rows[:, 0] == h) & shown
            apart[h] += np.sum((error[at] - linear[at]) ** 2)
            told[h] += np.sum(linear[at] ** 2)
    return np.sqrt(apart / told)


@pytest.mark.timing  # for the ordinary run's length only
def test_a_wrong_trail_errs_as_the_linear_forced_prediction(true, less_trail):
    k = less_trail.suspects.index(AXIS)
    assert np.all(forced(true, less_trail, lambda one: one.parameters[:, k] * LESS_TRAIL_m) < CLOSE)


def test_a_wrong_torque_errs_as_the_linear_forced_prediction(true, wrong_torque):
    assert np.all(forced(true, wrong_torque, lambda one: one.offset * OFFSET_Nm) < CLOSE)


def test_a_wrong_trail_is_told_from_noise_and_laid_to_what_turns_the_fork(less_trail):
    found = misfit(less_trail)
    assert found.told_apart
    best = found.explained[0]
    axis = next(one for one in found.explained if one.name == AXIS.name)
    assert best.name == AXIS.name or AXIS.name in best.alike
    assert abs(axis.by.value - LESS_TRAIL_m) < 0.1 * LESS_TRAIL_m + 3.0 * axis.by.sigma


def test_a_wrong_torque_is_told_as_an_offset_and_of_the_bike_nothing(wrong_torque):
    found = misfit(wrong_torque)
    assert abs(found.offset.value - OFFSET_Nm) < 0.02 * OFFSET_Nm + 3.0 * found.offset.sigma
    assert found.torque_share > 0.9
    assert not found.told_apart


def test_growth_of_the_start_is_the_difference_of_two_rides(session):
    run = lap_start()[1]
    model = model_of(session)
    inputs = np.column_stack([run.signal(name) for name, _ in PLAYED])
    found = predictions(run, model, 13.0)
    start = found.ones[1].tick - found.measured.first
    inputs = inputs[start : start + 1000]
    x = played_start(found, model, start)
    played = play(model.vehicle, model.course, x, inputs)
    told = growth(variants(model.vehicle, ()), played, inputs[:, 0])
    for deviation, by in ((3, 1e-4), (9, 1e-4), (12, 1e-3), (16, 1e-2)):
        other, apart = x.copy(), np.zeros(N_DEVIATIONS)
        shift(other, deviation, by)
        again = play(model.vehicle, model.course, other, inputs)
        difference(again.states[1000], played.states[1000], apart)
        linear = told.start[100, :, deviation] * by
        assert abs(apart[3] - linear[3]) < 0.05 * abs(linear[3]) + 1e-8


def played_start(found, model, tick):
    from emulator.track.comparison.smoothed_state import STRETCH_BLOCKS, smoothed_state
    from emulator.vehicle.modes import SteadyTurns

    state = smoothed_state(
        found.measured, model, SteadyTurns(model.vehicle), tick - 10 * STRETCH_BLOCKS, STRETCH_BLOCKS + 1
    )
    return state.played.states[10 * STRETCH_BLOCKS].copy()


def test_a_turn_is_undone_by_its_opposite():
    x = np.zeros(N_X)
    x[3:7] = np.array([0.9, 0.2, -0.3, 0.1]) / np.linalg.norm([0.9, 0.2, -0.3, 0.1])
    for deviation in range(3, 6):
        other, apart = x.copy(), np.zeros(N_DEVIATIONS)
        shift(other, deviation, 1e-3)
        difference(other, x, apart)
        expected = np.zeros(N_DEVIATIONS)
        expected[deviation] = 1e-3
        assert np.allclose(apart, expected, atol=1e-9)


def test_nothing_is_predicted_into_the_bench_s_own_stop(session, record):
    """There commands are the bench's, and what the bike does then accuses no model."""
    from emulator.core.signals import RUNNING, STOPPING

    state = np.full(len(record.tick), float(RUNNING))
    state[-5000:] = STOPPING
    stopped = dataclasses.replace(record, signals={**record.signals, "bench.state": state})
    free = measured(stopped, session.vehicle).free
    assert not free[-5000:].any()
    assert free[-6000:-5000].all()


def test_a_record_without_torque_is_refused_in_words(session, record):
    columns = {n: v for n, v in record.signals.items() if n != "actuator.steering_torque_Nm"}
    with pytest.raises(RecordError, match=r"not recorded: actuator\.steering_torque_Nm"):
        predictions(dataclasses.replace(record, signals=columns), model_of(session))


def test_a_start_between_two_samples_of_a_receiver_has_its_course(session, record):
    """Of 10 Hz, however starts fall between them; one of a gap has none."""
    seen = measured(record, session.vehicle)
    values = seen.values.copy()
    row = next(k for k, reading in enumerate(seen.readings) if reading.key in ("course", "heading"))
    key, whole = seen.readings[row].key, values[row].copy()
    values[row] = np.nan
    values[row, ::100] = whole[::100]
    values[row, 8000:9000] = np.nan
    slow = seen._replace(values=values)
    for tick in (5000, 5020, 5050, 5099):
        assert slow.near(key, tick) == pytest.approx(seen.at(key, tick), abs=0.02)
    assert np.isnan(slow.near(key, 8500))


def test_a_start_whose_noise_is_beyond_numbers_is_left_out_and_told(session, record, monkeypatch):
    """Of one that grows too far the covariance is none any more; the others count."""
    real, asked = short_predictions._covariance, []

    def once_indefinite(*given):
        asked.append(0)
        made = real(*given)
        return made - 2.0 * made[0, 0] * np.eye(len(made)) if len(asked) == 1 else made

    monkeypatch.setattr(short_predictions, "_covariance", once_indefinite)
    found = predictions(record, model_of(session), 12.0)
    assert len(found.ones) == len(asked) - 1 > 0
    ((_, why),) = found.refused
    assert "can't be worked out" in why
    assert misfit(found).starts == len(found.ones)


def test_a_record_too_short_is_refused_in_words(session, record):
    short = dataclasses.replace(
        record, tick=record.tick[:4000], signals={n: v[:4000] for n, v in record.signals.items()}
    )
    with pytest.raises(RecordError, match="nothing to predict from"):
        predictions(short, model_of(session))
