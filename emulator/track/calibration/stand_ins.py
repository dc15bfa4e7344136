"""What logs cannot tell from what they tell: who stands in for whom, and whose value is in doubt.

A front wheel's moment of inertia about its diameter turns with the fork as the fork's own does: no ride tells
which of them is larger. An error of one is found in the other, the same at every speed and lean, and nothing
is left over. So each parameter that is not free is asked, linear about the fit: if it were off, would these
logs show it, or which of the free ones would take it?

Where logs do show it, it is in doubt: all parameters free together, each with what is known of it beforehand,
are asked how far off they are. Before the logs are seen, the logs' answer scatters by the prior's variance
less what they leave of it; who is off by many of those is not what the file says. Two that are not told apart
share one answer.

Source: prior and data in conflict, M. Evans and H. Moshonov, Bayesian Analysis 1 (2006) 893-914, from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.track.calibration.least_squares import covariance_of

Values = NDArray[np.float64]

DOUBTED = 4.0
"""Standard deviations by which logs may ask for another value than the file says; of 50 parameters one is
farther off by chance in 3 of 1000 days."""
TAKEN = 0.5
"""Of a free parameter's standard deviation: who moves it by less, being off as it may be, is not named."""
_NORMAL_95 = 1.959964
_TOLD = 1e-6  # of a prior's variance: less than that taken away is rounding


class StandIn(NamedTuple):
    """A parameter that is not free, whose error these logs do not show but find in others.

    standard   [SI] how far off it may be
    shown_from [SI] how far off it has to be for the logs to show it 95 times of 100; infinite: never
    moved      by free parameter, what it is moved by where this one is 1 more than the file says, SI over SI
    by_sd      the same of ``standard``, in standard deviations of the free parameter by the logs
    """

    name: str
    standard: float
    shown_from: float
    moved: dict[str, float]
    by_sd: dict[str, float]

    def words(self, name: str) -> str:
        """What it is to a free parameter."""
        by_sd = abs(self.by_sd[name])
        return (
            f"{self.name} (±{self.standard:.2g} of it are ±{by_sd:.1f} of this one's standard deviations; "
            f"seen by itself from ±{self.shown_from:.2g})"
        )


class Doubt(NamedTuple):
    """A parameter that is not what the file says.

    asked_for  [SI] what the logs and all that is known make of it
    off        how far that is off, in standard deviations of what was to be expected
    """

    name: str
    before: float
    asked_for: float
    off: float

    @property
    def words(self) -> str:
        """What the logs ask for."""
        return (
            f"{self.name} would have to be {self.asked_for:.4g}, not {self.before:.4g}, "
            f"{abs(self.off):.1f} standard deviations off"
        )


def find_stand_ins(
    own: Values,
    others: Values,
    names: Sequence[str],
    other_names: Sequence[str],
    standard: Values,
    other_standard: Values,
    left: float,
) -> list[StandIn]:
    """Who of the others stands in for whom of the free ones, who moves most first.

    own       (m, n)  derivative of the residuals, free parameters first, with what is known beforehand
    others    (m, h)  the same by those that are not free, what is known of them left out
    standard  (n,), other_standard (h,)  priors' standard deviations
    left      share of a prior's standard deviation above which nothing is told
    """
    free = len(names)
    scaled, turned = own * standard, others * other_standard
    moves = np.linalg.lstsq(scaled, turned, rcond=None)[0]
    # what is left of each column where all that is free is fitted anew
    shown = np.sum((turned - scaled @ moves) ** 2, axis=0)
    sd = np.sqrt(np.diag(covariance_of(scaled)[0]))
    found = []
    for j, name in enumerate(other_names):
        alone = float(1.0 / np.sqrt(shown[j])) if shown[j] > 0.0 else np.inf
        taken = [k for k in range(free) if abs(moves[k, j]) > TAKEN * sd[k]]
        if 1.0 / np.hypot(1.0, 1.0 / alone) <= left or not taken:
            continue
        taken.sort(key=lambda k: -abs(moves[k, j]) / sd[k])
        found.append(
            StandIn(
                name,
                float(other_standard[j]),
                float(_NORMAL_95 * alone * other_standard[j]),
                {names[k]: float(moves[k, j] * standard[k] / other_standard[j]) for k in taken},
                {names[k]: float(moves[k, j] / sd[k]) for k in taken},
            )
        )
    return sorted(found, key=lambda one: -max(abs(v) for v in one.by_sd.values()))


def find_doubts(
    residual: Values,
    jacobian: Values,
    names: Sequence[str],
    at: Values,
    start: Values,
    standard: Values,
    variance: float,
    *,
    least: float = DOUBTED,
) -> list[Doubt]:
    """Who is not what the file says, farthest off first.

    residual  (m,), jacobian (m, n)  of all parameters and nuisances behind them, with what is known of them
    at, start, standard  (n,)  where that is; prior values and standard deviations
    variance  of whitened innovations, 1 where noise is as stated
    least     standard deviations off from which one is told
    """
    scaled = jacobian * standard
    answer = (at - start) / standard - np.linalg.lstsq(scaled, residual, rcond=None)[0]
    expected = 1.0 - np.diag(covariance_of(scaled)[0])
    found = []
    for k, name in enumerate(names):
        if expected[k] < _TOLD:
            continue
        off = float(answer[k] / np.sqrt(expected[k] * max(variance, 1.0)))
        if abs(off) > least:
            found.append(Doubt(name, float(start[k]), float(start[k] + standard[k] * answer[k]), off))
    return sorted(found, key=lambda one: -abs(one.off))
