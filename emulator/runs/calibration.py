"""A calibration file to a forecast of what its legs would tell, or with records to a vehicle file."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np

from emulator.track.calibration.excitation import Forecast, Leg, dither, forecast
from emulator.track.calibration.from_records import CalibrationRefused, Result, asked_of, calibrate
from emulator.track.calibration.least_squares import NotFitted
from emulator.track.calibration.stretches import STEP_s

NEEDED_SPEEDS = 3
"""Speeds by which what grows with speed and what does not are told apart; common practice, no source."""
_SAME_SPEED = 2.0  # [m/s]


class Planned(NamedTuple):
    """What the legs of a file would tell, with their dither and without."""

    legs: tuple[Leg, ...]
    forecast: Forecast
    without_dither: Forecast

    @property
    def speeds(self) -> int:
        """How many different speeds there are."""
        return 1 + int((np.diff(sorted(leg.speed for leg in self.legs)) > _SAME_SPEED).sum())

    @property
    def both_leans(self) -> bool:
        """Whether there are leans to either side."""
        return min(leg.lean for leg in self.legs) < 0.0 < max(leg.lean for leg in self.legs)

    def dither_rows(self) -> Iterator[tuple[int, float, float]]:
        """Leg, from 1; time in it [s]; torque to add [N m]."""
        for number, leg in enumerate(self.legs, 1):
            for k, torque in enumerate(dither(leg, STEP_s)):
                yield number, k * STEP_s, float(torque)


def forecast_of(file: Path) -> Planned:
    """What the legs of a calibration file would tell. Raises ConfigError, CalibrationRefused."""
    asked = asked_of(file)
    quiet = [leg._replace(dither=0.0) for leg in asked.legs]
    try:
        return Planned(
            asked.legs,
            forecast(asked.parameters, asked.noise, asked.legs, STEP_s),
            forecast(asked.parameters, asked.noise, quiet, STEP_s),
        )
    except NotFitted as why:
        raise CalibrationRefused(str(why), advice="see the legs of the calibration file") from why


def calibrated(
    file: Path, records: Sequence[Path], held_out: Path | None, out: Path, *, command: str, date: str
) -> Result:
    """A vehicle file from records; see emulator.track.calibration.from_records.calibrate."""
    return calibrate(asked_of(file), records, held_out, out, command=command, date=date)
