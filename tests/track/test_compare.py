"""Comparison of records: bit for bit, and path against path."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from emulator.core.errors import RecordError
from emulator.core.signals import INDEX, SIGNALS
from emulator.record.reader import Run, read_run
from emulator.record.writer import RunWriter
from emulator.track.compare import LOOP_TIMING, path_distance, same_signals


def circle(
    folder: Path, radius: float, *, speed: float = 20.0, n: int = 2000, line_radius: float = 50.0
) -> Run:
    """A ride round the origin at constant distance; stations are those of a line of ``line_radius``."""
    ticks = np.arange(-50, n)
    angle = np.maximum(ticks, 0) * 1e-3 * speed / line_radius
    rows = np.zeros((len(ticks), len(SIGNALS)))
    rows[:, INDEX["truth.x_m"]] = radius * np.cos(angle)
    rows[:, INDEX["truth.y_m"]] = radius * np.sin(angle)
    rows[:, INDEX["line.station_m"]] = line_radius * angle
    rows[:, INDEX["bench.state"]] = np.where(ticks < 0, 1, 2)
    with RunWriter(folder, {}) as writer:
        writer.append_signals(ticks, rows)
    return read_run(folder)


def changed(run: Run, name: str, row: int, value: float) -> Run:
    column = run.signals[name].copy()
    column[row] = value
    return replace(run, signals={**run.signals, name: column})


def test_equal_runs_have_no_differences(tmp_path: Path) -> None:
    a, b = circle(tmp_path / "a", 50), circle(tmp_path / "b", 50)
    assert same_signals(a, b) == []
    assert same_signals(changed(a, "truth.x_m", 3, np.nan), changed(b, "truth.x_m", 3, np.nan)) == []


def test_one_bit_is_a_difference(tmp_path: Path) -> None:
    a = circle(tmp_path / "a", 50)
    value = a.signals["truth.x_m"][100]
    text = same_signals(a, changed(a, "truth.x_m", 100, np.nextafter(value, 99)))
    assert len(text) == 1
    assert text[0].startswith("truth.x_m differs first at tick 50 (0.050 s): ")
    assert text[0].endswith("; 1 of 2050 rows differ")
    assert same_signals(a, changed(a, "truth.z_m", 9, -0.0))[0].startswith("truth.z_m differs")
    assert same_signals(a, changed(a, "truth.z_m", 9, np.nan))[0].startswith("truth.z_m differs")


def test_loop_timing_can_be_left_out(tmp_path: Path) -> None:
    a = circle(tmp_path / "a", 50)
    b = changed(a, "loop.lateness_us", 9, 12.0)
    assert same_signals(a, b) != []
    assert same_signals(a, b, ignore=LOOP_TIMING) == []


def test_length_ticks_and_columns_are_compared(tmp_path: Path) -> None:
    a, b = circle(tmp_path / "a", 50), circle(tmp_path / "b", 50, n=1900)
    assert same_signals(a, b) == ["2050 rows against 1950"]
    assert "tick numbers differ first in row 0: -50 against -49" in same_signals(
        a, replace(a, tick=a.tick + 1)
    )
    fewer = replace(a, signals={k: v for k, v in a.signals.items() if k != "truth.gear"})
    assert same_signals(a, fewer) == [f"truth.gear is only in {a.folder}"]


def test_concentric_paths_are_their_radii_apart_at_any_speed(tmp_path: Path) -> None:
    a = circle(tmp_path / "a", 50.0)
    b = circle(tmp_path / "b", 50.7, speed=13.0)
    # Between samples the chord cuts the arc by 0.02**2/(8*50) m = 1 um.
    assert path_distance(a, b) == pytest.approx(0.7, abs=2e-6)
    assert path_distance(a, a) == 0.0


def test_one_excursion_is_found(tmp_path: Path) -> None:
    a = circle(tmp_path / "a", 50.0)
    row = 1200
    b = changed(a, "truth.x_m", row, a.signals["truth.x_m"][row] + 2.5)
    assert path_distance(a, b) == pytest.approx(2.5, abs=1e-9)


def test_standing_and_rolling_back_count_once(tmp_path: Path) -> None:
    a = circle(tmp_path / "a", 50.0)
    station = a.signals["line.station_m"].copy()
    station[1000:1100] = station[1000] - 0.01 * np.arange(100)
    x = a.signals["truth.x_m"].copy()
    x[1001:1100] += 30.0  # while rolling back, over stations already ridden
    back = replace(a, signals={**a.signals, "line.station_m": station, "truth.x_m": x})
    # What is left is the straight over the 2 m the pause leaves out: 2**2/(8*50) m = 10 mm.
    assert path_distance(back, a) == pytest.approx(0.01, abs=0.001)


def test_paths_that_cannot_be_compared_are_refused(tmp_path: Path) -> None:
    a = circle(tmp_path / "a", 50.0)
    with pytest.raises(RecordError, match="not a number at tick 950"):
        path_distance(a, changed(a, "truth.y_m", 1000, np.nan))
    never = replace(a, signals={**a.signals, "bench.state": np.zeros(len(a.tick))})
    with pytest.raises(RecordError, match="no running tick"):
        path_distance(a, never)
    far = replace(a, signals={**a.signals, "line.station_m": a.signals["line.station_m"] + 900})
    with pytest.raises(RecordError, match="share no stretch"):
        path_distance(a, far)
