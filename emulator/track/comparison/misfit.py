"""What errors of short predictions say: noise or more, a torque read wrongly, which number would do it.

Errors of one start are put over their covariance (whitened by its Cholesky factor), so that of a true model
they are independent and of unit variance, whatever the horizon and the signal; starts that share nothing are
independent of each other. Sums of squares are then chi-square with as many degrees of freedom as errors less
what was fitted, and the Ljung-Box sum of squared autocorrelations over its lags with as many as lags (G. M.
Ljung and G. E. P. Box, Biometrika 65 (1978), from memory).

Offset and gain of the torque are fitted first, as nuisance: every sensor of torque has them, and half a
newton metre is 0.2 to 0.7 degrees of lean in half a second. What one number of the bike would explain of the
rest is fitted with them, one at a time: several may explain alike, and none of it is proof.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from emulator.track.comparison.playing import Values
from emulator.track.comparison.short_predictions import APART, HORIZONS_S, Prediction, Predictions

LAGS = 10
SURE = 0.01
"""Chance that a true model is called none by one of the two tests."""
_ALIKE = 0.9
"""Cosine between two responses from which one can't be told from the other."""


class Fitted(NamedTuple):
    """A number that was estimated, [SI], and one standard deviation of it."""

    value: float
    sigma: float


class ChiSquare(NamedTuple):
    """A sum of squares that of a true model is chi-square: the sum, its degrees of freedom, the chance of one
    as far off or further, to either side."""

    total: float
    freedom: int
    chance: float


class Explained(NamedTuple):
    """What one number of the bike would explain.

    name, unit  of the vehicle file; ``by`` what the bike would have more of it than the model
    share       of the squares that offset and gain of the torque left
    alike       names of others that explain it nearly the same way
    """

    name: str
    unit: str
    by: Fitted
    share: float
    alike: tuple[str, ...]


class Misfit(NamedTuple):
    """What the errors of a record say.

    starts       how many that share nothing
    size, white  tests of the sum of squares and of its independence, offset and gain of the torque fitted
    noisy        whether the record has noise of its own; without it both tests have no meaning
    offset, gain of the torque [N m], [1]: what the bike felt more than was recorded
    torque_share of all squares that these two explain
    explained    every suspect, best first
    late         [s] of each reading's device, and last of the torque: how much later than what was taken
                 off it is; none for records that are no logs
    """

    starts: int
    size: ChiSquare
    white: ChiSquare
    noisy: bool
    offset: Fitted
    gain: Fitted
    torque_share: float
    explained: tuple[Explained, ...]
    late: tuple[Fitted, ...]

    @property
    def times_noise(self) -> float:
        """Root mean square of the errors over what noise explains."""
        return math.sqrt(self.size.total / max(1, self.size.freedom))

    @property
    def told_apart(self) -> bool:
        """Whether record and model differ by more than noise, its own or that of good sensors, explains."""
        sure = not self.noisy or min(self.size.chance, self.white.chance) < SURE
        return self.times_noise > 1.0 and sure


def misfit(found: Predictions) -> Misfit:
    """Judge the predictions of a record."""
    ones = independent(found.ones)
    errors, nuisance, suspects, devices = [], [], [], []
    for one in ones:
        factor = np.linalg.cholesky(one.covariance)
        columns = np.column_stack([one.error, one.offset, one.gain, one.parameters, one.late])
        whitened = np.linalg.solve(factor, columns)
        errors.append(whitened[:, 0])
        nuisance.append(whitened[:, 1:3])
        suspects.append(whitened[:, 3 : 3 + one.parameters.shape[1]])
        devices.append(whitened[:, 3 + one.parameters.shape[1] :])
    z, of_torque, of_suspects = np.concatenate(errors), np.vstack(nuisance), np.vstack(suspects)
    torque, left = _fit(of_torque, z)
    freedom = len(z) - 2
    total = float(left @ left)
    excess = math.sqrt(max(1.0, total / max(1, freedom)))
    offset, gain = (Fitted(float(torque[0][k]), float(torque[1][k]) * excess) for k in range(2))
    return Misfit(
        len(ones),
        ChiSquare(total, freedom, _either_side(total, freedom)),
        _ljung_box(left),
        all(
            own
            for reading, own in zip(found.measured.readings, found.measured.own, strict=True)
            if reading.shown
        ),
        offset,
        gain,
        1.0 - total / max(float(z @ z), 1e-300),
        _explained(found, of_torque, of_suspects, z, left),
        _late(of_torque, np.vstack(devices), z) if found.measured.by_devices else (),
    )


def independent(ones: tuple[Prediction, ...]) -> tuple[Prediction, ...]:
    """Starts so far apart that neither noise nor torque of one is in another."""
    kept: list[Prediction] = []
    for one in ones:
        if not kept or one.tick - kept[-1].tick >= APART:
            kept.append(one)
    return tuple(kept)


def _fit(columns: Values, z: Values) -> tuple[tuple[Values, Values], Values]:
    """Values and standard deviations of least squares, by QR of scaled columns, and what is left."""
    scale = np.linalg.norm(columns, axis=0)
    scale[scale == 0.0] = 1.0
    Q, R = np.linalg.qr(columns / scale)
    kept = np.abs(np.diag(R)) > 1e-9
    value, sigma = np.zeros(len(scale)), np.full(len(scale), math.inf)
    if kept.all():
        value = np.linalg.solve(R, Q.T @ z) / scale
        inverse = np.linalg.solve(R, np.eye(len(R)))
        sigma = np.sqrt(np.sum(inverse**2, axis=1)) / scale
        return (value, sigma), z - Q @ (Q.T @ z)
    return (value, sigma), z


