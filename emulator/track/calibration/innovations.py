"""Innovations of a stretch of a log: what each sample shows that the samples before did not say.

The steering torque that acts is gain times what was logged, plus an offset, less dry friction against the
steering's motion. Each sensor has an offset. A sample that is not there moves nothing; where all were missing
for long, the predictor needs time to know again where it is, and nothing counts meanwhile.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import jit
from emulator.track.calibration.steady_model import OUTPUTS, SETTLING_s, SteadyModel

Values = NDArray[np.float64]

MOST_OUTLIERS, AMONG = 2, 10
"""Samples of an output that may be outliers, among how many."""
HOLE_s = 0.05
"""Without any sample for longer than this the predictor does not know where the bike is."""
STICKING_rad_s = 0.02
"""Steering rate at which dry friction is nearly full; common practice, no source."""

NUISANCES = ("torque_gain", "torque_offset_Nm", "friction_Nm", *OUTPUTS)
"""What each log has of its own: the torque sensor's gain and offset, the steering's friction, and an offset
of each of OUTPUTS."""
NO_NUISANCE = np.array([1.0] + [0.0] * (len(NUISANCES) - 1))


class Stretch(NamedTuple):
    """A piece of a log in nearly steady motion.

    log      which log it is of, from 0
    speed    [m/s] and lean [rad]: what it is steady about
    step_s   between its samples
    torque   (n,)    [N m] logged steering torque, the mean over the step that begins at the sample
    outputs  (n, 5)  OUTPUTS, NaN where there is none
    """

    log: int
    speed: float
    lean: float
    step_s: float
    torque: Values
    outputs: Values


def counted(stretch: Stretch) -> NDArray[np.bool_]:
    """(n, 5) which samples count: those there are, where the predictor has settled."""
    there: NDArray[np.bool_] = ~np.isnan(stretch.outputs)
    settling, hole = (max(1, round(t / stretch.step_s)) for t in (SETTLING_s, HOLE_s))
    waiting, missed = settling, 0
    settled = np.zeros(len(there), bool)
    lost = there.sum(axis=1) == 0
    for i in range(len(there)):
        missed = missed + 1 if lost[i] else 0
        waiting = settling if missed > hole else max(0, waiting - 1)
        settled[i] = waiting == 0
    return np.asarray(np.logical_and(there, settled[:, None]))


def innovations(model: SteadyModel, stretch: Stretch, nuisance: Values) -> Values:
    """(n, 5) innovations, 0 where there was no sample."""
    return _innovations(model, stretch, nuisance, np.full(len(OUTPUTS), np.inf))[0]


def outliers(model: SteadyModel, stretch: Stretch, nuisance: Values, far: float) -> NDArray[np.bool_]:
    """(n, 5) samples whose innovation is more than ``far`` standard deviations, and few.

    They move nothing. Where there are more than MOST_OUTLIERS among AMONG of an output the next is believed:
    something has happened.
    """
    found = _innovations(model, stretch, nuisance, far * np.sqrt(np.diag(model.S)))[1]
    return np.asarray(found > 0.0)


def _innovations(
    model: SteadyModel, stretch: Stretch, nuisance: Values, far: Values
) -> tuple[Values, Values]:
    out, refused = np.zeros_like(stretch.outputs), np.zeros_like(stretch.outputs)
    _innovate(
        np.ascontiguousarray(model.A.T), model.B, model.C, model.K, model.beginning,
        max(1, round(HOLE_s / stretch.step_s)),
        model.rate, smoothed(model.rate_sd), model.torque, model.outputs,
        stretch.torque, stretch.outputs, nuisance, far, np.zeros((2, len(model.A))), out, refused,
    )  # fmt: skip
    return out, refused


def smoothed(rate_sd: float) -> float:
    """Width [rad/s] of friction's step as it is expected where the rate is known to a standard deviation.

    tanh(x / w) is about erf(sqrt(pi) x / (2 w)), which a normal distribution widens to w^2 + pi sd^2 / 2.
    """
    return math.sqrt(STICKING_rad_s**2 + 0.5 * math.pi * rate_sd**2)


@jit
def _innovate(
    A_columns: Values,
    B: Values,
    C: Values,
    K: Values,
    beginning: Values,
    hole: int,
    rate: Values,
    sticking: float,
    steady_torque: float,
    steady_outputs: Values,
    torque: Values,
    outputs: Values,
    nuisance: Values,
    far: Values,
    states: Values,
    out: Values,
    refused: Values,
) -> None:
    # By columns of A and not by rows: the same sums in the same order, of all rows at once.
    n, m = len(A_columns), C.shape[0]
    x, following = states[0], states[1]
    x[:] = 0.0
    known, missed = 0, 0
    for k in range(len(torque)):
        turning = 0.0
        for i in range(n):
            turning += rate[i] * x[i]
        u = nuisance[0] * torque[k] + nuisance[1] - steady_torque
        u -= nuisance[2] * math.tanh(turning / sticking)
        missed += 1
        for j in range(m):
            seen = outputs[k, j]
            if math.isnan(seen):
                out[k, j] = 0.0
                continue
            missed = 0
            said = steady_outputs[j] + nuisance[3 + j]
            for i in range(n):
                said += C[j, i] * x[i]
            out[k, j] = seen - said
            if abs(out[k, j]) > far[j]:
                lately = 0
                for before in range(max(0, k - AMONG), k):
                    if refused[before, j] > 0.0:
                        lately += 1
                if lately < MOST_OUTLIERS:
                    refused[k, j] = 1.0
                    out[k, j] = 0.0
        if missed > hole:
            known = 0
        gain = beginning[known] if known < len(beginning) else K
        known += 1
        for i in range(n):
            following[i] = B[i] * u
        for j in range(n):
            by = x[j]
            for i in range(n):
                following[i] += A_columns[j, i] * by
        for j in range(m):
            by = out[k, j]
            for i in range(n):
                following[i] += gain[i, j] * by
        for i in range(n):
            x[i] = following[i]


class Whitening:
    """Innovations of one stretch over the standard deviations of what is expected, each by itself.

    Samples of a row of which some are missing are whitened among themselves.
    """

    def __init__(self, counts: NDArray[np.bool_], S: Values) -> None:
        self.count = int(counts.sum())
        self.log_determinant = 0.0
        self._groups: list[tuple[tuple[NDArray[np.int64], ...], Values]] = []
        rows_of, outputs_of = [np.empty(0, int)], [np.empty(0, int)]
        for pattern in np.unique(counts, axis=0):
            which = np.flatnonzero(pattern)
            if len(which):
                rows = np.flatnonzero((counts == pattern).all(axis=1))
                lower = np.linalg.cholesky(S[np.ix_(which, which)])
                self.log_determinant += 2.0 * len(rows) * float(np.log(np.diag(lower)).sum())
                self._groups.append((np.ix_(rows, which), np.linalg.inv(lower)))
                rows_of.append(np.repeat(rows, len(which)))
                outputs_of.append(np.tile(which, len(rows)))
        self.output, self.row = np.concatenate(outputs_of), np.concatenate(rows_of)

    def __call__(self, innovation: Values) -> Values:
        """(count,) whitened; ``output`` and ``row`` tell which each is."""
        parts = [(innovation[these] @ by.T).ravel() for these, by in self._groups]
        return np.concatenate(parts or [np.empty(0)])
