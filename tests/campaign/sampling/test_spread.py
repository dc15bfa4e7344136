"""Spread samples: even where they say so, uniform point by point, the same for the same seed."""

from __future__ import annotations

import numpy as np
import pytest

from emulator.campaign.sampling.spread import Spread, spread_sample


@pytest.mark.parametrize("kind", Spread)
@pytest.mark.parametrize("count", [1, 7, 64])
def test_each_stratum_of_each_dimension_is_hit(kind: Spread, count: int) -> None:
    points = spread_sample(kind, 3, count, seed=2)
    assert points.shape == (count, 3)
    assert points.min() >= 0.0
    assert points.max() < 1.0
    strata = 2 ** int(np.log2(count)) if kind is Spread.SOBOL else count
    for column in points[:strata].T:
        assert sorted(np.floor(column * strata).astype(int)) == list(range(strata))


def test_sobol_points_fill_every_sixteenth_of_a_square() -> None:
    # the sequence's first two dimensions are a (0, m, 2)-net: one point in each elementary interval (Sobol
    # 1967, from memory); scrambling keeps that
    points = spread_sample(Spread.SOBOL, 2, 16, seed=4)
    for across, up in [(16, 1), (8, 2), (4, 4), (2, 8), (1, 16)]:
        cells = set(zip((points[:, 0] * across).astype(int), (points[:, 1] * up).astype(int), strict=True))
        assert len(cells) == 16


@pytest.mark.parametrize("kind", Spread)
def test_a_seed_is_a_sample(kind: Spread) -> None:
    first = spread_sample(kind, 2, 33, seed=1)
    assert np.array_equal(first, spread_sample(kind, 2, 33, seed=1))
    assert not np.array_equal(first, spread_sample(kind, 2, 33, seed=2))


def test_a_longer_sobol_sample_begins_like_a_shorter_one() -> None:
    assert np.array_equal(
        spread_sample(Spread.SOBOL, 4, 100, seed=9)[:37], spread_sample(Spread.SOBOL, 4, 37, seed=9)
    )


@pytest.mark.parametrize("kind", Spread)
def test_a_mean_is_nearer_than_that_of_independent_points(kind: Spread) -> None:
    errors = [float(spread_sample(kind, 2, 256, seed).sum(axis=1).mean()) - 1.0 for seed in range(20)]
    independent = np.sqrt(2 / 12 / 256)  # one sigma of the mean of 256 independent sums of two uniforms
    assert np.sqrt(np.mean(np.square(errors))) < independent / 5


@pytest.mark.parametrize(("dimensions", "count"), [(0, 1), (1, 0)])
def test_nothing_cannot_be_spread(dimensions: int, count: int) -> None:
    with pytest.raises(ValueError, match="at least one of each"):
        spread_sample(Spread.SOBOL, dimensions, count, seed=0)
