"""The GNSS receiver's mouth: the epoch that is due, as NMEA sentences."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import jit
from emulator.core.signals import (
    V_GNSS_COURSE,
    V_GNSS_FIX,
    V_GNSS_IN_USE,
    V_GNSS_SATELLITES,
    V_GNSS_SPEED,
    V_GNSS_X,
    V_GNSS_Y,
    V_GNSS_Z,
)
from emulator.sensors.gnss_fix import dilution_factor
from emulator.wire.geodesy import Frame, enu_to_geodetic
from emulator.wire.nmea import encode
from emulator.wire.utc import day_and_time


class ReceiverConfig(NamedTuple):
    """What a receiver says besides its measurements.

    satellites         in use when nothing is in the way; dilutions and sigmas are those of so many
    hdop, vdop         dilutions; vdop NaN: not said
    sigma_m            (Q, 2) one sigma it states for east and north, and for up, by the quality it has
    sentences          as ``wire.nmea.chosen`` gives them
    separation_m       mean sea level above the ellipsoid
    corrections_age_s  least age of corrections; they come with each second of UTC
    station            where they come from
    leap_ms            when a leap second begins, as in ``wire.utc``
    """

    satellites: int
    hdop: float
    vdop: float
    sigma_m: NDArray[np.float64]
    sentences: int
    separation_m: float
    corrections_age_s: float
    station: int
    leap_ms: int


@jit
def sentences(
    epoch: NDArray[np.float64],
    utc_ns: int,
    frame: Frame,
    config: ReceiverConfig,
    out: NDArray[np.uint8],
) -> int:
    """The sentences of one epoch; returns their length.

    epoch       (G,) values V_GNSS_* as the receiver has them; NaN in position or quality: no fix
    utc_ns      time of validity since 1970-01-01, a leap second of the ride counted
    frame       ``wire.geodesy.Origin.frame`` of the scenario's origin
    config      what does not change from epoch to epoch
    out         (LONGEST_BURST,) bytes, out

    Satellites, dilutions and sigmas follow the fix in use; quality and modes are V_GNSS_FIX, which a fault
    may have changed.
    """
    x, y, z = epoch[V_GNSS_X], epoch[V_GNSS_Y], epoch[V_GNSS_Z]
    quality = epoch[V_GNSS_FIX]
    latitude, longitude, height = math.nan, math.nan, math.nan
    fixed = not (math.isnan(x) or math.isnan(y) or math.isnan(quality))
    if fixed:
        latitude, longitude, height = enu_to_geodetic(frame, x, y, z)
    speed = epoch[V_GNSS_SPEED]
    row = min(max(int(epoch[V_GNSS_IN_USE]), 0), config.sigma_m.shape[0] - 1)
    in_use = int(epoch[V_GNSS_SATELLITES])
    dilution = dilution_factor(config.satellites, in_use)
    counted_ms = (utc_ns + 500_000) // 1_000_000
    day, ms = day_and_time(counted_ms, config.leap_ms)
    return encode(
        out,
        day,
        ms,
        latitude,
        longitude,
        height - config.separation_m,
        config.separation_m,
        int(quality) if fixed else 0,
        in_use if fixed else 0,
        config.hdop * dilution,
        0.0 if math.isnan(speed) else speed,
        math.nan if math.isnan(speed) else epoch[V_GNSS_COURSE],
        config.vdop * dilution,
        config.sigma_m[row, 0] * dilution,
        config.sigma_m[row, 1] * dilution,
        config.corrections_age_s + counted_ms % 1000 * 1e-3,
        config.station,
        config.sentences,
    )
