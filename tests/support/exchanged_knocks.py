"""What the logs of a knocked bicycle would have been, were our estimate of it true.

A predictor's innovations are what a log shows that the estimate did not expect: noise, the belt's and the
frame's shaking, and whatever the model cannot do, in the size and colour that they have. If the estimate is
true they have nothing to do with the knock behind which they came. So each knock is told anew with those of
another of the same ride, or its own turned about, and the loop closed by the law: rides that could have been
logged as well. With its own innovations a knock is itself again, sample by sample.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.track.calibration.estimate import Estimate
from emulator.track.calibration.innovations import NUISANCES, innovations
from emulator.track.calibration.steady_model import SteadyModel
from tests.support.knocked_bicycle import (
    BEFORE,
    Knock,
    Predictors,
    Ride,
    STEP_s,
    law_of,
    stretch_of,
)
from tests.support.linear_predictor import SEEN

Array = NDArray[np.float64]


class Exchanged(NamedTuple):
    """A ride, the estimate's predictor of it, innovations (n, 2) by knock, the torque's gain, the law."""

    ride: Ride
    model: SteadyModel
    left: list[Array]
    gain: float
    gains: Array

    @classmethod
    def of(cls, ride: Ride, found: Estimate, law: str) -> Exchanged:
        stretches = [stretch_of(ride.speed, knock) for knock in ride.knocks]
        model = Predictors().at(found.values, stretches[0])
        assert model is not None
        own = found.nuisance[0]
        left = [innovations(model, one, own)[:, list(SEEN)] for one in stretches]
        return cls(ride, model, left, float(own[NUISANCES.index("torque_gain")]), law_of(law, ride.speed))

    def others(self, knock: int) -> list[int]:
        """Knocks whose innovations last as long as this one's window."""
        return [j for j, left in enumerate(self.left) if len(left) >= len(self.left[knock])]

    def with_innovations(self, knock: int, instead: Array) -> list[Knock]:
        """A knock as it would have been, from the window's begin on, with others (m, n, 2) each."""
        roll_rate, steer, torque = self.ride.knocks[knock]
        A, B, C = self.model.A, self.model.B, self.model.C[list(SEEN)]
        other = instead - self.left[knock]
        x, turned = np.zeros((len(other), len(A))), np.zeros(len(other))
        shown, acting = np.zeros(other.shape), np.zeros(other.shape[:2])
        for k in range(BEFORE, len(steer)):
            shown[:, k] = x @ C.T + other[:, k]
            steer_rate = (shown[:, k, 1] - turned) / STEP_s
            turned = shown[:, k, 1]
            acting[:, k] = np.column_stack([x[:, 0], turned, shown[:, k, 0], steer_rate]) @ self.gains
            K = self.model.beginning[k] if k < len(self.model.beginning) else self.model.K
            x = x @ A.T + self.gain * np.outer(acting[:, k], B) + other[:, k] @ K[:, list(SEEN)].T
        return [
            (roll_rate + s[:, 0], steer + s[:, 1], torque + t) for s, t in zip(shown, acting, strict=True)
        ]

    def table(self, knock: int) -> list[Knock]:
        """A knock with innovations of each of ``others``, as they were and turned about."""
        n = len(self.left[knock])
        each = [sign * self.left[j][:n] for j in self.others(knock) for sign in (1.0, -1.0)]
        return self.with_innovations(knock, np.array(each))
