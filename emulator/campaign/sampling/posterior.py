"""Draws from what a calibration left uncertain of a vehicle: joint, correlations kept, one a seed.

A calibrated vehicle file holds values, standard deviations and correlations. A draw is the values plus a root
of the covariance times as many standard normal numbers. These follow from the seed and the value's name
alone, so two vehicles are off the same way under one seed. A draw is never changed: one that is no possible
bike is that of its seed all the same.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from emulator.config.based_on import File, source_of
from emulator.config.validation import validate
from emulator.config.vehicle.calibrated import Calibrated
from emulator.config.vehicle.file import load_vehicle, vehicle_model
from emulator.core.random_streams import normal, stream_start

Values = NDArray[np.float64]

_ROUNDED = 1e-4
"""Correlations are written to four digits: how far an eigenvalue may be below zero for each of them."""


class NoPosterior(ValueError):
    """Nothing can be drawn of a vehicle, and why, in words."""


@dataclass(frozen=True)
class Posterior:
    """What is uncertain of a vehicle.

    date   of the calibration
    names  (p,) ``section.key``
    mean   (p,) values in SI
    root   (p, p) of the covariance, root root^T
    refused  parameters that the logs did not tell: they are not drawn
    """

    date: str
    names: tuple[str, ...]
    mean: Values
    root: Values
    refused: tuple[str, ...]

    def draw(self, seed: int) -> dict[str, float]:
        """The vehicle of a seed: its values in SI by name."""
        streams = np.array([stream_start(seed, f"drawn {name}") for name in self.names])
        drawn = self.mean + self.root @ np.array([normal(streams, i) for i in range(len(streams))])
        return {name: float(value) for name, value in zip(self.names, drawn, strict=True)}


def posterior_of(vehicle: File) -> Posterior:
    """What is uncertain of a vehicle file. Raises ConfigError for one that is wrong, and NoPosterior."""
    source = source_of(vehicle, vehicle_model())
    file = load_vehicle(source)
    told: Any = getattr(validate(vehicle_model(), source), "calibration", None)
    if not isinstance(told, Calibrated) or not told.values:
        raise NoPosterior(f"{file.name} has no calibration, so nothing says how uncertain its values are")
    for one in told.values:
        group, _, key = one.name.partition(".")
        value = file.values.get(group, {}).get(key, math.nan)
        if not math.isclose(value, one.value, rel_tol=1e-9, abs_tol=0.0):
            raise NoPosterior(
                f"{one.name} of {file.name} is {value:.6g}, its calibration of {told.date} says "
                f"{one.value:.6g}: what was uncertain then is not what is uncertain of this"
            )
    correlation = np.array(told.correlation)
    if not (
        np.allclose(correlation, correlation.T, atol=1e-9)
        and np.allclose(np.diag(correlation), 1.0, atol=1e-9)
    ):
        raise NoPosterior(
            f"the correlations of {file.name} are none: expected a symmetric table, 1 on its diagonal"
        )
    sizes, directions = np.linalg.eigh(correlation)
    if sizes[0] < -_ROUNDED * len(sizes):
        raise NoPosterior(
            f"the correlations of {file.name} can't all be: a combination of values would have a variance "
            f"of {sizes[0]:.2g}"
        )
    standard = np.array([one.sd for one in told.values])
    # the symmetric root: unlike a triangular one it is the same whatever the order of the values
    root = (directions * np.sqrt(np.maximum(sizes, 0.0))) @ directions.T
    return Posterior(
        told.date,
        tuple(one.name for one in told.values),
        np.array([one.value for one in told.values]),
        standard[:, None] * root,
        told.refused,
    )
