"""The GNSS receiver's mouth: the epoch that is due, as NMEA sentences."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from emulator.compiled import jit
from emulator.plant.sensing import V_GNSS_COURSE, V_GNSS_FIX, V_GNSS_SPEED, V_GNSS_X, V_GNSS_Y, V_GNSS_Z
from emulator.wire.geodesy import Frame, enu_to_geodetic
from emulator.wire.nmea import encode

_COURSE_FROM_m_s = 0.3
"""A receiver knows no course at rest: below this noise hides it (common practice, no source)."""


@jit
def sentences(
    epoch: NDArray[np.float64],
    utc_ns: int,
    frame: Frame,
    satellites: int,
    hdop: float,
    out: NDArray[np.uint8],
) -> int:
    """GGA, RMC and VTG of one epoch; returns their length.

    epoch       (G,) values V_GNSS_* as the receiver has them; NaN in position or quality: no fix
    utc_ns      time of validity since 1970-01-01
    frame       ``wire.geodesy.Origin.frame`` of the scenario's origin
    out         (LONGEST_BURST,) bytes, out
    """
    x, y, z = epoch[V_GNSS_X], epoch[V_GNSS_Y], epoch[V_GNSS_Z]
    quality = epoch[V_GNSS_FIX]
    latitude, longitude, height = math.nan, math.nan, math.nan
    fixed = not (math.isnan(x) or math.isnan(y) or math.isnan(quality))
    if fixed:
        latitude, longitude, height = enu_to_geodetic(frame, x, y, z)
    speed = epoch[V_GNSS_SPEED]
    return encode(
        out,
        (utc_ns + 500_000) // 1_000_000,
        latitude,
        longitude,
        height,
        0.0,
        int(quality) if fixed else 0,
        satellites if fixed else 0,
        hdop,
        0.0 if math.isnan(speed) else speed,
        epoch[V_GNSS_COURSE] if speed > _COURSE_FROM_m_s else math.nan,
    )
