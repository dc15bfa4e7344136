"""Figures' numbers: nothing an engineer looks for is thinned away."""

from __future__ import annotations

import base64
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from emulator.campaign.drawing import MAX_POINTS, keep_extremes
from emulator.campaign.plan_figure import plan_view
from emulator.record.reader import read_run


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
