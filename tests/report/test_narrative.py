"""What happened to the bike is told with tyre, cause, moment, place and the event it fell into."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from emulator.assembly.bench import EVENT_KINDS
from emulator.record.reader import Event, Run, read_run
from emulator.report.bands import Band
from emulator.report.narrative import TOLD, what_happened


def event(tick: int, kind: str, text: str) -> Event:
    return Event(tick, tick / 1000, kind, text, text)


def ride(folder: Path, *events: Event) -> Run:
    run = read_run(folder)
    n = len(run.tick)
    grip = np.where((run.tick >= 5_900) & (run.tick < 6_200), 0.4, 1.0)
    return replace(
        run,
        events=list(events),
        signals={
            "line.station_m": run.tick * 0.02,
            "truth.speed_m_s": np.full(n, 20.0),
            "truth.grip_front": grip,
            "truth.grip_rear": np.ones(n),
        },
    )


def test_nothing_is_said_of_a_ride_on_which_nothing_happened(ride_folder: Callable[..., Path]) -> None:
    run = ride(ride_folder(8.0), event(1000, "gear", "gear 2"), event(2000, "state", "x"))
    assert what_happened(run, []) == []


def test_a_fall_with_the_slide_that_led_to_it_reads_as_whole_sentences(
    ride_folder: Callable[..., Path],
) -> None:
    run = ride(
        ride_folder(8.0),
        event(2000, "slide", "rear tyre spins, slip 0.31"),
        event(6000, "slide", "front tyre slides sideways, 7.9 deg of slip"),
        event(6450, "fall", "fell to the left: the front tyre slid away"),
        event(7000, "slide", "front tyre slides sideways, 90.0 deg of slip"),
    )
    bands = [Band("F2", "wet", 5.8, 6.3), Band("F3", "over by then", 1.0, 2.0)]
    said = what_happened(run, bands)
    # The wording is what this test is about: parts put together have to read as sentences.
    assert said == [
        "The bike fell to the left: the front tyre slid away, 6.5 s into the ride at station 129 m, "
        "at 72 km/h; 0.45 s before, the front tyre slides sideways, 7.9 deg of slip on grip 0.40 "
        "(elsewhere 1.00), 6.0 s into the ride at station 120 m, at 72 km/h, during F2 wet.",
        "The rear tyre spins, slip 0.31, 2.0 s into the ride at station 40 m, at 72 km/h, during F3 "
        "over by then.",
    ]


def test_slides_without_a_fall_are_told_tyre_by_tyre(ride_folder: Callable[..., Path]) -> None:
    run = ride(
        ride_folder(8.0),
        *(event(t, "slide", "rear tyre spins, slip 0.31") for t in (3000, 3500, 4000)),
        event(5000, "slide", "front tyre locks, slip -1.00"),
        event(5500, "wheel_lifted", "rear wheel off the road"),
        event(5600, "run_off", "off the road to the left"),
    )
    said = what_happened(run, [])
    front, rear, rest = said
    assert re.search(r"front tyre locks, slip -1\.00, 5\.0 s .*\bstation 100 m", front)
    assert re.search(r"rear tyre spins, slip 0\.31, 3 times, first 3\.0 s ", rear)
    assert re.search(r"off the road to the left at 5\.6 s; rear wheel off the road at 5\.5 s\.$", rest)


def test_a_record_without_signals_still_tells(ride_folder: Callable[..., Path]) -> None:
    run = replace(read_run(ride_folder(4.0)), signals={}, events=[event(10, "fall", "fell to the right: x")])
    (said,) = what_happened(run, [])
    assert re.search(r"\bfell to the right: x, 0\.0 s ", said)
    assert not re.search(r"station|km/h|grip|nan", said)


def test_what_is_told_are_kinds_the_bench_knows() -> None:
    assert set(TOLD) <= set(EVENT_KINDS.values())
