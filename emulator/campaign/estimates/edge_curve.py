"""The edge as a curve: chance of losing over the size of a disturbance, and the size at which half are lost.

Logistic regression by Newton's method. Where one size parts the lost from the survived, the likelihood
has no largest value and its standard errors say nothing; this is found by a linear program and told. The
curve is then Firth's, which stays finite, and half are lost in the middle of the gap. The interval of that
size comes from the profile likelihood in both cases: Wald's is too short for few runs and has no meaning
where they are parted.

Sources: Albert, Anderson, Biometrika 71(1), 1984 (separation); Konis, "Linear programming algorithms for
detecting separated data", 2007; Firth, Biometrika 80(1), 1993; Venzon, Moolgavkar, Appl. Stat. 37(1), 1988
(profile likelihood); all from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq, linprog
from scipy.special import expit
from scipy.stats import chi2, norm

from emulator.campaign.estimates.intervals import Interval

Values = NDArray[np.float64]

MOST_STEPS = 200
FARTHEST = 1e6  # spans of the sizes beyond which the half-lost size is called unbounded


@dataclass(frozen=True)
class LogisticFit:
    """Coefficients (k,) of the logarithm of the odds, their covariance (k, k), and how they came about.

    separated  whether a plane parts the outcomes: then the coefficients are Firth's, else likeliest
    """

    coefficients: Values
    covariance: Values
    log_likelihood: float
    separated: bool

    @property
    def errors(self) -> Values:
        """(k,) standard errors."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))


@dataclass(frozen=True)
class EdgeCurve:
    """Chance of losing over size.

    fit             intercept and slope over the size
    half_lost       size at which half are lost; where one parts the outcomes, the middle of the gap
    half_lost_in    its interval; infinite bounds where the runs do not show that size matters
    largest_survived, smallest_lost   sizes among the runs
    """

    fit: LogisticFit
    half_lost: float
    half_lost_in: Interval
    largest_survived: float
    smallest_lost: float

    @property
    def separated(self) -> bool:
        """Whether one size parts the lost from the survived: how steep the edge is is then not known."""
        return self.fit.separated

    def chance(self, size: float) -> float:
        """Chance of losing at ``size``."""
        return float(expit(np.array([1.0, size]) @ self.fit.coefficients))

    def chance_in(self, size: float, confidence: float = 0.95) -> Interval:
        """Interval of the chance at one ``size``, from the covariance, on the logarithm of the odds."""
        at = np.array([1.0, size])
        reach = float(norm.ppf(0.5 + confidence / 2) * math.sqrt(at @ self.fit.covariance @ at))
        middle = float(at @ self.fit.coefficients)
        return Interval(float(expit(middle - reach)), float(expit(middle + reach)), confidence)


def edge_curve(sizes: Values, lost: NDArray[np.bool_], confidence: float = 0.95) -> EdgeCurve | None:
    """The curve through runs of ``sizes`` (m,), ``lost`` (m,) or survived.

    None where there is no curve: all lost, none lost, or all of one size.
    Raises ValueError for sizes that are no numbers or not as many as outcomes.
    """
    sizes, lost = np.asarray(sizes, dtype=np.float64), np.asarray(lost, dtype=np.bool_)
    if sizes.ndim != 1 or sizes.shape != lost.shape or not np.isfinite(sizes).all():
        raise ValueError("as many sizes as outcomes are needed, each a number")
    if lost.all() or not lost.any() or np.ptp(sizes) == 0.0:
        return None
    # sizes are centred and scaled for the sake of the arithmetic, and put back at the end
    centre, spread = float(sizes.mean()), float(np.ptp(sizes))
    scaled = (sizes - centre) / spread
    fit = logistic_fit(np.stack([np.ones_like(scaled), scaled], axis=1), lost)
    intercept, slope = fit.coefficients.tolist()
    if fit.separated:
        parted = scaled[lost], scaled[~lost]
        half = 0.5 * float(max(min(parted, key=np.mean)) + min(max(parted, key=np.mean)))
    else:
        half = -intercept / slope if slope != 0.0 else math.nan
    bounds = _half_lost_bounds(scaled, lost, half, fit, confidence)
    back = np.array([[1.0, -centre / spread], [0.0, 1.0 / spread]])
    unscaled = LogisticFit(
        back @ fit.coefficients, back @ fit.covariance @ back.T, fit.log_likelihood, fit.separated
    )
    low, high = (centre + spread * bound for bound in bounds)
    return EdgeCurve(
        unscaled,
        centre + spread * half,
        Interval(low, high, confidence),
        float(sizes[~lost].max()),
        float(sizes[lost].min()),
    )


