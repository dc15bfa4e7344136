"""Lap and sector times against closed forms, and what happens where there is no time to tell."""

from __future__ import annotations

import dataclasses
import io
import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from emulator.assembly.session import Session, load_session
from emulator.core.errors import RecordError
from emulator.lap.ideal_lap import sector_ends
from emulator.record.reader import Frames, Run, read_run
from emulator.report.run_report import report_html
from emulator.report.terminal import console_summary
from emulator.verdict.judge import Verdict, read_verdict, write_verdict
from emulator.verdict.laps import (
    IDEAL,
    TARGET,
    LapTimes,
    ReferenceLap,
    lap_rows,
    lap_times,
    laps_from,
    reference_laps,
)

LENGTH = 2.0 * np.pi * 50.0
"""A circle of 50 m radius."""


def ride(
    station: np.ndarray, *, first_tick: int = 0, speed: np.ndarray | float = 20.0, **more: np.ndarray
) -> Run:
    """A ride whose true station at each tick is given; columns given replace their namesakes (__ for .)."""
    tick = first_tick + np.arange(station.size)
    signals = {
        "bench.state": np.full(station.size, 2.0),
        "line.station_m": station.astype(float),
        "truth.speed_m_s": np.broadcast_to(np.asarray(speed, float), station.shape),
        "truth.fallen": np.zeros(station.size),
    }
    signals.update({name.replace("__", "."): column for name, column in more.items()})
    none = np.empty(0, np.int64)
    frames = Frames(none, none, none, none.astype(np.uint8), none, none, np.empty((0, 64), np.uint8))  # type: ignore[arg-type]
    return Run(Path("run"), {}, tick, tick * 1_000_000, signals, frames, [])


def at_constant_speed(v: float, seconds: float, start: float = 0.0) -> np.ndarray:
    return start + v * np.arange(round(seconds * 1000) + 1) / 1000.0


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


# -- references, document, tables ----------------------------------------------------------------------------


REFERENCES = [
    ReferenceLap(IDEAL, "flying", 14.0, (5.0, 4.0, 5.0)),
    ReferenceLap(IDEAL, "standing", 16.25, (7.25, 4.0, 5.0)),
]


def timed() -> LapTimes:
    t = np.arange(62_000) / 1000.0
    station = np.where(t < 20.0, 0.25 * t**2, 100.0 + 10.0 * (t - 20.0))
    run = ride(station, speed=np.where(t < 20.0, 0.5 * t, 10.0))
    return lap_times(run, sector_ends(LENGTH), REFERENCES, "said <so>")


def test_the_table_tells_each_lap_and_what_to_compare_it_with():
    heads, rows = lap_rows(timed())
    assert heads == ["lap", "sector 1", "sector 2", "sector 3", "lap time", "behind ideal", ""]
    first = 20.0 + (LENGTH - 100.0) / 10.0
    assert rows[0] == (
        [
            "1",
            f"{20.0 + (LENGTH / 3 - 100.0) / 10.0:.3f}",
            "10.472",
            "10.472",
            f"{first:.3f}",
            f"+{first - 16.25:.3f}",
            "best; standing start",
        ],
        True,
    )
    assert rows[1][0][:1] + rows[1][0][-3:-1] == ["2", "–", "–"]
    assert rows[1][0][-1].startswith("not whole: the ride ended at station")
    assert rows[-2:] == [
        (["ideal", "5.000", "4.000", "5.000", "14.000", "–", "flying lap"], False),
        (["ideal", "7.250", "4.000", "5.000", "16.250", "–", "standing start"], False),
    ]


def test_from_a_minute_on_times_read_as_minutes_and_seconds():
    long = LapTimes((1.0,), (), None, (ReferenceLap("ideal", "flying", 119.9996, (60.0,)),))
    assert lap_rows(long)[1][0][0][1:3] == ["1:00.000", "2:00.000"]


def test_verdict_report_and_terminal_carry_the_laps(ride_folder):
    folder = ride_folder(4.0)
    verdict = read_verdict(folder)
    assert verdict.laps is None
    assert "Lap and sector times" not in report_html(read_run(folder))
    write_verdict(folder, dataclasses.replace(verdict, laps=timed()))
    assert read_verdict(folder) == dataclasses.replace(verdict, laps=timed())
    page = report_html(read_run(folder))
    assert "Lap and sector times" in page
    assert "said &lt;so&gt;" in page
    assert "best; standing start" in page
    console = Console(width=140, record=True, file=io.StringIO())
    console.print(console_summary(folder))
    text = console.export_text()
    assert "Lap and sector times / s" in text
    assert "best; standing start" in text
    assert "said <so>" in text


@pytest.mark.parametrize(
    ("key", "value", "text"),
    [
        (
            "laps",
            {},
            r"laps: expected an object with sector_ends_m, laps, best, references, note, found \{\}",
        ),
        ("best", "two", "laps.best: expected int or nothing, found 'two'"),
        ("sector_ends_m", [1.0, "x"], r"laps.sector_ends_m.1: expected int or float, found 'x'"),
        ("start", "rolling", r"laps.laps.0.start: expected standing or flying, found 'rolling'"),
        ("number", True, r"laps.laps.0.number: expected int, found True"),
        ("references", 3, r"laps.references: expected a list, found 3"),
    ],
)
def test_a_damaged_block_is_refused_at_its_place(key, value, text):
    document = json.loads(json.dumps(dataclasses.asdict(timed())))
    if key == "laps":
        document = value
    elif key in document:
        document[key] = value
    else:
        document["laps"][0][key] = value
    with pytest.raises(RecordError, match=rf"verdict\.json: {text}"):
        laps_from(document, "verdict.json: laps")


SCENARIOS = Path(__file__).parents[2] / "scenarios"


@pytest.fixture(scope="module")
def demo() -> Session:
    return load_session(SCENARIOS / "rigs" / "loopback.yaml", SCENARIOS / "runs" / "first_lap.yaml")


def test_references_are_the_vehicles_ideal_laps_and_the_target_speed(demo):
    references, note = reference_laps(demo)
    assert note == ""
    assert [(r.name, r.start) for r in references] == [
        (IDEAL, "flying"),
        (IDEAL, "standing"),
        (TARGET, "flying"),
    ]
    for r in references:
        assert sum(r.sectors_s) == pytest.approx(r.time_s, abs=1e-9)
        assert len(r.sectors_s) == 3
    flying, standing, target = (r.time_s for r in references)
    assert flying < standing < target


def test_an_open_line_is_timed_to_its_finish_beside_the_target_speed_alone():
    session = load_session(SCENARIOS / "rigs" / "loopback.yaml", SCENARIOS / "runs" / "straight.yaml")
    references, note = reference_laps(session)
    assert note == "no ideal lap: an open line is ridden at a speed that is asked for, not for time"
    (target,) = references
    # closed form: 500 m at 80 km/h, and not the line behind the finish
    assert (target.name, target.sectors_s) == (TARGET, (target.time_s,))
    assert target.time_s == pytest.approx(500.0 / (80.0 / 3.6))


def test_a_road_that_can_not_be_ridden_leaves_a_note_and_the_verdict_alone(demo):
    steep = demo.line._replace(slope=np.full(demo.line.station.size, 1.2))
    references, note = reference_laps(dataclasses.replace(demo, line=steep))
    assert [r.name for r in references] == [TARGET]
    assert note.startswith("no ideal lap: at station 0.0 m the bike can't stand")


def test_verdict_without_laps_reads_as_before():
    assert Verdict("pass").laps is None