def _either_side(total: float, freedom: int) -> float:
    from scipy.stats import chi2

    return float(min(1.0, 2.0 * min(chi2.cdf(total, freedom), chi2.sf(total, freedom))))


def _ljung_box(z: Values) -> ChiSquare:
    n, spread = len(z), float(z @ z)
    total = sum(float(z[k:] @ z[:-k]) ** 2 / spread**2 / (n - k) for k in range(1, LAGS + 1))
    from scipy.stats import chi2

    total *= n * (n + 2)
    return ChiSquare(total, LAGS, float(chi2.sf(total, LAGS)))


def _explained(
    found: Predictions, of_torque: Values, of_suspects: Values, z: Values, left: Values
) -> tuple[Explained, ...]:
    base = np.linalg.qr(of_torque)[0]
    own = of_suspects - base @ (base.T @ of_suspects)
    length = np.linalg.norm(own, axis=0)
    unit = own / np.where(length > 0.0, length, 1.0)
    likeness = np.abs(unit.T @ unit)
    names = [suspect.name for suspect in found.suspects]
    out = []
    for k, suspect in enumerate(found.suspects):
        (value, sigma), rest = _fit(np.column_stack([of_torque, of_suspects[:, k]]), z)
        excess = max(1.0, float(rest @ rest) / max(1, len(z) - 3))
        share = 1.0 - float(rest @ rest) / max(float(left @ left), 1e-300)
        alike = tuple(n for j, n in enumerate(names) if j != k and likeness[k, j] > _ALIKE)
        by = Fitted(float(value[2]), float(sigma[2]) * math.sqrt(excess))
        out.append(Explained(suspect.name, suspect.unit, by, share, alike))
    return tuple(sorted(out, key=lambda one: -one.share))


def _late(of_torque: Values, of_late: Values, z: Values) -> tuple[Fitted, ...]:
    """Lateness that each device has more than was taken off, one at a time."""
    out = []
    for column in of_late.T:
        (value, sigma), rest = _fit(np.column_stack([of_torque, column]), z)
        excess = max(1.0, float(rest @ rest) / max(1, len(z) - 3))
        out.append(Fitted(float(value[2]), float(sigma[2]) * math.sqrt(excess)))
    return tuple(out)


# -- where -------------------------------------------------------------------------------------------------


class Grown(NamedTuple):
    """Errors of one signal at each horizon, (5,) each, in the reading's SI unit; NaN without any.

    number, rms  how many, and their root mean square
    noise       root mean square of what noise explains of them
    """

    reading: int
    number: Values
    rms: Values
    noise: Values


SPEEDS_m_s = (0.0, 15.0, 30.0, math.inf)
LEANS_rad = (0.0, math.radians(10.0), math.radians(30.0), math.inf)
"""Classes that errors are told in, from and below."""


def grown(found: Predictions, ones: tuple[Prediction, ...] | None = None) -> tuple[Grown, ...]:
    """Errors by signal and horizon, of these predictions or of all."""
    ones = found.ones if ones is None else ones
    out = []
    for k, reading in enumerate(found.measured.readings):
        if not reading.shown:
            continue
        figures = np.full((3, len(HORIZONS_S)), np.nan)
        figures[0] = 0.0
        for h in range(len(HORIZONS_S)):
            errors, variances = [], []
            for one in ones:
                at = np.flatnonzero((one.rows[:, 0] == h) & (one.rows[:, 1] == k))
                errors += one.error[at].tolist()
                variances += np.diag(one.covariance)[at].tolist()
            if errors:
                figures[:, h] = len(errors), _rms(errors), math.sqrt(float(np.mean(variances)))
        out.append(Grown(k, *figures))
    return tuple(out)


def _rms(values: list[float]) -> float:
    return math.sqrt(float(np.mean(np.square(values))))


def classes(found: Predictions) -> list[tuple[str, str, tuple[Prediction, ...]]]:
    """Predictions by speed and lean where they begin: names of both classes and those in them."""
    out = []
    for v0, v1 in pairwise(SPEEDS_m_s):
        for l0, l1 in pairwise(LEANS_rad):
            inside = tuple(o for o in found.ones if v0 <= o.speed < v1 and l0 <= abs(o.lean) < l1)
            if inside:
                out.append((_span(3.6 * v0, 3.6 * v1, "km/h"), _deg_span(l0, l1), inside))
    return out


def _span(low: float, high: float, unit: str) -> str:
    return f"from {low:.0f} {unit}" if math.isinf(high) else f"{low:.0f} to {high:.0f} {unit}"


def _deg_span(low: float, high: float) -> str:
    return _span(math.degrees(low), math.degrees(high), "°")


class Worst(NamedTuple):
    """One of the predictions that noise explains least: how many times noise, the signal that is off most."""

    prediction: Prediction
    times_noise: float
    horizon: int
    reading: int
    error: float
    noise: float


def worst(found: Predictions, most: int = 5) -> tuple[Worst, ...]:
    """Where record and model differ most, worst first."""
    out = []
    for one in found.ones:
        whitened = np.linalg.solve(np.linalg.cholesky(one.covariance), one.error)
        noise = np.sqrt(np.diag(one.covariance))
        shown = np.array([found.measured.readings[k].shown for k in one.rows[:, 1]])
        at = int(np.argmax(np.where(shown, np.abs(one.error) / noise, 0.0)))
        out.append(
            Worst(
                one,
                math.sqrt(float(whitened @ whitened) / len(whitened)),
                int(one.rows[at, 0]),
                int(one.rows[at, 1]),
                float(one.error[at]),
                float(noise[at]),
            )
        )
    return tuple(sorted(out, key=lambda w: -w.times_noise)[:most])
