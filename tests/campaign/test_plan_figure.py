"""The ride from above: target, patches, faults and worst places."""

from __future__ import annotations

import base64
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from emulator.campaign.drawing import MAX_POINTS
from emulator.campaign.event_bands import fault_bands
from emulator.campaign.plan_figure import plan_view
from emulator.campaign.verdict import verdict_from
from emulator.record.reader import read_run


def numbers(item: Any) -> np.ndarray:
    if isinstance(item, list):
        return np.asarray(item, float)
    assert item["dtype"] == "f4"
    return np.frombuffer(base64.b64decode(item["bdata"]), "<f4").astype(float)


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
