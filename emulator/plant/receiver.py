"""The GNSS receiver's mouth: the epoch that is due, as NMEA sentences."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.compiled import jit
from emulator.plant.sensing import V_GNSS_COURSE, V_GNSS_FIX, V_GNSS_SPEED, V_GNSS_X, V_GNSS_Y, V_GNSS_Z
from emulator.wire.geodesy import Frame, enu_to_geodetic
from emulator.wire.nmea import encode


class Said(NamedTuple):
    """What a receiver says besides its measurements.

    satellites  in use
    hdop, vdop  dilutions; vdop NaN: not said
    sigma_m     (Q, 2) one sigma it states for east and north, and for up, by quality
    sentences   as ``wire.nmea.chosen`` gives them
    """

    satellites: int
    hdop: float
    vdop: float
    sigma_m: NDArray[np.float64]
    sentences: int


@jit
def sentences(
    epoch: NDArray[np.float64],
    utc_ns: int,
    frame: Frame,
    said: Said,
    out: NDArray[np.uint8],
) -> int:
    """The sentences of one epoch; returns their length.

    epoch       (G,) values V_GNSS_* as the receiver has them; NaN in position or quality: no fix
    utc_ns      time of validity since 1970-01-01
    frame       ``wire.geodesy.Origin.frame`` of the scenario's origin
    said        what does not change from epoch to epoch
    out         (LONGEST_BURST,) bytes, out
    """
    x, y, z = epoch[V_GNSS_X], epoch[V_GNSS_Y], epoch[V_GNSS_Z]
    quality = epoch[V_GNSS_FIX]
    latitude, longitude, height = math.nan, math.nan, math.nan
    fixed = not (math.isnan(x) or math.isnan(y) or math.isnan(quality))
    if fixed:
        latitude, longitude, height = enu_to_geodetic(frame, x, y, z)
    speed = epoch[V_GNSS_SPEED]
    row = min(max(int(quality), 0), said.sigma_m.shape[0] - 1) if fixed else 0
    return encode(
        out,
        (utc_ns + 500_000) // 1_000_000,
        latitude,
        longitude,
        height,
        0.0,
        int(quality) if fixed else 0,
        said.satellites if fixed else 0,
        said.hdop,
        0.0 if math.isnan(speed) else speed,
        math.nan if math.isnan(speed) else epoch[V_GNSS_COURSE],
        said.vdop,
        said.sigma_m[row, 0],
        said.sigma_m[row, 1],
        said.sentences,
    )
