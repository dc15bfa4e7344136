"""Compares two records of the same scenario: bit for bit, and as paths on the ground."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np
from numpy.typing import NDArray

from emulator.core.errors import RecordError
from emulator.record.reader import Run

LOOP_TIMING: tuple[str, ...] = ("loop.lateness_us", "loop.compute_us")
"""Columns that measure the host and differ between any two runs in real time."""


def same_signals(a: Run, b: Run, *, ignore: Collection[str] = ()) -> list[str]:
    """Differences between the signals of two runs, in words; empty if they agree bit for bit.

    A NaN equals a NaN of the same bits; 0.0 and -0.0 differ.
    ignore   column names left out, e.g. ``LOOP_TIMING`` for runs in real time
    """
    differences = [
        f"{name} is only in {a.folder if name in a.signals else b.folder}"
        for name in sorted(set(a.signals) ^ set(b.signals))
        if name not in ignore
    ]
    if len(a.tick) != len(b.tick):
        differences.append(f"{len(a.tick)} rows against {len(b.tick)}")
    common = min(len(a.tick), len(b.tick))
    ticks_differ = a.tick[:common] != b.tick[:common]
    if ticks_differ.any():
        row = int(np.argmax(ticks_differ))
        differences.append(f"tick numbers differ first in row {row}: {a.tick[row]} against {b.tick[row]}")
    for name in a.signals:
        if name in ignore or name not in b.signals:
            continue
        left, right = a.signals[name][:common], b.signals[name][:common]
        differ = _bits(left) != _bits(right)
        if differ.any():
            row = int(np.argmax(differ))
            differences.append(
                f"{name} differs first at tick {a.tick[row]} ({a.tick[row] / 1000:.3f} s): "
                f"{float(left[row])!r} against {float(right[row])!r}; "
                f"{int(differ.sum())} of {common} rows differ"
            )
    return differences


def _bits(values: NDArray[np.float64]) -> NDArray[np.int64]:
    return np.ascontiguousarray(values, dtype=np.float64).view(np.int64)


def path_distance(a: Run, b: Run) -> float:
    """Greatest distance [m] between the true paths of two runs, compared at equal ``line.station_m``.

    Over the stretch of stations both rode while running (``bench.state`` 2); between samples the paths are
    taken as straight, which at 50 m/s, 1 kHz and a 20 m bend errs by 0.05**2/(8*20) m = 16 um. Where a bike
    stands or rolls back, its first passing of a station counts.
    Raises RecordError if a run holds a NaN there or the two share no stretch.
    """
    station_a, path_a = _path_by_station(a)
    station_b, path_b = _path_by_station(b)
    first, last = max(station_a[0], station_b[0]), min(station_a[-1], station_b[-1])
    if not first < last:
        raise RecordError(
            f"{a.folder} and {b.folder} share no stretch of the line: stations {station_a[0]:.1f} to "
            f"{station_a[-1]:.1f} m against {station_b[0]:.1f} to {station_b[-1]:.1f} m"
        )
    stations = np.union1d(station_a, station_b)
    stations = stations[(stations >= first) & (stations <= last)]
    gaps = [
        np.interp(stations, station_a, path_a[:, axis]) - np.interp(stations, station_b, path_b[:, axis])
        for axis in (0, 1)
    ]
    return float(np.max(np.hypot(*gaps)))


def _path_by_station(run: Run) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Strictly rising stations (n,) [m] and the true positions (n, 2) [m] there."""
    running = run.signal("bench.state") == 2
    station = run.signal("line.station_m")[running]
    path = np.column_stack([run.signal("truth.x_m")[running], run.signal("truth.y_m")[running]])
    if len(station) == 0:
        raise RecordError(f"{run.folder} holds no running tick; there is no path to compare")
    bad = ~(np.isfinite(station) & np.isfinite(path).all(axis=1))
    if bad.any():
        tick = run.tick[running][int(np.argmax(bad))]
        raise RecordError(f"{run.folder}: position or station is not a number at tick {tick}")
    furthest = np.maximum.accumulate(station)
    ahead = np.concatenate([[True], station[1:] > furthest[:-1]])
    return station[ahead], path[ahead]