def logistic_fit(design: Values, lost: NDArray[np.bool_]) -> LogisticFit:
    """Logistic regression of ``lost`` (m,) on the columns of ``design`` (m, k), one of which should be ones.

    Raises ValueError where the columns depend on each other or there are fewer rows than columns.
    """
    if np.linalg.matrix_rank(design) < design.shape[1]:
        raise ValueError("the columns of the design depend on each other, or there are too few rows")
    separated = is_separated(design, lost)
    coefficients = np.zeros(design.shape[1])
    for _ in range(MOST_STEPS):
        chance = expit(design @ coefficients)
        weight = chance * (1.0 - chance)
        information = design.T @ (weight[:, None] * design)
        residual = lost - chance
        if separated:  # Firth: half a leverage of each row to either outcome
            leverage = weight * np.einsum("ij,ji->i", design, np.linalg.solve(information, design.T))
            residual = residual + leverage * (0.5 - chance)
        step = np.linalg.solve(information, design.T @ residual)
        # a long step is shortened: the weights of where it would end may be too small to come back from
        largest = float(np.abs(design @ step).max())
        coefficients = coefficients + step * min(1.0, 4.0 / max(largest, 1e-300))
        if largest < 1e-10:
            break
    chance = expit(design @ coefficients)
    information = design.T @ ((chance * (1.0 - chance))[:, None] * design)
    likelihood = float(_log_likelihood(design @ coefficients, lost))
    return LogisticFit(coefficients, np.linalg.inv(information), likelihood, separated)


def is_separated(design: Values, lost: NDArray[np.bool_]) -> bool:
    """Whether some plane has all lost on one side and all survived on the other, points on it allowed."""
    signed = np.where(lost[:, None], design, -design)
    scale = np.abs(signed).max(axis=0)
    signed = signed / np.where(scale > 0, scale, 1.0)
    # a direction along which no row gets worse and some get better: the likelihood grows without end
    found = linprog(-signed.sum(axis=0), A_ub=-signed, b_ub=np.zeros(len(signed)), bounds=(-1.0, 1.0))
    return bool(found.status == 0 and -found.fun > 1e-9)


def _log_likelihood(log_odds: Values, lost: NDArray[np.bool_]) -> float:
    """Logarithm of the chance of the outcomes."""
    return float(-np.logaddexp(0.0, np.where(lost, -log_odds, log_odds)).sum())


def _best_with_half_at(half: float, sizes: Values, lost: NDArray[np.bool_]) -> float:
    """Largest log likelihood of all slopes if half are lost at ``half``; where they are parted, its limit."""
    x = sizes - half
    slope, value = 0.0, _log_likelihood(np.zeros_like(x), lost)
    for _ in range(MOST_STEPS):
        chance = expit(slope * x)
        gradient = float(x @ (lost - chance))
        curvature = float(np.square(x) @ (chance * (1.0 - chance)))
        if curvature <= 0.0 or gradient**2 < 1e-14 * curvature:
            break
        step = gradient / curvature
        while (tried := _log_likelihood((slope + step) * x, lost)) < value and abs(step) > 1e-14:
            step *= 0.5
        slope, value = slope + step, max(tried, value)
        if value > -1e-9:
            break
    return value


def _half_lost_bounds(
    sizes: Values, lost: NDArray[np.bool_], half: float, fit: LogisticFit, confidence: float
) -> tuple[float, float]:
    """Sizes up to which twice the log likelihood falls by no more than the quantile of chi squared."""
    share = float(lost.mean())
    without_size = len(lost) * (share * math.log(share) + (1.0 - share) * math.log1p(-share))
    # Firth's own likelihood is below the largest, which a curve through the gap's middle tends to
    largest = _best_with_half_at(half, sizes, lost) if fit.separated else fit.log_likelihood
    quantile = float(chi2.ppf(confidence, 1))
    if not 2.0 * (largest - without_size) > quantile:
        return -math.inf, math.inf  # far out the likelihood tends to that of a size that does not matter

    def beyond(at: float) -> float:
        return 2.0 * (largest - _best_with_half_at(at, sizes, lost)) - quantile

    bounds = []
    for side in (-1.0, 1.0):
        reach = 1e-3
        while reach < FARTHEST and beyond(half + side * reach) <= 0.0:
            reach *= 2.0
        inner = half + side * (reach / 2.0 if reach > 1e-3 else 0.0)
        outer = half + side * reach
        bounds.append(
            side * math.inf if reach >= FARTHEST else float(brentq(beyond, inner, outer, xtol=1e-9))
        )
    return bounds[0], bounds[1]
