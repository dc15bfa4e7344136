"""Two rides over each other: equal stations, the time between them, and no two lines mixed up."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from emulator.core.errors import RecordError
from emulator.record.reader import Run, read_run
from emulator.report.beside import beside
from emulator.report.run_report import report_html
from tests.support.html_page import Page
from tests.support.recorded import numbers


@pytest.fixture(scope="module")
def run(whole_ride: Path) -> Run:
    return read_run(whole_ride)


def slower(run: Run, factor: float) -> Run:
    """The same way in more time."""
    return replace(run, time_ns=np.rint(run.time_ns * factor).astype(np.int64))


def test_time_lost_is_the_time_between_at_equal_stations(run: Run) -> None:
    panels = dict(beside(run, slower(run, 1.1)))
    (lost,) = panels["Time lost on the other ride / (s)"]["curves"]
    station, time_s = run.signals["line.station_m"], run.time_s
    x, y = numbers(lost["x"]), numbers(lost["y"])
    moving = np.flatnonzero((np.diff(station, prepend=-1) > 0) & (run.signals["bench.state"] == 2))
    there = np.interp(x, station[moving], time_s[moving])
    np.testing.assert_allclose(y, -0.1 * (there - there[0]), atol=2e-3)


def test_signals_stand_over_their_own_station(run: Run) -> None:
    panels = dict(beside(run, slower(run, 1.3)))
    mine, other = panels["Roll, positive to the right / (°)"]["curves"]
    np.testing.assert_array_equal(numbers(mine["y"]), numbers(other["y"]))  # the same place, the same lean
    assert mine["dash"] != other["dash"]
    steps = np.diff(numbers(mine["x"]))
    assert steps == pytest.approx(0.5)


def test_another_line_is_refused(run: Run) -> None:
    line = {key: [v + 1.0 for v in values] for key, values in run.manifest["line"].items()}
    other = replace(run, manifest=run.manifest | {"line": line})
    with pytest.raises(RecordError, match="another line"):
        beside(run, other)
    with pytest.raises(RecordError, match="another line"):
        beside(run, replace(run, manifest={}))
    standing = run.signals | {"bench.state": np.zeros(len(run.tick))}
    with pytest.raises(RecordError, match="got nowhere"):
        beside(run, replace(run, signals=standing))


def test_the_page_has_both_only_if_asked(run: Run) -> None:
    assert "Time lost" not in Page(report_html(run)).text
    text = Page(report_html(run, slower(run, 1.1))).text
    assert f"Beside {run.folder.name}" in text
    assert "Time lost on the other ride / (s)" in text
