"""How fast wind and drive that nobody measured change, by what a log makes likely.

Noise gives the predictor's gain, and a gain that is not the log's own shifts parameters by several of their
standard deviations before innovations look unlike noise. The likelihood sees it long before: twice its
logarithm, less a constant, is minus the whitened innovations' squares and the logarithm of their covariance's
determinant. A file states how fast wind and drive change; each log corrects that.

Parameters stand still meanwhile, and are fitted anew with the lag that was found.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from scipy import optimize

SHORTEST_s, LONGEST_s = 1e-3, 10.0
"""Lags that are looked at: faster than a tick of the plant is at once."""
GIVE_OR_TAKE = 3.0
"""Factor that a stated lag may be off, a standard deviation of its logarithm: common practice, no source."""
_VALUES = 17  # looked at first, over equal ratios: a factor of 1.8 apart
_NEAR = 0.5  # of the logarithm, about a lag that was found before
_CLOSE = 0.01  # of the logarithm: a hundredth of the lag
_BESIDE = 0.15  # of the logarithm: where the curvature is looked at
_NORMAL_95 = 1.959964
SURE = 10.828
"""Twice the logarithm of the likelihoods' ratio above which a stated lag is not this log's: chi-square of one
degree of freedom, by chance in one log of a thousand."""


class Lag(NamedTuple):
    """How fast wind and drive change by a log.

    stated, found  [s]
    off            standard deviation of the found one's logarithm
    preferred      twice the logarithm of how much likelier the found lag makes the log than the stated one,
                   by no less: with parameters that are fitted to the stated one
    """

    stated: float
    found: float
    off: float
    preferred: float

    @property
    def interval(self) -> tuple[float, float]:
        """(low, high) of 95 % [s]."""
        by = math.exp(_NORMAL_95 * self.off)
        return self.found / by, self.found * by

    @property
    def wrong(self) -> bool:
        """Whether the log says that what was stated is not its own."""
        return self.preferred > SURE

    @property
    def words(self) -> str:
        """What the log says, beside what was stated."""
        low, high = self.interval
        stated = f"{self.stated:.2g} s stated"
        if self.wrong:
            stated = (
                f"not {self.stated:.2g} s as stated: twice the logarithm of the likelihood is "
                f"{self.preferred:,.0f} more"
            )
        return f"wind and drive change within {self.found:.2g} s ({low:.2g} to {high:.2g}), {stated}"


def likeliest(cost: Callable[[float], float], stated: float, *, near: float | None = None) -> Lag:
    """The lag that makes a log likeliest, beforehand the stated one give or take.

    cost    of a lag [s], minus twice the logarithm of the likelihood; infinite: no predictor
    stated  [s]; 0, at once, counts as SHORTEST_s
    near    [s] a lag found before: only its neighbourhood is looked at
    """
    middle, width = math.log(max(stated, SHORTEST_s)), math.log(GIVE_OR_TAKE)
    known: dict[float, float] = {}

    def by_likelihood(at: float) -> float:
        if at not in known:
            known[at] = cost(math.exp(at))
        return known[at]

    def whole(at: float) -> float:
        return by_likelihood(at) + ((at - middle) / width) ** 2

    least, most = math.log(SHORTEST_s), math.log(LONGEST_s)
    if near is None:
        places = np.unique(np.append(np.linspace(least, most, _VALUES), middle))
        best = int(np.argmin([whole(float(at)) for at in places]))
        low, high = float(places[max(best - 1, 0)]), float(places[min(best + 1, len(places) - 1)])
    else:
        about = math.log(near)
        low, high = max(about - _NEAR, least), min(about + _NEAR, most)
    found = float(
        optimize.minimize_scalar(whole, bounds=(low, high), method="bounded", options={"xatol": _CLOSE}).x
    )
    rise = whole(found + _BESIDE) + whole(found - _BESIDE) - 2.0 * whole(found)
    # where the likelihood is flat, what was known beforehand stays
    curvature = max(rise / _BESIDE**2, 2.0 / width**2) if math.isfinite(rise) else 2.0 / width**2
    return Lag(
        stated, math.exp(found), math.sqrt(2.0 / curvature), by_likelihood(middle) - by_likelihood(found)
    )
