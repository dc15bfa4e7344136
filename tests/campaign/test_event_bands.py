"""Bands stand where the scenario's events were."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from emulator.campaign.event_bands import LASTING, fault_bands
from emulator.record.reader import Event, read_run
from emulator.rig.bench import EVENT_KINDS


def test_bands_come_from_events_in_order_of_time(ride_folder: Callable[..., Path]) -> None:
    run = read_run(ride_folder(8.0))
    bands = fault_bands(run)
    assert [(b.label, b.name) for b in bands] == [("F1", "front wheel speed dropout"), ("F2", "GNSS jump")]
    assert [(b.from_s, b.to_s) for b in bands] == [(2.25, 4.25), (4.5, 8.5)]
    open_end = [e for e in run.events if e.kind != "fault_off"]
    assert [b.to_s for b in fault_bands(replace(run, events=open_end))] == [7.499, 7.499]


def test_bands_come_from_the_mask_when_no_event_tells(ride_folder: Callable[..., Path]) -> None:
    run = replace(read_run(ride_folder(12.0)), events=[])
    mask = run.signals["bench.fault_active"].astype(int)
    bands = fault_bands(run)
    assert [b.name for b in bands] == ["scenario event 1", "scenario event 2"]
    for bit, band in enumerate(bands):
        inside = (run.time_s >= band.from_s) & (run.time_s <= band.to_s)
        np.testing.assert_array_equal(inside, (mask >> bit & 1) == 1)


def test_every_event_of_the_bench_that_begins_and_ends_is_one_that_lasts() -> None:
    kinds = set(EVENT_KINDS.values())
    assert {k.removesuffix("_on") for k in kinds if k.endswith("_on")} == set(LASTING)
    assert {k.removesuffix("_off") for k in kinds if k.endswith("_off") and k != "run_off"} == set(LASTING)


@pytest.mark.parametrize("kind", LASTING)
def test_every_kind_of_event_that_lasts_has_a_band_with_its_name(
    ride_folder: Callable[..., Path], kind: str
) -> None:
    run = read_run(ride_folder(8.0))
    events = [Event(1000, 1.0, f"{kind}_on", "seam", "seam"), Event(3000, 3.0, f"{kind}_off", "seam", "seam")]
    (band,) = fault_bands(replace(run, events=events))
    assert (band.label, band.name, band.from_s, band.to_s) == ("F1", "seam", 1.0, 3.0)
