"""Places: latitude and longitude in the local frame, and the reference point under the antenna."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import jit
from emulator.track.into.marks import Sound
from emulator.wire.geodesy import Frame, Origin, geodetic_to_enu

_AT_ONCE = 1 << 17

Values = NDArray[np.float64]


class Placed(NamedTuple):
    """East and north of the antenna in the local frame [m], as samples."""

    east: Sound
    north: Sound


def on_earth(sound: Mapping[str, Sound], origin: Origin | None) -> Placed | None:
    """The antenna's places: from latitude and longitude, or as the log has them; None: it has neither.

    Heights are the origin's: a place a kilometre away is 8 cm off in height and micrometres across.
    """
    if origin is not None and "latitude" in sound and "longitude" in sound:
        latitude, longitude = sound["latitude"], sound["longitude"]
        time_s, latitudes, longitudes = latitude.time_s, latitude.values, longitude.values
        if not np.array_equal(time_s, longitude.time_s):
            time_s, here, there = np.intersect1d(
                time_s, longitude.time_s, assume_unique=True, return_indices=True
            )
            latitudes, longitudes = latitudes[here], longitudes[there]
        across = np.empty((2, len(time_s)))
        for first in range(0, len(time_s), _AT_ONCE):
            part = slice(first, first + _AT_ONCE)
            degrees = np.array(latitudes[part]), np.array(longitudes[part])
            _across(origin.frame, *degrees, origin.height_m, across[:, part])
        return Placed(*(latitude._replace(time_s=time_s, values=part, marks=[]) for part in across))
    if "output.gnss_x_m" in sound and "output.gnss_y_m" in sound:
        return Placed(sound["output.gnss_x_m"], sound["output.gnss_y_m"])
    return None


@jit
def _across(frame: Frame, latitude: Values, longitude: Values, height_m: float, across: Values) -> None:
    """East and north of places (n,).

    across  (2, n)  out [m]
    """
    for k in range(len(latitude)):
        across[0, k], across[1, k], _ = geodetic_to_enu(frame, latitude[k], longitude[k], height_m)


def reference_place(
    east: Values, north: Values, heading: Values, roll: Values, lever_m: tuple[float, float, float]
) -> tuple[Values, Values]:
    """East and north of the reference point (n,) [m] from those of a point of the bike.

    heading, roll  (n,) [rad]; the last heading is taken where there is none, because a bike that stands turns
                   nowhere; NaN of the roll stays
    lever_m        of the point: forward, left, up of the reference point; pitch is left out
    """
    known = np.isfinite(heading)
    if not known.any():
        return np.full(len(east), math.nan), np.full(len(east), math.nan)
    last = int(np.argmax(known))  # before the first one that is known, that
    forward, left, up = lever_m
    place = np.empty((2, len(east)))
    for first in range(0, len(east), _AT_ONCE):  # an hour at 1 kHz would take many times its size in between
        part = slice(first, first + _AT_ONCE)
        rows = np.arange(first, min(part.stop, len(east)))
        rows = np.maximum.accumulate(np.where(known[part], rows, last))
        last = int(rows[-1])
        sin, cos = np.sin(heading[rows]), np.cos(heading[rows])
        aside = left * np.cos(roll[part]) - up * np.sin(roll[part])  # to the left of the heading
        place[0, part] = east[part] - (forward * cos - aside * sin)
        place[1, part] = north[part] - (forward * sin + aside * cos)
    return place[0], place[1]
