"""How far devices of a record may be off: for seconds on end, and by their lateness.

What the map of a log says of a channel is taken, else what is usual of such a device. A lateness that the map
told was taken off at the import; what is left of it, and of a clock that was brought to the main one, is
doubt. Other records than logs show the bike itself: they have none.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, NamedTuple

from emulator.record.reader import Run
from emulator.track.comparison.readings import Reading, channel_of, row_ticks
from emulator.wire.geodesy import SEMI_MAJOR_AXIS_m

LASTS_s = 3.0
"""Correlation time of what a device is off by; common practice, no source."""
_TOLD_s, _NOT_TOLD_s = 1e-3, 1e-2
"""Of a lateness that the map told, and of one that it did not; common practice, no source."""
_OF_95 = 1.959963984540054
"""Quantile of 0.975 of a standard normal variable: half width of a 95 % interval over one sigma."""
_USUAL: dict[str, float] = {
    "roll": math.radians(1.0),
    "roll_rate": math.radians(0.2),
    "pitch_rate": math.radians(0.2),
    "yaw_rate": math.radians(0.2),
    "steer": math.radians(0.1),
    "x": 0.05,
    "y": 0.05,
    "z": 1.0,
    "heading": math.radians(0.5),
    "course": math.radians(0.5),
    "speed": 0.1,
    "fork": 1e-3,
}
"""[SI] One standard deviation of what is usual, by reading; common practice, no source. Others: three times
the noise of a good sensor."""
_TORQUE = "actuator.steering_torque_Nm"


class Doubt(NamedTuple):
    """One standard deviation of what a device is off by for seconds [SI], and of its lateness [s].

    late_s  what was taken off at the import [s]
    told    whether the map told (how late, how far off) it is
    """

    off: float
    late: float
    late_s: float
    told: tuple[bool, bool]


NONE = Doubt(0.0, 0.0, 0.0, (True, True))


def doubt_of(run: Run, reading: Reading) -> Doubt:
    """Of the device that a reading is of."""
    return _doubt(run, reading.column, _USUAL.get(reading.key, 3.0 * reading.floor))


def doubt_of_torque(run: Run) -> Doubt:
    """Of the torque, by its lateness alone: its offset is told, not taken for granted."""
    return _doubt(run, _TORQUE, 0.0)._replace(off=0.0)


def _doubt(run: Run, column: str, usual: float) -> Doubt:
    if run.manifest.get("stage") != "track":
        return NONE
    track: Mapping[str, Any] = run.manifest.get("track") or {}
    channel = channel_of(track, column)
    late_ms, sigma_ms, off = (channel.get(key) for key in ("late_ms", "late_sigma_ms", "off_sigma"))
    if off is not None and channel.get("signal") == "latitude":
        off = off * SEMI_MAJOR_AXIS_m  # latitude, in rad
    late = 1e-3 * sigma_ms if sigma_ms is not None else _NOT_TOLD_s if late_ms is None else _TOLD_s
    clock = (track.get("clocks") or {}).get(channel.get("clock"))
    by_clock = 0.0 if clock is None else float(clock["offset_95_s"]) / _OF_95
    # a sample stands in the next row: up to one later, and half of one on average
    row = 0.5e-3 * row_ticks(run) if channel.get("on_rows") == "held" else 0.0
    return Doubt(
        usual if off is None else float(off),
        math.hypot(late, by_clock, row),
        1e-3 * float(late_ms or 0.0),
        (late_ms is not None, off is not None),
    )
