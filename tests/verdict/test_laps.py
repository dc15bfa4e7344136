"""Laps to compare with, the table of all of them, and how they come through verdict, report and terminal."""

from __future__ import annotations

import dataclasses
import io
import json
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

from emulator.assembly.session import Session, load_session
from emulator.core.errors import RecordError
from emulator.lap.ideal_lap import grip_along, sector_ends
from emulator.record.lap_times import IDEAL, TARGET, LapTimes, ReferenceLap, lap_times
from emulator.record.reader import read_run
from emulator.report.run_report import report_html
from emulator.report.terminal import console_summary
from emulator.road.build_line import Straight, build_line
from emulator.road.line import Patch, surface
from emulator.verdict.judge import Verdict, read_verdict, verdict_from, write_verdict
from emulator.verdict.laps import grip_levels, lap_rows, reference_laps
from tests.support.made_up_laps import LENGTH, ride

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


def test_how_far_off_the_ideal_lap_may_be_stands_beside_it_and_a_faster_lap_is_told_as_such():
    laps = dataclasses.replace(
        timed(), references=(ReferenceLap(IDEAL, "standing", 100.0, (1.0, 1.0, 1.0), 0.123),)
    )
    _, rows = lap_rows(laps)
    assert rows[-1][0][-1] == "standing start; ± 0.12 s"
    assert rows[0][0][-2] == f"{laps.laps[0].time_s - 100.0:.3f}"
    assert rows[0][0][-2].startswith("-")


def test_grips_of_the_road_and_of_patches_that_the_line_meets_are_known_of():
    road = surface(
        0.9,
        [
            Patch(10.0, 20.0, 4.0, -4.0, 0.5, 2.0),
            Patch(40.0, 50.0, -2.0, -4.0, 0.3, 0.0),  # beside the line
            Patch(60.0, 70.0, -0.5, -4.0, 0.2, 1.0),  # whose edge it runs along
        ],
    )
    line = build_line([Straight(100.0)], closed=False, ds_m=0.5)
    along = grip_along(road, line)
    assert grip_levels(road, along) == pytest.approx([0.5, 0.9])
    assert grip_levels(surface(0.9), np.full(5, 0.9)) == [0.9]
    assert grip_levels(road, np.array([0.6, 0.9])) == [0.6, 0.9]


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
        ("laps", {}, r"laps.sector_ends_m: Field required, found \{\}"),
        ("best", "two", "laps.best: Input should be a valid integer, found 'two'"),
        ("sector_ends_m", [1.0, "x"], r"laps.sector_ends_m.1: Input should be a valid number, found 'x'"),
        ("start", "rolling", r"laps.laps.0.start: Input should be 'standing' or 'flying', found 'rolling'"),
        ("number", True, r"laps.laps.0.number: Input should be a valid integer, found True"),
        ("references", 3, r"laps.references: Input should be a valid array, found 3"),
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
        verdict_from({"result": "pass", "laps": document})


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
    assert references[0].error_s == references[1].error_s > references[2].error_s == 0.0
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
