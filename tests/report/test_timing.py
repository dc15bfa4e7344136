"""Figures of timing: nothing left out, nothing drawn where there is nothing, what misses is seen."""

from __future__ import annotations

import json
import re
from typing import Any

import numpy as np
import pytest

from emulator.core.frame_buffer import frame_buffer
from emulator.loop.certificate import OutputSpec, TimingAccounts
from emulator.report.timing import _place, age_histograms, bus_figure, lateness_histogram

MS = 1_000_000


def certificate() -> dict[str, Any]:
    budget = TimingAccounts(
        [
            OutputSpec("lean", 2, 100.0, 8 * MS),
            OutputSpec("imu", 3, 100.0, 2 * MS),
            OutputSpec("off", 4, 1.0, 0),
        ]
    )
    frames = frame_buffer(2)
    for n in range(200):
        frames.count[0], frames.can_id[:2] = 2, (2, 3)
        frames.valid_ns[:2] = n * 10 * MS
        late = 300_000 if n != 77 else 12 * MS
        frames.time_ns[:2] = n * 10 * MS
        budget.frames(frames, 2, n * 10 * MS + 2 * MS + late)
    return budget.certificate()


def test_ages_are_drawn_an_output_a_row_with_every_sample_in_it() -> None:
    figure = age_histograms(certificate())
    assert figure is not None
    json.dumps(figure, allow_nan=False)
    assert figure["rows"] == ["lean", "imu"]  # nothing was sent of the third
    told = [
        [re.search(r"from ([-+.\d]+) ms (\d+) samples", tip) for tip in c["tips"]] for c in figure["curves"]
    ]
    for c, tips in zip(figure["curves"], told, strict=True):
        assert sum(int(tip[2]) for tip in tips if tip) == 200
        assert c["x"] == sorted(c["x"])
    late = told[1]
    assert float(late[0][1]) == pytest.approx(0.3, abs=0.02)
    assert float(late[-1][1]) == pytest.approx(12.0, abs=0.01)  # the one straggler is there
    assert figure["curves"][1]["x"][-1] == pytest.approx(float(_place(np.array([12.0]))[0]), abs=1e-3)
    assert figure["curves"][0]["x"][0] < 0.0  # the other one is too young
    for row, c in enumerate(figure["curves"]):
        assert row < min(c["y"]) < max(c["y"]) < row + 1  # each in its own row


def test_the_axis_of_ages_keeps_order_and_sign() -> None:
    off = np.array([-100.0, -1.0, -0.01, 0.0, 0.01, 1.0, 100.0])
    assert (np.diff(_place(off)) > 0).all()
    np.testing.assert_allclose(_place(-off), -_place(off))
    assert _place(np.array([0.0]))[0] == 0.0


@pytest.mark.parametrize(
    "broken",
    [
        {},
        {"outputs": None},
        {"outputs": {"lean": None}},
        {"outputs": {"lean": {"latency_ms": 1.0}}},
        {"outputs": {"lean": {"latency_ms": 1.0, "age_histogram": {"edges_ms": [1], "counts": [1, 2]}}}},
        {"outputs": {"lean": {"latency_ms": 1.0, "age_histogram": {"edges_ms": ["x", 2], "counts": [1]}}}},
        {"outputs": {"lean": {"latency_ms": 1.0, "age_histogram": {"edges_ms": None, "counts": [1]}}}},
        {"outputs": {"lean": {"latency_ms": 1.0, "age_histogram": {"edges_ms": [1, 2], "counts": None}}}},
    ],
)
def test_no_figure_of_ages_where_there_are_none(broken: dict[str, Any]) -> None:
    assert age_histograms(broken) is None


def line(name: str, worst: float | None, deadline: float, *, robot: bool = False) -> dict[str, Any]:
    return {
        "name": name,
        "from_robot": robot,
        "worst_ms": worst,
        "deadline_ms": deadline,
        "in_time": worst is not None and worst <= deadline,
    }


def test_every_frames_worst_response_stands_beside_its_deadline() -> None:
    frames = [
        line("steering", 0.5, 2.0, robot=True),
        line("imu", 2.5, 2.0),
        line("lean", 3.0, 10.0),
        line("slow", None, 20.0),
    ]
    figure = bus_figure({"frames": frames})
    assert figure is not None
    json.dumps(figure, allow_nan=False)
    drawn = {
        b["name"]: {n: v for n, v in zip(figure["rows"], b["values"], strict=True) if v}
        for b in figure["bars"]
    }
    assert drawn["worst response, robot"] == {"steering": 0.5}
    assert drawn["worst response, bench"] == {"lean": 3.0}
    (ends,) = figure["curves"]
    assert dict(zip(figure["rows"], ends["x"], strict=True)) == {
        "steering": 2.0,
        "imu": 2.0,
        "lean": 10.0,
        "slow": 20.0,
    }
    missed = drawn["not in time at worst"]
    assert missed["imu"] == 2.5
    assert missed["slow"] == figure["x"]["range"][1]
    assert figure["rows"] == ["steering", "imu", "lean", "slow"]


@pytest.mark.parametrize("nothing", [None, {}, {"frames": []}, {"frames": [1]}, []])
def test_no_figure_of_a_bus_nobody_knows(nothing: Any) -> None:
    assert bus_figure(nothing) is None


def test_histogram_keeps_every_count_and_has_no_zero_on_a_log_axis() -> None:
    certificate = {"loop": {"lateness_histogram": {"edges_us": [0, 1, 10, 100], "counts": [5, 0, 900]}}}
    figure = lateness_histogram(certificate)
    assert figure is not None
    (ticks,) = figure["curves"]
    assert [int(re.findall(r"(\d+) ticks", tip)[0]) for tip in ticks["tips"][:3]] == [5, 0, 900]
    assert min(ticks["x"]) > 0
    assert min(ticks["y"]) > 0


def test_no_histogram_is_no_figure() -> None:
    for loop in (None, {}, {"lateness_histogram": {"edges_us": [], "counts": []}}, {"lateness_histogram": 3}):
        assert lateness_histogram({"loop": loop}) is None
    for edges, counts in (([1, 2], None), (None, [1]), (None, None), (1, 2)):
        histogram = {"edges_us": edges, "counts": counts}
        assert lateness_histogram({"loop": {"lateness_histogram": histogram}}) is None
    assert (
        lateness_histogram({"loop": {"lateness_histogram": {"edges_us": [1, 2], "counts": [1, 2]}}}) is None
    )
