"""Samples spread evenly over the unit cube, by scipy: scrambled Sobol points and Latin hypercubes.

Both are drawn so that each single point is uniform: a mean over them has no bias. Points of one sample are
not independent, so the intervals of :mod:`emulator.campaign.estimates` do not hold for them.

Source: scipy.stats.qmc; Owen's scrambling and McKay's Latin hypercube are described and cited there.
"""

from __future__ import annotations

import warnings
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray
from scipy.stats import qmc


class Spread(StrEnum):
    """How points are spread."""

    SOBOL = "sobol"  # evenest in all dimensions together when their number is a power of two
    LATIN_HYPERCUBE = "latin_hypercube"  # any number; each dimension by itself perfectly even


def spread_sample(kind: Spread, dimensions: int, count: int, seed: int) -> NDArray[np.float64]:
    """(count, dimensions) points in [0, 1), the same for the same seed.

    A Sobol sample's first points are those of a shorter one with the same seed; a Latin hypercube's are not.
    Raises ValueError for fewer than one dimension or point, and for more dimensions than scipy's 21,201 for
    Sobol.
    """
    if dimensions < 1 or count < 1:
        raise ValueError(f"{count} points in {dimensions} dimensions: at least one of each is needed")
    rng = np.random.default_rng(seed)
    if kind is Spread.LATIN_HYPERCUBE:
        return np.asarray(qmc.LatinHypercube(dimensions, rng=rng).random(count))
    with warnings.catch_warnings():
        # any number may be asked for: evenness is then a little worse, the mean as free of bias
        warnings.filterwarnings("ignore", "The balance properties of Sobol", UserWarning)
        return np.asarray(qmc.Sobol(dimensions, rng=rng).random(count))
