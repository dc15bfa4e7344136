"""Rides on a circle of which only the true station is given, for what is timed."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from emulator.record.reader import Frames, Run

LENGTH = 2.0 * np.pi * 50.0
"""A circle of 50 m radius."""


def ride(
    station: np.ndarray, *, first_tick: int = 0, speed: np.ndarray | float = 20.0, **more: np.ndarray
) -> Run:
    """A ride whose true station at each tick is given; columns given replace their namesakes (__ for .)."""
    tick = first_tick + np.arange(station.size)
    signals = {
        "bench.state": np.full(station.size, 2.0),
        "line.station_m": station.astype(float),
        "truth.speed_m_s": np.broadcast_to(np.asarray(speed, float), station.shape),
        "truth.fallen": np.zeros(station.size),
    }
    signals.update({name.replace("__", "."): column for name, column in more.items()})
    none = np.empty(0, np.int64)
    frames = Frames(none, none, none, none.astype(np.uint8), none, none, np.empty((0, 64), np.uint8), none)  # type: ignore[arg-type]
    return Run(Path("run"), {}, tick, tick * 1_000_000, signals, frames, [])


def at_constant_speed(v: float, seconds: float, start: float = 0.0) -> np.ndarray:
    return start + v * np.arange(round(seconds * 1000) + 1) / 1000.0
