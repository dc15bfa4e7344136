"""Bands stand where the scenario's events were, and stay readable where they overlap."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from emulator.core.signals import EVENT_BITS
from emulator.record.reader import Event, Run, read_run
from emulator.report.bands import event_bands, shown_bands


def with_events(run: Run, events: list[dict[str, Any]], mask: np.ndarray, log: list[Event]) -> Run:
    manifest = run.manifest | {"scenario": {"events": events}}
    return replace(run, manifest=manifest, signals={"bench.events_active": mask}, events=log)


def test_bands_are_the_stretches_of_the_mask_with_the_scenarios_names(
    ride_folder: Callable[..., Path],
) -> None:
    run = replace(read_run(ride_folder(12.0)), events=[])
    mask = run.signals["bench.events_active"].astype(int)
    bands = event_bands(run)
    assert [(b.label, b.name, b.kind) for b in bands] == [
        ("F1", "front wheel speed dropout", "fault, dropout, wheel_front_m_s"),
        ("F2", "GNSS jump", "fault, offset, gnss_x_m"),
    ]
    for bit, band in enumerate(bands):
        inside = (run.time_s >= band.from_s) & (run.time_s <= band.to_s)
        np.testing.assert_array_equal(inside, (mask >> bit & 1) == 1)


def test_without_names_events_have_numbers(ride_folder: Callable[..., Path]) -> None:
    run = read_run(ride_folder(6.0))
    for scenario in ({}, {"events": None}, {"events": ["?", 3]}, "a name"):
        bands = event_bands(replace(run, manifest=run.manifest | {"scenario": scenario}))
        assert [b.label for b in bands] == ["F1", "F2"]
    assert event_bands(replace(run, manifest={}))[1].name == "scenario event 2"


def test_an_event_that_comes_and_goes_has_a_band_each_time(ride_folder: Callable[..., Path]) -> None:
    run = read_run(ride_folder(6.0))
    at = np.arange(len(run.tick))
    mask = ((at // 500) % 2).astype(float)
    bands = event_bands(with_events(run, [{"name": "loose plug"}], mask, []))
    assert [b.label for b in bands] == ["F1"] * len(bands)
    assert sum(round((b.to_s - b.from_s) * 1000) + 1 for b in bands) == int(mask.sum())


@pytest.mark.parametrize("number", [EVENT_BITS, EVENT_BITS + 3])
def test_events_beyond_the_bits_come_from_the_log_whatever_their_kind(
    ride_folder: Callable[..., Path], number: int
) -> None:
    run = read_run(ride_folder(8.0))
    events = [{"kind": "k", "name": f"e{i}"} for i in range(number + 1)]
    name = events[number]["name"]
    log = [
        Event(1000, 1.0, "anything_on", name, name),
        Event(1500, 1.5, "anything_on", "somebody else", ""),
        Event(3000, 3.0, "anything_off", name, name),
        Event(4000, 4.0, "anything_on", name, name),
    ]
    end_s = float(run.time_s[-1])
    bands = event_bands(with_events(run, events, np.zeros(len(run.tick)), log))
    assert [(b.label, b.from_s, b.to_s) for b in bands] == [
        (f"F{number + 1}", 1.0, 3.0),
        (f"F{number + 1}", 4.0, end_s),
    ]


def test_a_mark_is_an_instant_told_once(ride_folder: Callable[..., Path]) -> None:
    run = read_run(ride_folder(6.0))
    log = [Event(2000, 2.0, "mark", "half way: half a lap", "half way: half a lap")]
    row = int(np.searchsorted(run.tick, 2000))
    for one_tick in (0.0, 1.0):  # with and without a bit
        mask = np.zeros(len(run.tick))
        mask[row] = one_tick
        (band,) = event_bands(with_events(run, [{"kind": "mark", "name": "half way"}], mask, log))
        assert (band.name, band.kind, band.from_s, band.to_s) == ("half way", "mark", 2.0, 2.0)


def test_only_faults_are_labelled_like_faults(ride_folder: Callable[..., Path]) -> None:
    run = read_run(ride_folder(20.0))
    at = run.time_s
    kinds = ("fault", "mark", "gust", "frame", "grip")
    mask = sum(2.0**i * ((at > 2 + i) & (at < 3 + i)) for i in range(len(kinds)))
    bands = event_bands(with_events(run, [{"name": k, "kind": k} for k in kinds], np.asarray(mask), []))
    assert [b.label for b in bands] == ["F1", "E2", "E3", "F4", "E5"]
    assert [b["fault"] for b in shown_bands(bands)] == [True, False, False, True, False]
