"""What the model cannot do, so that intervals do not lie.

What is held is not known exactly either. Its uncertainty goes into the intervals as what it would move the
estimate by (S. F. Schmidt's consider parameters, from memory): emulator.track.calibration.estimate.

Two questions remain. Do the parameters act alike at every speed and lean? Each stretch may have parameters
of its own, those of all plus a deviation of standard deviation t times each prior's. t is what the logs make
likely (restricted likelihood over a grid; half a Cauchy distribution beforehand), and the intervals are the
mixture: where stretches agree it adds little, where not it is what widens them. And is what is left noise?
Whitened innovations of the right model have the variance 1 and nothing in common with those before; a larger
variance widens all intervals. Where any of the three is large the model can't do what the logs show, and that
is said.

The deviations of stretches are a random effect: N. M. Laird and J. H. Ware, Biometrics 38 (1982) 963-974,
from memory; linear about the fit. An error of what is
neither free nor held, the same in every stretch and hidden in a parameter, is seen by nobody.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.float64]

GRID = np.concatenate([[0.0], np.geomspace(0.003, 3.0, 40)])
"""Values of t that are looked at, of each prior's standard deviation."""
LAGS = 10
_CHANCE = (2.0 / LAGS) ** 0.5  # standard deviation of a mean of LAGS squares of normal numbers
_USUAL_SPREAD, _SURELY = 0.1, 0.05
MOST_SPREAD = 0.25
"""t above which, if it surely is, parameters are not the same at every speed and lean; common practice, no
source."""
MOST_VARIANCE = 1.5
"""Variance of whitened innovations above which model or noise are wrong; common practice, no source."""
MOST_CORRELATION = 0.015
"""Correlation of innovations with those before, root of the mean square over lags 1 to LAGS beyond what
chance makes of it, above which the model can't do what the logs show; common practice, no source."""


class Pieces(NamedTuple):
    """A fit taken apart.

    Of each stretch residual (m,) and derivative (m, n), output and row of each residual; and what is known
    beforehand.
    """

    residual: list[Values]
    jacobian: list[Values]
    known: Values
    by_known: Values
    output: list[NDArray[np.int64]]
    row: list[NDArray[np.int64]]


class ModelError(NamedTuple):
    """What the model cannot do.

    spread        t: how far parameters differ between stretches, of their priors; the likely mean
    surely        what t is more than, with a probability of 95 %
    variance      of whitened innovations; 1 where noise is as stated
    correlation   of innovations with those before, beyond chance; of the worst output
    moved (n,)    of the fit, by weighing stretches anew;  covariance (n, n) with all of it
    """

    spread: float
    surely: float
    variance: float
    correlation: float
    moved: Values
    covariance: Values

    @property
    def cannot(self) -> str:
        """Why intervals would lie, in words; nothing if they hold."""
        if self.variance > MOST_VARIANCE:
            return f"what is left over has {self.variance:.1f} times the variance of the noise stated"
        if self.surely > MOST_SPREAD:
            by = f"{self.spread:.2f}"
            return f"parameters would have to differ from stretch to stretch, by {by} of what they may be off"
        if self.correlation > MOST_CORRELATION:
            by = f"{self.correlation:.2f}"
            return f"what is left over is no noise: it is alike from sample to sample by {by}"
        return ""


def find_model_error(pieces: Pieces, free: int, scale: Values) -> ModelError:
    """What a fit's pieces say of the model.

    free   how many of the first parameters may differ from stretch to stretch
    scale  (n,) priors' standard deviations
    """
    size = sum(len(r) for r in pieces.residual)
    variance = sum(float(r @ r) for r in pieces.residual) / max(size - free, 1)
    widened = max(variance, 1.0)
    scores, informations = [], []
    for residual, jacobian in zip(pieces.residual, pieces.jacobian, strict=True):
        scaled = jacobian * scale
        scores.append(-(scaled.T @ residual) / widened)
        informations.append(scaled.T @ scaled / widened)
    known = pieces.by_known * scale
    from_known, of_known = -(known.T @ pieces.known), known.T @ known
    likely, means, covariances = [], [], []
    for t in GRID if free and len(scores) > 1 else GRID[:1]:
        likelihood, mean, covariance = _with_deviations(t, free, scores, informations, from_known, of_known)
        likely.append(likelihood)
        means.append(mean)
        covariances.append(covariance)
    grid = GRID[: len(likely)]
    cells = np.diff(grid, prepend=0.0, append=grid[-1])
    width = 0.5 * (cells[1:] + cells[:-1]) if len(grid) > 1 else np.ones(1)
    # half a Cauchy distribution beforehand: most models differ little, and any may differ a lot
    weights = np.exp(np.array(likely) - max(likely)) * width / (1.0 + (grid / _USUAL_SPREAD) ** 2)
    weights /= weights.sum()
    moved = sum(w * m for w, m in zip(weights, means, strict=True))
    covariance = sum(
        w * (c + np.outer(m - moved, m - moved)) for w, m, c in zip(weights, means, covariances, strict=True)
    )
    return ModelError(
        float(weights @ grid),
        float(grid[np.searchsorted(np.cumsum(weights), _SURELY)]),
        variance,
        alike(pieces),
        np.asarray(moved * scale),
        np.asarray(covariance * np.outer(scale, scale)),
    )


def _with_deviations(
    t: float,
    free: int,
    scores: list[Values],
    informations: list[Values],
    from_known: Values,
    of_known: Values,
) -> tuple[float, Values, Values]:
    """Restricted log likelihood, mean (n,) and covariance (n, n), parameters in their scale."""
    total, score, likelihood = of_known.copy(), from_known.copy(), 0.0
    for g, information in zip(scores, informations, strict=True):
        inner = np.eye(free) + t * t * information[:free, :free]
        by = np.linalg.solve(inner, np.column_stack([information[:free], g[:free]]))
        total += information - t * t * information[:, :free] @ by[:, :-1]
        score += g - t * t * information[:, :free] @ by[:, -1]
        likelihood -= 0.5 * np.linalg.slogdet(inner)[1]
        likelihood += 0.5 * t * t * float(g[:free] @ by[:, -1])
    lower = np.linalg.cholesky(0.5 * (total + total.T))
    half = np.linalg.solve(lower, score)
    inverse = np.linalg.inv(lower)
    likelihood += 0.5 * float(half @ half) - float(np.log(np.diag(lower)).sum())
    return likelihood, inverse.T @ half, inverse.T @ inverse


def alike(pieces: Pieces) -> float:
    """Correlation of residuals with those before, beyond chance, of the worst output.

    Chance: the mean of LAGS squared correlations of noise, and three of its standard deviations.
    """
    worst = 0.0
    outputs = np.unique(np.concatenate(pieces.output)) if pieces.output else np.empty(0, int)
    for output in outputs:
        products, squares, pairs = np.zeros(LAGS), 0.0, 0
        for residual, of, row in zip(pieces.residual, pieces.output, pieces.row, strict=True):
            mine = of == output
            if not mine.any():
                continue
            line = np.zeros(row.max() + 1)
            line[row[mine]] = residual[mine]
            squares += float(line @ line)
            pairs += int(mine.sum())
            products += [float(line[lag:] @ line[:-lag]) for lag in range(1, LAGS + 1)]
        if squares > 0.0:
            beyond = float(np.mean((products / squares) ** 2)) - (1.0 + 3.0 * _CHANCE) / pairs
            worst = max(worst, float(np.sqrt(max(beyond, 0.0))))
    return worst
