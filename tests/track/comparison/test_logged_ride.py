"""A log of devices beside its own vehicle errs by what is known of its devices; beside another, by more."""

import dataclasses

import numpy as np
import pytest

from emulator.record.reader import read_run
from emulator.track.comparison import smoothed_state
from emulator.track.comparison.device_doubts import NONE
from emulator.track.comparison.growth import SUSPECTS, with_more
from emulator.track.comparison.misfit import grown, misfit
from emulator.track.comparison.short_predictions import APART, model_of, predictions
from tests.support.logged_ride import LATE_ms, logged_ride
from tests.support.planted_record import lap_start, with_torque_read_less

pytestmark = [pytest.mark.slow, pytest.mark.timeout(900)]
EVERY_s = APART / 1e3
LESS_TRAIL_m, OFFSET_Nm = 2e-3, 0.1
AXIS = next(s for s in SUSPECTS if s.name == "steering.axis_x")


@pytest.fixture(scope="module")
def session():
    return lap_start()[0]


def logged(tmp_path_factory, told):
    folder = tmp_path_factory.mktemp("logged")
    return read_run(logged_ride(lap_start()[1], folder, told=told).folder)


@pytest.fixture(scope="module")
def record(tmp_path_factory):
    return logged(tmp_path_factory, told=True)


@pytest.fixture(scope="module")
def true(session, record):
    return predictions(record, model_of(session), EVERY_s)


def test_what_was_taken_off_stands_in_the_record(record):
    found = {one["signal"]: one["late_ms"] for one in record.manifest["track"]["channels"]}
    assert {name: found[name] for name in LATE_ms} == LATE_ms


def test_its_own_vehicle_errs_by_noise_and_devices_in_every_signal(true):
    said = misfit(true)
    assert said.starts >= 5
    assert said.times_noise < 2.0
    ahead = np.stack([one.rms / one.noise for one in grown(true)])
    assert np.nanmax(ahead) < 3.0


@pytest.mark.timing  # for the ordinary run's length only: eight seconds each
def test_without_what_is_known_of_devices_they_accuse_the_vehicle(session, record, monkeypatch):
    monkeypatch.setattr(smoothed_state, "doubt_of", lambda *_: NONE)
    monkeypatch.setattr(smoothed_state, "doubt_of_torque", lambda *_: NONE)
    assert misfit(predictions(record, model_of(session), EVERY_s)).times_noise > 5.0


@pytest.mark.timing  # for the ordinary run's length only: eight seconds each
def test_a_map_that_tells_nothing_of_its_devices_accuses_nobody(session, tmp_path_factory):
    found = predictions(logged(tmp_path_factory, told=False), model_of(session), EVERY_s)
    said = misfit(found)
    assert said.times_noise < 1.0
    assert not said.told_apart
    assert len(said.late) == len(found.measured.readings) + 1


@pytest.mark.timing  # for the ordinary run's length only: eight seconds each
def test_a_wrong_trail_is_found_beside_devices(session, record):
    bike = with_more(session.vehicle, AXIS, -LESS_TRAIL_m)
    said = misfit(predictions(record, model_of(session, bike), EVERY_s))
    assert said.told_apart
    axis = next(one for one in said.explained if one.name == AXIS.name)
    assert axis.name == said.explained[0].name or axis.name in said.explained[0].alike
    assert abs(axis.by.value - LESS_TRAIL_m) < 3.0 * axis.by.sigma
    assert axis.by.value > 4.0 * axis.by.sigma


@pytest.mark.timing  # for the ordinary run's length only: eight seconds each
def test_a_wrong_torque_is_found_beside_devices(session, record, true):
    said = misfit(predictions(with_torque_read_less(record, OFFSET_Nm), model_of(session), EVERY_s))
    assert abs(said.offset.value - OFFSET_Nm) < 3.0 * said.offset.sigma
    assert said.offset.value > 4.0 * said.offset.sigma
    assert abs(misfit(true).offset.value) < 3.0 * said.offset.sigma


@pytest.mark.timing  # for the ordinary run's length only: eight seconds each
def test_a_lateness_that_was_not_told_is_found(session, record):
    """Of the roll rate, 10 ms beside 3.5 that were taken off."""
    column = "truth.roll_rate_rad_s"
    sent = record.signals[column]
    later = np.concatenate([np.full(5, np.nan), sent[:-5]])  # rows of 2 ms
    columns = {**record.signals, column: later}
    found = predictions(dataclasses.replace(record, signals=columns), model_of(session), EVERY_s)
    row = next(k for k, reading in enumerate(found.measured.readings) if reading.column == column)
    late = misfit(found).late[row]
    assert record.manifest["track"]["step_ms"] == 2
    assert abs(late.value - 0.010) < 3.0 * late.sigma
    assert late.value > 3.0 * late.sigma
