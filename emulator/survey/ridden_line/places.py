"""The places that a record has, one for each time that they were measured."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.errors import EmulatorError
from emulator.record.reader import Run

Array = NDArray[np.float64]

_EVERY_s = 0.05
_APART_m = 0.2
_FEWEST = 50
_LONGEST_GAP_s = 2.0


class RiddenLineError(EmulatorError):
    """A record, or a line, that gives no ridden line; its words say what to do."""

    exit_status = 3


class Places(NamedTuple):
    """Where the bike was, each time that it was measured anew, while it moved.

    time_s       (n,) [s]  of the record
    east, north  (n,) [m]  of the reference point
    height       (n,) [m]  as the record has it, of what the record says; NaN where it has none
    lean         (n,) [rad]  NaN where the record has none
    remarks      sentences on what was left out
    """

    time_s: Array
    east: Array
    north: Array
    height: Array
    lean: Array
    remarks: tuple[str, ...] = ()

    @property
    def plane(self) -> Array:
        """East and north (n, 2) [m]."""
        return np.column_stack([self.east, self.north])


def places_of(run: Run) -> Places:
    """The places of a record. Raises RiddenLineError: it has none, or hardly any.

    Of a log those rows at which the receiver told a new place; of a run, whose place is known at every row,
    one every 0.05 s. A log's places by a worse fix than it mostly has are left out.
    """
    signals = run.signals
    if missing := [name for name in ("truth.x_m", "truth.y_m") if name not in signals]:
        raise RiddenLineError(
            f"{run.folder} has no {', '.join(missing)}",
            advice="map latitude and longitude, or the receiver's east and north, and name the antenna",
        )
    x, y = signals["truth.x_m"], signals["truth.y_m"]
    known = np.isfinite(x) & np.isfinite(y)
    remarks: list[str] = []
    if run.manifest.get("stage") == "track" and "output.gnss_x_m" in signals:
        parts = (signals["output.gnss_x_m"], signals["output.gnss_y_m"])
        anew = np.zeros(len(x), bool)
        for part in parts:
            anew[1:] |= part[1:] != part[:-1]
        known &= anew & np.isfinite(parts[0])
    else:
        known &= _evenly(run.time_s, _EVERY_s)
    if "output.gnss_fix" in signals:
        known &= _well_fixed(signals["output.gnss_fix"], known, remarks)
    rows = np.flatnonzero(known)
    rows = rows[_moving(x[rows], y[rows])]
    if len(rows) < _FEWEST:
        raise RiddenLineError(
            f"{run.folder} has {len(rows)} places of a bike that moves; it takes {_FEWEST}",
            advice="see marks.csv for gaps, and the map for the receiver's channels",
        )

    def of(name: str) -> Array:
        return signals[name][rows] if name in signals else np.full(len(rows), np.nan)

    return Places(run.time_s[rows], x[rows], y[rows], of("truth.z_m"), of("truth.roll_rad"), tuple(remarks))


def _evenly(time_s: Array, every_s: float) -> NDArray[np.bool_]:
    """(n,) the first row in each so many seconds."""
    part = np.floor(time_s / every_s + 1e-6)
    first = np.ones(len(time_s), bool)
    first[1:] = part[1:] != part[:-1]
    return first


def _well_fixed(fix: Array, asked: NDArray[np.bool_], remarks: list[str]) -> NDArray[np.bool_]:
    """(n,) rows with the fix that most places have; all others are left out, and that is said."""
    of_places = fix[asked]
    told = of_places[np.isfinite(of_places)]
    if not len(told):
        return np.ones(len(fix), np.bool_)
    qualities, counts = np.unique(told, return_counts=True)
    usual = float(qualities[np.argmax(counts)])
    good: NDArray[np.bool_] = fix == usual
    others = int(np.count_nonzero(asked & ~good))
    if others:
        remarks.append(f"{others:,} places with another fix than quality {usual:.0f} are left out")
    return good


def _moving(x: Array, y: Array) -> NDArray[np.int64]:
    """Indices of places that lie apart from the last one taken: a bike that stands says nothing new."""
    kept: list[int] = []
    last = (np.inf, np.inf)
    for k, place in enumerate(zip(x.tolist(), y.tolist(), strict=True)):
        if abs(place[0] - last[0]) + abs(place[1] - last[1]) >= _APART_m:
            kept.append(k)
            last = place
    return np.array(kept, np.int64)
