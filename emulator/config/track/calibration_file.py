"""What calibration may change of a vehicle, what is known beforehand, and what is ridden for it."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from emulator.config.based_on import load_with_bases
from emulator.config.field_types import FileName, Name
from emulator.config.validation import Closed, Words, did_you_mean, validate, wrong
from emulator.config.yaml_source import Source, beside
from emulator.vehicle.params import GROUPS

PARAMETERS = {f"{group.name}.{p.name}": p for group in GROUPS if not group.optional for p in group.parameters}
"""Parameters of the vehicle file that may be free, by ``section.key``."""


def _parameter(name: str) -> str:
    if name not in PARAMETERS:
        raise ValueError(f"expected a parameter of the vehicle file{did_you_mean(name, list(PARAMETERS))}")
    return name


class FreeParameter(Closed):
    """A parameter that the logs may correct."""

    name: Annotated[str, AfterValidator(_parameter), Words("a parameter, section.key of the vehicle file")]
    """Which one: ``section.key`` of the vehicle file, as ``steering.damping``."""
    sd: Annotated[float, Field(gt=0)]
    """[SI] Standard deviation of what the vehicle file says: how far off it may be."""


class MeasuredFigure(Closed):
    """A figure of the bike that was measured on the stand."""

    figure: Literal["mass", "front_share", "height", "wheelbase", "rake", "trail"]
    """Which one: mass of all (kg), front wheel's share of the load (1), height of the mass centre (m),
    wheelbase (m), rake (rad) or trail (m)."""
    value: float
    """[SI] What was measured."""
    sd: Annotated[float, Field(gt=0)]
    """[SI] Standard deviation of the measurement."""


class NotMeasured(Closed):
    """What acts on the bike and is in no log, as noise: of the steering white, of wind and drive white and
    followed within a time."""

    steering_Nm_rtHz: Annotated[float, Field(gt=0, le=100)] = 0.1
    """[N m/√Hz] Torque on the steering that was not logged."""
    wind_m_s_rtHz: Annotated[float, Field(gt=0, le=100)] = 0.3
    """[m/s/√Hz] Wind from the side."""
    drive_Nm_rtHz: Annotated[float, Field(gt=0, le=1e4)] = 3.0
    """[N m/√Hz] Torque of the chain on the rear wheel."""
    wind_drive_lag_s: Annotated[float, Field(ge=0, le=10)] = 0.1
    """[s] Within which wind and drive follow their noise, of the first order: a gust takes that long to come
    over the whole bike, and an engine to answer. 0: at once. What each log says of it goes before."""


class SensorNoise(Closed):
    """Standard deviation of a sample of each signal."""

    roll_rate_rad_s: Annotated[float, Field(gt=0, le=1)] = 0.004
    """[rad/s] Of the roll rate."""
    yaw_rate_rad_s: Annotated[float, Field(gt=0, le=1)] = 0.004
    """[rad/s] Of the yaw rate."""
    steer_rad: Annotated[float, Field(gt=0, le=1)] = 0.001
    """[rad] Of the steering angle."""
    roll_rad: Annotated[float, Field(gt=0, le=1)] = 0.005
    """[rad] Of the lean."""
    speed_m_s: Annotated[float, Field(gt=0, le=10)] = 0.05
    """[m/s] Of the speed."""


class RiddenLeg(Closed):
    """A stretch to ride: steady, with a dither on the steering."""

    speed_km_h: Annotated[float, Field(ge=20, le=400)]
    """Speed to hold."""
    lean_deg: Annotated[float, Field(ge=-50, le=50)]
    """Lean to hold, positive to the right."""
    seconds: Annotated[float, Field(ge=5, le=600)] = 20.0
    """[s] How long it is ridden."""
    dither_Nm: Annotated[float, Field(ge=0, le=50)] = 5.0
    """[N m] Peak of the dither's torque; 0 for none."""


def _both_leans() -> tuple[RiddenLeg, ...]:
    return tuple(RiddenLeg(speed_km_h=v, lean_deg=side) for v in (45, 80, 125) for side in (-17, 17))


class CalibrationFile(Closed):
    """What is calibrated of a vehicle, and how."""

    kind: Literal["calibration"]
    name: Name
    """What the calibrated vehicle is called."""
    vehicle: FileName
    """Vehicle file that is corrected, path from this file."""
    rig: FileName | None = None
    """Rig file whose robot is on the bike, path from this file. Left out: nothing is on it."""
    parameters: tuple[FreeParameter, ...] = ()
    """Parameters that the logs may correct, with what is known of them. Left out: none by name."""
    others: Literal["usual", "exact"] = "usual"
    """usual: what is usually not known exactly is corrected, too, each with a usual uncertainty. exact: all
    others are as the vehicle file says, and intervals take that for true."""
    measured: tuple[MeasuredFigure, ...] = ()
    """What was measured on the stand. Left out: nothing was."""
    not_measured: NotMeasured = NotMeasured()
    """What acts and is in no log. Left out: usual strengths."""
    sensor_noise: SensorNoise = SensorNoise()
    """Noise of the signals in the logs. Left out: of usual sensors."""
    legs: Annotated[tuple[RiddenLeg, ...], Field(min_length=1)] = _both_leans()
    """What is ridden for it. Left out: 45, 80 and 125 km/h at 17 degrees to either side, 20 s each."""

    @model_validator(mode="after")
    def _each_once(self) -> CalibrationFile:
        for key, names in (
            ("parameters", [one.name for one in self.parameters]),
            ("measured", [one.figure for one in self.measured]),
        ):
            for k, name in enumerate(names):
                if name in names[:k]:
                    raise wrong(f"expected each once; {name} is there already", key, k)
        return self


def load_calibration(path: str | os.PathLike[str]) -> tuple[CalibrationFile, Source]:
    """Read a calibration file. Raises ConfigError with every problem in it."""
    source = load_with_bases(path, CalibrationFile)
    return validate(CalibrationFile, source), source


def path_from(source: Source, name: str) -> Path:
    """A file that a calibration names."""
    return Path(beside(source.path, name))
