"""Lap and sector times against closed forms, and what happens where there is no time to tell."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from emulator.lap.ideal_lap import sector_ends
from emulator.record.lap_times import lap_times
from tests.support.made_up_laps import LENGTH, at_constant_speed, ride


@given(v=st.floats(5.0, 60.0), start=st.floats(-0.9, 0.9))
def test_on_a_circle_at_constant_speed_a_lap_takes_circumference_over_speed(v, start):
    run = ride(at_constant_speed(v, 2.6 * LENGTH / v, start), speed=v)
    times = lap_times(run, sector_ends(LENGTH))
    assert [lap.number for lap in times.laps] == [1, 2, 3]
    # The first lap begins with the ride, up to a metre from the line.
    assert times.laps[0].time_s == pytest.approx((LENGTH - start) / v, abs=1e-9)
    assert times.laps[1].time_s == pytest.approx(LENGTH / v, abs=1e-9)
    assert times.laps[1].sectors_s == pytest.approx([LENGTH / 3.0 / v] * 3, abs=1e-9)
    assert times.laps[2].time_s is None
    assert times.laps[2].sectors_s[0] == pytest.approx(LENGTH / 3.0 / v, abs=1e-9)
    assert times.laps[2].sectors_s[2] is None
    assert times.laps[2].note.startswith("not whole: the ride ended at station ")
    assert float(times.laps[2].note.split()[-2]) == pytest.approx(0.6 * LENGTH, abs=1.6)
    assert times.best in (1, 2)


def test_uniform_acceleration_from_a_standing_start():
    # s = a t^2 / 2: marks are passed at sqrt(2 s / a)
    t = np.arange(20_001) / 1000.0
    run = ride(0.5 * 4.0 * t**2, speed=4.0 * t)
    times = lap_times(run, (100.0, 250.0, LENGTH))
    passed = np.sqrt(2.0 * np.array([0.0, 100.0, 250.0, LENGTH]) / 4.0)
    assert times.laps[0].start == "standing"
    assert times.laps[0].sectors_s == pytest.approx(np.diff(passed), abs=2e-7)
    assert times.laps[0].time_s == pytest.approx(passed[-1], abs=2e-7)
    second = np.sqrt(2.0 * (LENGTH + np.array([0.0, LENGTH])) / 4.0)
    assert times.laps[1].start == "flying"
    assert times.laps[1].time_s == pytest.approx(second[1] - second[0], abs=2e-7)
    assert times.best == 2


def test_a_passage_is_interpolated_between_two_ticks():
    run = ride(np.array([LENGTH - 2.0, LENGTH - 0.5, LENGTH + 1.5, 2 * LENGTH - 1.0, 2 * LENGTH + 1.0]))
    _, lap = lap_times(run, (LENGTH,)).laps
    # passed after a quarter of the second step and half of the fourth
    assert lap.time_s == pytest.approx(0.0035 - 0.00125, abs=1e-12)


def test_a_ride_that_starts_elsewhere_begins_with_a_lap_that_is_not_whole():
    v = 20.0
    run = ride(at_constant_speed(v, 2.0 * LENGTH / v, 150.0))
    first, second, third = lap_times(run, sector_ends(LENGTH)).laps
    assert first.time_s is None
    assert first.note == "not whole: started at station 150 m"
    assert [s is None for s in first.sectors_s] == [True, True, False]
    assert second.time_s == pytest.approx(LENGTH / v, abs=1e-9)
    assert third.note == "not whole: the ride ended at station 150 m"
    assert third.sectors_s[0] == pytest.approx(LENGTH / 3.0 / v, abs=1e-9)


def test_what_is_ridden_past_the_finish_is_no_lap():
    run = ride(at_constant_speed(20.0, LENGTH / 20.0 + 0.03))
    assert [lap.number for lap in lap_times(run, (LENGTH,)).laps] == [1]


def test_only_running_counts_up_to_the_row_that_ends_it():
    station = at_constant_speed(20.0, 40.0)
    state = np.full(station.size, 2.0)
    mark = int(np.argmax(station >= LENGTH))
    state[mark:] = 3.0
    times = lap_times(ride(station, bench__state=state), (LENGTH,))
    assert times.laps[0].time_s == pytest.approx(LENGTH / 20.0, abs=1e-9)
    assert len(times.laps) == 1
    state[mark - 1 :] = 3.0
    (lap,) = lap_times(ride(station, bench__state=state), (LENGTH,)).laps
    assert lap.time_s is None
    assert lap.note.startswith("not whole: the ride ended at station 314")


def test_after_a_fall_nothing_is_timed():
    station = at_constant_speed(20.0, 40.0)
    fallen = (station > 1.5 * LENGTH).astype(float)
    times = lap_times(ride(station, truth__fallen=fallen), sector_ends(LENGTH))
    assert [lap.time_s is None for lap in times.laps] == [False, True]
    assert times.laps[1].note == "not whole: the bike fell at station 157 m"


@pytest.mark.parametrize("missing", ["rows", "numbers"])
def test_across_a_gap_nothing_is_timed(missing):
    station = at_constant_speed(20.0, 40.0)
    mark = int(np.argmax(station >= LENGTH))
    if missing == "rows":
        run = ride(station)
        keep = np.ones(station.size, bool)
        keep[mark - 3 : mark + 2] = False
        run = dataclasses.replace(
            run,
            tick=run.tick[keep],
            time_ns=run.time_ns[keep],
            signals={name: column[keep] for name, column in run.signals.items()},
        )
    else:
        station[mark - 3 : mark + 2] = np.nan
        run = ride(station)
    first, second, *_ = lap_times(run, sector_ends(LENGTH)).laps
    assert first.note == second.note == "not timed: the record has a gap where the line was passed"
    assert [s is None for s in first.sectors_s] == [False, False, True]
    assert [s is None for s in second.sectors_s] == [True, False, False]


def test_rolling_back_over_the_line_and_on_again_counts_the_first_passage():
    out = np.concatenate(
        [np.linspace(300.0, LENGTH + 5.0, 500), np.linspace(LENGTH + 5.0, LENGTH - 5.0, 500)]
    )
    station = np.concatenate([out, np.linspace(LENGTH - 5.0, 2.0 * LENGTH + 2.0, 9000)])
    _, lap, *_ = lap_times(ride(station), (LENGTH,)).laps
    first = np.interp(LENGTH, station[:500], np.arange(500) / 1000.0)
    last = 1.0 + np.interp(2.0 * LENGTH, station[1000:], np.arange(9000) / 1000.0)
    assert lap.time_s == pytest.approx(last - first, abs=2e-3)


@pytest.mark.parametrize("name", ["bench.state", "line.station_m", "truth.speed_m_s", "truth.fallen"])
def test_a_record_without_what_it_takes_has_no_laps(name):
    run = ride(at_constant_speed(20.0, 40.0))
    del run.signals[name]
    assert lap_times(run, (LENGTH,)).laps == ()


def test_a_ride_that_never_ran_has_no_laps():
    station = at_constant_speed(20.0, 40.0)
    times = lap_times(ride(station, bench__state=np.ones(station.size)), (LENGTH,))
    assert times.laps == ()
    assert times.best is None
