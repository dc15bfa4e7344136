"""An hour of a log is imported within a minute and the memory that a desk has to spare."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import asammdf
import numpy as np
import pyarrow as pa
import pytest
from pyarrow import parquet
from scipy.ndimage import gaussian_filter1d

from emulator.config.scenario.schema import load_course, load_scenario
from emulator.road.line import Line
from tests.guide.markdown import ROOT

SCENARIO = ROOT / "scenarios" / "runs" / "first_lap.yaml"
SECONDS, STEP_s = 3600, 0.001
MOST_BYTES = 800 * 10**6
"""Asked for is a gigabyte; this leaves room for a log with more in it."""
MOST_s = 60.0
CHANNELS = {
    "front": ("output.wheel_front_m_s", "m/s"),
    "rear": ("output.wheel_rear_m_s", "m/s"),
    "lean": ("output.lean_rad", "rad"),
    **{f"f{a}": (f"output.force_{a}_m_s2", "m/s2") for a in "xyz"},
    **{f"w{a}": (f"output.rate_{a}_rad_s", "rad/s") for a in "xyz"},
    "steer": ("output.steering_angle_rad", "rad"),
    "fork": ("output.fork_travel_m", "m"),
    "throttle": ("output.throttle_position", "1"),
    "brake": ("output.front_brake_line_Pa", "bar"),
    "rear_brake": ("output.rear_brake_line_Pa", "bar"),
    "engine": ("output.engine_rad_s", "rad/s"),
}

IMPORT = """
import time
from pathlib import Path
from emulator.runs.from_track import import_track
import_track([Path({log!r})], Path("map.yaml"), Path("record"))
status = Path("/proc/self/status").read_text()
print(int(status.partition("VmHWM:")[2].split()[0]) * 1024, time.process_time())
"""
"""VmHWM is the process's own; getrusage counts what the one that started it had before."""


PLACES = {
    "east": ("output.gnss_x_m", "m"),
    "north": ("output.gnss_y_m", "m"),
    "course": ("course", "rad"),
    "fixed_speed": ("output.gnss_speed_m_s", "m/s"),
}


def round_and_round(line: Line, time_s: np.ndarray) -> tuple[np.ndarray, ...]:
    """Speed, turning, east, north and heading of laps at the speed that 6 m/s2 of turning allows."""
    station = np.arange(0.0, line.length, 0.5)
    bend = np.abs(np.interp(station, line.station, line.curvature))
    speed = gaussian_filter1d(np.minimum(28.0, np.sqrt(6.0 / np.maximum(bend, 1e-4))), 60, mode="wrap")
    passed = np.concatenate([[0.0], np.cumsum(0.5 / speed)])
    laps, rest = np.divmod(time_s, passed[-1])
    at = np.interp(rest, passed, np.arange(len(passed)) * 0.5)
    turns = laps * (line.heading[-1] - line.heading[0])
    heading = np.interp(at, line.station, line.heading) + turns
    smooth = [gaussian_filter1d(np.gradient(v, STEP_s), 200) for v in (at + laps * line.length, heading)]
    return (*smooth, np.interp(at, line.station, line.x), np.interp(at, line.station, line.y), heading)


def an_hour(places: bool) -> dict[str, np.ndarray]:
    """A ride that goes on and on, whose signals agree, with noise."""
    rng = np.random.default_rng(1)
    time_s = np.arange(round(SECONDS / STEP_s)) * STEP_s
    n = len(time_s)
    speed, turning = 25.0 + 10.0 * np.sin(time_s / 20.0), 0.2 * np.sin(time_s / 5.0)
    where: dict[str, np.ndarray] = {}
    if places:
        course, _ = load_course(*load_scenario(SCENARIO))
        speed, turning, east, north, heading = round_and_round(course.line, time_s)
        east, north = (place + 0.02 * rng.normal(size=n) for place in (east, north))
        where = {"east": east, "north": north, "course": np.mod(0.5 * np.pi - heading, 2.0 * np.pi)}
        where["fixed_speed"] = speed + 0.03 * rng.normal(size=n)
    lean = -np.arctan(speed * turning / 9.80665)
    across = speed * turning
    columns = {
        "time": time_s,
        "front": speed + 0.05 * rng.normal(size=n),
        "rear": speed + 0.05 * rng.normal(size=n),
        "lean": lean + 0.005 * rng.normal(size=n),
        "fx": np.gradient(speed, STEP_s) + 0.3 * rng.normal(size=n),
        "fy": across * np.cos(lean) + 9.80665 * np.sin(lean) + 0.3 * rng.normal(size=n),
        "fz": -across * np.sin(lean) + 9.80665 * np.cos(lean) + 0.3 * rng.normal(size=n),
        "wx": np.gradient(lean, STEP_s) + 0.01 * rng.normal(size=n),
        "wy": turning * np.sin(lean) + 0.01 * rng.normal(size=n),
        "wz": turning * np.cos(lean) + 0.01 * rng.normal(size=n),
    }
    for name in CHANNELS:
        columns.setdefault(name, 0.05 + 0.01 * np.sin(time_s / 3.0) + 0.001 * rng.normal(size=n))
    return columns | where


def write_map(folder: Path, places: bool, of_time: str = "time: {channel: time}") -> None:
    """A map of the hour's channels."""
    told = CHANNELS | (PLACES if places else {})
    rows = "\n".join(f"- {{channel: {c}, signal: {s}, unit: '{u}'}}" for c, (s, u) in told.items())
    line = f"scenario: {SCENARIO}\nantenna: {{position_m: [0.3, 0.0, 0.9]}}\n" if places else ""
    (folder / "map.yaml").write_text(f"kind: track_map\nname: Hour\n{of_time}\n{line}channels:\n{rows}\n")


def write_parquet(columns: dict[str, np.ndarray], path: Path) -> None:
    """By columns, packed."""
    parquet.write_table(pa.table(columns), path)


def write_mdf(columns: dict[str, np.ndarray], path: Path) -> None:
    """One group, its blocks transposed and packed by zlib."""
    time_s = columns.pop("time")
    with asammdf.MDF(version="4.10") as file:
        signals = [asammdf.Signal(values, time_s, name=name) for name, values in columns.items()]
        file.append(signals, common_timebase=True)
        file.save(path, compression=2)


def imported(log: str, folder: Path) -> None:
    """Import in a process of its own, all of it: interpreter, libraries, the numbers, the report."""
    done = subprocess.run(
        [sys.executable, "-c", IMPORT.format(log=log)],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    most_bytes, seconds = done.stdout.split()
    assert int(most_bytes) < MOST_BYTES
    assert float(seconds) < MOST_s
    assert (folder / "record" / "report.html").exists()


@pytest.mark.timing  # for the ordinary run's length only: a minute each
@pytest.mark.timeout(1800)
@pytest.mark.parametrize("form", [write_parquet, write_mdf])
@pytest.mark.parametrize(
    "places", [False, True], ids=["fifteen channels", "with places, a line and a verdict"]
)
def test_an_hour_takes_less_than_a_minute_and_a_gigabyte(
    places: bool, form: Callable[[dict[str, np.ndarray], Path], None], tmp_path: Path
) -> None:
    assert len(CHANNELS) == 15
    write_map(tmp_path, places)
    form(an_hour(places), tmp_path / "hour.mf4")
    imported("hour.mf4", tmp_path)
    assert (tmp_path / "record" / "verdict.json").exists() == places
