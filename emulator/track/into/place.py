"""Places: latitude and longitude in the local frame, and the reference point under the antenna."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.track.into.marks import Sound
from emulator.wire.geodesy import Origin

Values = NDArray[np.float64]


class Placed(NamedTuple):
    """East and north of the antenna in the local frame [m], as samples."""

    east: Sound
    north: Sound


def on_earth(sound: dict[str, Sound], origin: Origin | None) -> Placed | None:
    """The antenna's places: from latitude and longitude, or as the log has them; None: it has neither.

    Heights are the origin's: a place a kilometre away is 8 cm off in height and micrometres across.
    """
    if origin is not None and "latitude" in sound and "longitude" in sound:
        latitude, longitude = sound["latitude"], sound["longitude"]
        time_s, here, there = np.intersect1d(
            latitude.time_s, longitude.time_s, assume_unique=True, return_indices=True
        )
        places = zip(latitude.values[here].tolist(), longitude.values[there].tolist(), strict=True)
        enu = np.array([origin.geodetic_to_enu(lat, lon, origin.height_m)[:2] for lat, lon in places])
        return Placed(*(latitude._replace(time_s=time_s, values=enu[:, k], marks=[]) for k in range(2)))
    if "output.gnss_x_m" in sound and "output.gnss_y_m" in sound:
        return Placed(sound["output.gnss_x_m"], sound["output.gnss_y_m"])
    return None


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
    last = np.maximum.accumulate(np.where(known, np.arange(len(heading)), 0))
    ahead = np.where(known[last], heading[last], heading[np.argmax(known)])
    forward, left, up = lever_m
    sin, cos = np.sin(ahead), np.cos(ahead)
    aside = left * np.cos(roll) - up * np.sin(roll)  # to the left of the heading
    return east - (forward * cos - aside * sin), north - (forward * sin + aside * cos)
