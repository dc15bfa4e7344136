"""Tests of paired outcomes that hold for any number of pairs, and what many of them at once are worth.

Of two rides of the same thing the null hypothesis is that either could as well have been the other: every
pattern of signs of the differences is equally likely. Both tests count those patterns, so their error is
what they say, also for six pairs and with ties.

Sources: sign test after Dixon and Mood (1946), doi 10.1080/01621459.1946.10501898; signed ranks after
Wilcoxon (1945), doi 10.2307/3001968; many tests after Tarone (1990), doi 10.2307/2531456.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

COUNTED_UP_TO = 300
"""Pairs up to which signed ranks are counted; above, their distribution is taken as normal, whose tail errs
to the side of no finding: it gives 4e-5 where counting gives 3.5e-5."""


def sign_test(worse: int, better: int) -> float:
    """Probability that of so many changes at least ``worse`` go this way, if both ways are equally likely."""
    from scipy.stats import binom

    return float(binom.sf(worse - 1, worse + better, 0.5)) if worse + better else 1.0


def signed_rank_test(differences: ArrayLike) -> float:
    """Probability that signed ranks speak this strongly for a rise, if every sign could be the other.

    differences  (n,); zeros are no change and left out; plus or minus infinity ranks above every number
    """
    changes = np.asarray(differences, dtype=float)
    changes = changes[changes != 0.0]
    n = len(changes)
    if n == 0:
        return 1.0
    twice = _twice_the_ranks(np.abs(changes))
    risen = int(twice[changes > 0].sum())
    if n > COUNTED_UP_TO:
        return _normal(twice, risen)
    patterns = np.zeros(int(twice.sum()) + 1)
    patterns[0] = 1.0
    for rank in twice:
        half = 0.5 * patterns
        patterns = half.copy()
        patterns[rank:] += half[: len(half) - rank]
    return float(min(1.0, patterns[risen:].sum()))


def smallest_possible(changes: int) -> float:
    """The smallest probability either test can give for so many changes: all of them go one way."""
    return 0.5**changes if changes < 1000 else 0.0


def significant(probabilities: Sequence[float], smallest: Sequence[float], false_alarms: float) -> list[bool]:
    """Which of many tests stand: with nothing to be found at most ``false_alarms`` of families have one.

    probabilities  (k,) of each test
    smallest       (k,) that each could have given at all, by its number of changes

    Tests that could not have stood anyway, such as those of one pair, do not make the others weaker. Holds
    whatever the tests have to do with each other.
    """
    share = 1
    while sum(least <= false_alarms / share for least in smallest) > share:
        share += 1
    bound = false_alarms / share
    return [p <= bound for p in probabilities]


def _twice_the_ranks(sizes: NDArray[np.float64]) -> NDArray[np.int64]:
    """Twice the rank of each size (n,); equal ones share their mean rank, which twice is whole."""
    _, place, count = np.unique(sizes, return_inverse=True, return_counts=True)
    last = np.cumsum(count)
    return np.asarray((2 * last - count + 1)[place], dtype=np.int64)


def _normal(twice: NDArray[np.int64], risen: int) -> float:
    """The same by the normal distribution of equal mean and variance, with half a step's correction."""
    mean, deviation = 0.5 * float(twice.sum()), 0.5 * math.sqrt(float((twice.astype(float) ** 2).sum()))
    return 0.5 * math.erfc((risen - 1.0 - mean) / (deviation * math.sqrt(2.0)))
