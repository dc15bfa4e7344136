"""Logs of a bench whose actuators are known: what was asked, and what a noisy sensor saw of them."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
from ruamel.yaml import YAML

from emulator.runs.from_track import import_track
from emulator.track.actuators.following import Actuator, delivered
from emulator.track.actuators.identify import Log

LIMIT_Nm = 60.0
GAIN, OFFSET_Nm, NOISE_Nm = 1.02, 0.1, 0.05
TRUTH = Actuator(0.010, 1.0 / 300.0, 0.6, 0.004)
STEERING = ("robot.steering_torque_Nm", "actuator.steering_torque_Nm")
THROTTLE = ("robot.throttle", "actuator.throttle")


def asked_of_it(rng: np.random.Generator, seconds: float = 12.0, size_Nm: float = 8.0) -> np.ndarray:
    """A command a tick: sines and steps of a robot that balances, held for 5 ms each."""
    n = round(seconds * 1e3)
    t = np.arange(n) * 1e-3
    asked = sum(
        size_Nm / 4.0 * np.sin(2.0 * np.pi * f * t + rng.uniform(0.0, 6.0)) for f in (0.3, 0.9, 2.3, 5.1)
    )
    for _ in range(8):
        at = int(rng.integers(0, n - 600))
        asked[at : at + 300] += rng.choice([-1.0, 1.0]) * size_Nm
    return np.repeat(asked[::5], 5)[:n]


def slow_command(seconds: float = 12.0, size_Nm: float = 8.0) -> np.ndarray:
    """A command that only swings to and fro in three seconds."""
    return size_Nm * np.sin(2.0 * np.pi * 0.3 * np.arange(round(seconds * 1e3)) * 1e-3)


def log_of(truth: Actuator, asked: np.ndarray, rng: np.random.Generator, every: int = 2) -> Log:
    """What a sensor sees of it every so many ticks."""
    made = delivered(truth, asked, -LIMIT_Nm, LIMIT_Nm)
    at = np.arange(0, len(asked), every)
    seen = GAIN * made[at] + OFFSET_Nm + NOISE_Nm * rng.standard_normal(len(at))
    return Log(asked, at, seen, NOISE_Nm, -LIMIT_Nm, LIMIT_Nm)


def bench_record(folder: Path, channels: tuple[str, ...] = (*STEERING, *THROTTLE)) -> Path:
    """A log of 12 s at 500 Hz, imported: a steering actuator of numbers, and a throttle that is not moved."""
    rng = np.random.default_rng(8)
    asked = asked_of_it(rng)
    seen = delivered(TRUTH, asked, -LIMIT_Nm, LIMIT_Nm) + NOISE_Nm * rng.standard_normal(len(asked))
    still = np.full(len(asked), 0.2)
    columns = dict(zip((*STEERING, *THROTTLE), (asked, seen, still, still), strict=True))
    units = dict(zip((*STEERING, *THROTTLE), ("N m", "N m", "1", "1"), strict=True))
    log = folder / "bench.csv"
    with log.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(("t", *channels))
        for k in range(0, len(asked), 2):
            writer.writerow([f"{k * 1e-3:.3f}", *(f"{columns[name][k]:.6g}" for name in channels)])
    content = {
        "kind": "track_map",
        "name": "bench",
        "time": {"channel": "t", "unit": "s"},
        "channels": [{"channel": name, "signal": name, "unit": units[name]} for name in channels],
    }
    with (folder / "map.yaml").open("w", encoding="utf-8") as file:
        YAML().dump(content, file)
    return import_track([log], folder / "map.yaml", folder / "record").folder
