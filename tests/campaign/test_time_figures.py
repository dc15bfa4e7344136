"""The ride over time: what was recorded, in shown units, and what is missing is said."""

from __future__ import annotations

import base64
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from emulator.campaign.drawing import MAX_POINTS
from emulator.campaign.event_bands import fault_bands
from emulator.campaign.time_figures import time_series
from emulator.campaign.verdict import verdict_from
from emulator.record.reader import read_run


def numbers(item: Any) -> np.ndarray:
    if isinstance(item, list):
        return np.asarray(item, float)
    assert item["dtype"] == "f4"
    return np.frombuffer(base64.b64decode(item["bdata"]), "<f4").astype(float)


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
