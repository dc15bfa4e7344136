"""A log that had no part in an estimate judges it: what it makes of two vehicles."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from emulator.track.calibration.estimate import Calibration
from emulator.track.calibration.innovations import Stretch
from emulator.track.calibration.parameters import ByGroup, Parameters
from emulator.track.calibration.steady_model import Noise
from emulator.vehicle.params import RigidMass


class Judged(NamedTuple):
    """What a log makes of a vehicle.

    mean_square  of whitened innovations, the log's own nuisances fitted; 1 for the right vehicle
    likelihood   logarithm, up to what is the same for every vehicle
    """

    mean_square: float
    likelihood: float


def judge(
    values: ByGroup,
    tables: dict[str, list[tuple[float, float]]],
    robot: RigidMass | None,
    stretches: Sequence[Stretch],
    noise: Noise,
) -> Judged:
    """What a log makes of a vehicle whose values are all held. Raises NotFitted."""
    problem = Calibration(Parameters(values, tables, (), (), robot), stretches, noise, whole=True)
    fitted = problem.fitted()
    residual = problem.residual(fitted.values)
    size = sum(w.count for w in problem.whitening)
    squares = float(residual[:size] @ residual[:size])
    return Judged(
        squares / size,
        -0.5 * (float(residual @ residual) + sum(w.log_determinant for w in problem.whitening)),
    )


def gain(before: Judged, after: Judged) -> float:
    """Logarithm of how much more likely the second vehicle makes the log."""
    return float(np.float64(after.likelihood) - before.likelihood)
