"""An hour of a log is imported within the memory that a desk has to spare."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from pyarrow import parquet

SECONDS, STEP_s = 3600, 0.001
MOST_BYTES = 10**9
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
from pathlib import Path
from emulator.runs.from_track import import_track
import_track([Path("hour.parquet")], Path("map.yaml"), Path("record"))
status = Path("/proc/self/status").read_text()
print(int(status.partition("VmHWM:")[2].split()[0]) * 1024)
"""
"""VmHWM is the process's own; getrusage counts what the one that started it had before."""


def write_hour(folder: Path) -> None:
    """A long bend that goes on and on, whose signals agree, with noise; written by columns."""
    rng = np.random.default_rng(1)
    time_s = np.arange(round(SECONDS / STEP_s)) * STEP_s
    n = len(time_s)
    speed, turning = 25.0 + 10.0 * np.sin(time_s / 20.0), 0.2 * np.sin(time_s / 5.0)
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
    parquet.write_table(pa.table(columns), folder / "hour.parquet")
    rows = "\n".join(f"- {{channel: {c}, signal: {s}, unit: '{u}'}}" for c, (s, u) in CHANNELS.items())
    (folder / "map.yaml").write_text(
        f"kind: track_map\nname: Hour\ntime: {{channel: time}}\nchannels:\n{rows}\n"
    )


@pytest.mark.timing  # for the ordinary run's length only: half a minute
def test_an_hour_of_fifteen_channels_takes_less_than_a_gigabyte(tmp_path: Path) -> None:
    """In a process of its own, all of it: interpreter, libraries, the numbers (0.43 GB), the report."""
    assert len(CHANNELS) == 15
    write_hour(tmp_path)
    done = subprocess.run(
        [sys.executable, "-c", IMPORT], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert int(done.stdout) < MOST_BYTES
    assert (tmp_path / "record" / "report.html").exists()
