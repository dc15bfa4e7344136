"""Rides with a hidden line: laps beside a line, each a little different, with the noise of a receiver."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

import numpy as np
from scipy.ndimage import gaussian_filter1d

from emulator.record.reader import Frames, Run
from emulator.road.line import Line, sample
from emulator.survey.ridden_line.places import Places

Array = np.ndarray


class Hidden(NamedTuple):
    """The line that laps scatter about, at ``station`` (m,) [m] of the guide, and what was measured."""

    station: Array
    offset: Array
    places: Places


def wandering(rng: np.random.Generator, length_m: float, sd_m: float, wave_m: float, step_m: float) -> Array:
    """A smooth function of chance (m,) that goes round, its standard deviation, and how long it is alike."""
    count = round(length_m / step_m)
    raw = gaussian_filter1d(rng.normal(size=count), wave_m / step_m, mode="wrap", truncate=8.0)
    return raw * sd_m / raw.std()


def at_offsets(line: Line, stations: Array, offsets: Array) -> Array:
    """East and north (n, 2) [m] of places beside a line."""
    found = np.empty((len(stations), 2))
    for k, (s, o) in enumerate(zip(stations.tolist(), offsets.tolist(), strict=True)):
        x, y, heading, _, _ = sample(line, s % line.length if line.closed else s)
        found[k] = x - o * np.sin(heading), y + o * np.cos(heading)
    return found


def hidden_ride(
    line: Line,
    rng: np.random.Generator,
    *,
    laps: int,
    noise_m: float = 0.02,
    differ_m: float = 0.25,
    aside_m: float = 2.0,
    speed_m_s: float = 30.0,
    rate_hz: float = 20.0,
    wave_m: float = 35.0,
) -> Hidden:
    """Laps of a closed line, with 100 m before the first and behind the last one.

    differ_m  standard deviation of a lap about the hidden line, which is itself ``aside_m`` beside the guide
    """
    step = 0.5
    mean = wandering(rng, line.length, aside_m, 60.0, step)
    grid = np.arange(len(mean)) * line.length / len(mean)
    total = np.arange(-100.0, laps * line.length + 100.0, step)
    # one long walk of the rider: the end of a lap is the start of the next one
    own = gaussian_filter1d(rng.normal(size=len(total)), wave_m / step, truncate=8.0)
    own *= differ_m / own.std()
    at = np.arange(-95.0, laps * line.length + 95.0, speed_m_s / rate_hz)
    offsets = np.interp(at % line.length, grid, mean, period=line.length) + np.interp(at, total, own)
    plane = at_offsets(line, at, offsets) + noise_m * rng.normal(size=(len(at), 2))
    unknown = np.full(len(at), np.nan)
    return Hidden(grid, mean, Places((at + 95.0) / speed_m_s, plane[:, 0], plane[:, 1], unknown, unknown))


def record_of(places: Places, **manifest: object) -> Run:
    """A record of the track with a receiver's places and nothing else."""
    tick = np.round(places.time_s * 1e3).astype(np.int64)
    signals = {
        "truth.x_m": places.east,
        "truth.y_m": places.north,
        "output.gnss_x_m": places.east,
        "output.gnss_y_m": places.north,
        "truth.z_m": places.height,
        "truth.roll_rad": places.lean,
    }
    kept = {name: v for name, v in signals.items() if np.isfinite(v).any()}
    told = {"stage": "track", "files": {"log 1": "0" * 64}, **manifest}
    return Run(Path("made_up"), told, tick, tick * 10**6, kept, Frames(*[np.empty(0)] * 8), [])
