"""Figures: nothing an engineer looks for is thinned away, and bands stand where the faults were."""

from __future__ import annotations

import base64
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from emulator.campaign.figures import (
    LASTING,
    MAX_POINTS,
    fault_bands,
    keep_extremes,
    lateness_histogram,
    plan_view,
    time_series,
)
from emulator.campaign.verdict import verdict_from
from emulator.record.reader import Event, read_run
from emulator.rig.bench import EVENT_KINDS


def numbers(item: Any) -> np.ndarray:
    if isinstance(item, list):
        return np.asarray(item, float)
    assert item["dtype"] == "f4"
    return np.frombuffer(base64.b64decode(item["bdata"]), "<f4").astype(float)


@settings(max_examples=60, deadline=None)
@given(n=st.integers(0, 40_000), limit=st.integers(8, 3000), seed=st.integers(0, 99), holes=st.integers(0, 3))
def test_thinning_keeps_extremes_gaps_ends_and_the_bound(n: int, limit: int, seed: int, holes: int) -> None:
    rng = np.random.default_rng(seed)
    values = rng.normal(size=n)
    gaps = rng.integers(0, n, holes) if n else np.empty(0, int)
    values[gaps] = np.nan
    rows = keep_extremes(values, limit)
    assert len(rows) <= max(limit, 0)
    assert (np.diff(rows) > 0).all()
    if n == 0:
        return
    assert rows[0] == 0
    assert rows[-1] == n - 1
    if np.isfinite(values).any():
        assert np.nanmax(values[rows]) == np.nanmax(values)
        assert np.nanmin(values[rows]) == np.nanmin(values)
    assert np.isnan(values[rows]).any() == np.isnan(values).any()


def test_a_one_sample_spike_in_two_minutes_is_drawn() -> None:
    values = np.zeros(120_000)
    values[77_777] = 9.0
    values[50_001] = np.nan
    rows = keep_extremes(values)
    assert len(rows) <= MAX_POINTS
    assert {77_777, 50_001} <= set(rows.tolist())


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


def test_panels_hold_what_was_recorded_in_shown_units(ride_folder: Callable[..., Path]) -> None:
    run = read_run(ride_folder(10.0))
    assert run.verdict is not None
    panels = dict(time_series(run, fault_bands(run), verdict_from(run.verdict).criteria))
    true = next(t for t in panels["Speed"]["data"] if t["name"] == "true")
    speed = 3.6 * run.signals["truth.speed_m_s"]
    assert np.max(numbers(true["y"])) == np.float32(speed.max())
    np.testing.assert_allclose(
        np.interp(numbers(true["x"]), run.time_s, speed), numbers(true["y"]), atol=0.02
    )
    front = next(t for t in panels["Wheel speeds as sent"]["data"] if t["name"] == "front wheel")
    assert np.isnan(numbers(front["y"])).any()  # the dropout stays a gap
    for panel in panels.values():
        assert all(len(numbers(t["x"])) <= MAX_POINTS for t in panel["data"])
        assert len({(t["line"]["dash"], t["yaxis"]) for t in panel["data"]}) == len(panel["data"])
        assert [s["x0"] for s in panel["layout"]["shapes"] if s["type"] == "rect"] == [2.85, 5.7]
    limits = [s["y0"] for s in panels["Offset from the line, positive to its left"]["layout"]["shapes"]]
    assert {2.0, -2.0} <= set(limits)


def test_a_missing_signal_is_said_not_hidden(ride_folder: Callable[..., Path]) -> None:
    run = read_run(ride_folder(6.0))
    signals = {k: v for k, v in run.signals.items() if k != "output.lean_rad"}
    panels = dict(time_series(replace(run, signals=signals), [], []))
    assert "lean sensor: not recorded" in [t["name"] for t in panels["Roll, positive to the right"]["data"]]


def test_plan_shows_target_patches_faults_and_worst_places(ride_folder: Callable[..., Path]) -> None:
    run = read_run(ride_folder(40.0))
    assert run.verdict is not None
    plan = plan_view(run, fault_bands(run), verdict_from(run.verdict).criteria)
    traces = {t["name"]: t for t in plan["data"]}
    assert {"target path", "true path", "estimate", "wet, grip 0.5", "start", "worst instants"} <= set(traces)
    assert traces["event begins"]["text"] == ["F1", "F2"]
    at = int(np.searchsorted(run.time_s, fault_bands(run)[0].from_s))
    assert traces["event begins"]["x"][0] == run.signals["truth.x_m"][at]
    x, y = numbers(traces["wet, grip 0.5"]["x"]), numbers(traces["wet, grip 0.5"]["y"])
    assert abs(np.hypot(np.diff(x), np.diff(y)).sum() - 40) < 0.2
    assert plan["layout"]["yaxis"]["scaleanchor"] == "x"
    assert all(len(numbers(t["x"])) <= MAX_POINTS for t in plan["data"])


def test_an_estimate_that_jumps_for_one_sample_is_seen_from_above(ride_folder: Callable[..., Path]) -> None:
    run = read_run(ride_folder(40.0))
    straight, none = 0.02 * np.arange(len(run.tick)), np.zeros(len(run.tick))
    x = straight.copy()
    x[23_457] += 1.0  # forward along the path, where the bike soon is itself: no extreme of x
    changed = {
        "truth.x_m": straight,
        "truth.y_m": none,
        "robot.estimate_x_m": x,
        "robot.estimate_y_m": none,
    }
    plan = plan_view(replace(run, signals=run.signals | changed), [], [])
    drawn = next(t for t in plan["data"] if t["name"] == "estimate")
    assert np.float32(x[23_457]) in numbers(drawn["x"])
    assert np.float32(x[23_450]) not in numbers(drawn["x"])  # its neighbours are thinned away


def test_plan_without_a_line_or_with_nonsense_still_shows_the_ride(ride_folder: Callable[..., Path]) -> None:
    run = read_run(ride_folder(6.0))
    for line in (None, {}, {"x_m": [1, 2]}, {"x_m": ["a", "b"], "y_m": [1, 2]}, {"x_m": [1, 2], "y_m": [1]}):
        manifest = run.manifest | {"line": line, "patches": [{"name": "half a patch"}]}
        names = [t["name"] for t in plan_view(replace(run, manifest=manifest), [], [])["data"]]
        assert "true path" in names
        assert "target path" not in names


def test_histogram_keeps_every_count_and_has_no_zero_on_a_log_axis() -> None:
    certificate = {"loop": {"lateness_histogram": {"edges_us": [0, 1, 10, 100], "counts": [5, 0, 900]}}}
    figure = lateness_histogram(certificate)
    assert figure is not None
    (trace,) = figure["data"]
    assert trace["customdata"][:3] == [5, 0, 900]
    assert min(trace["x"]) > 0
    assert min(trace["y"]) > 0


def test_no_histogram_is_no_figure() -> None:
    for loop in (None, {}, {"lateness_histogram": {"edges_us": [], "counts": []}}, {"lateness_histogram": 3}):
        assert lateness_histogram({"loop": loop}) is None
    assert (
        lateness_histogram({"loop": {"lateness_histogram": {"edges_us": [1, 2], "counts": [1, 2]}}}) is None
    )
