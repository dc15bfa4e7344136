"""Planted regions of failure, and whether the search finds them where chance does not.

The rides are functions with a margin that slopes towards the region, as a robot's margins do, with valleys
beside it that end above zero, and ripples. A needle in a flat field is not among them: nothing finds that.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
import pytest
from numpy.typing import NDArray

from emulator.campaign.search.falsify import AT_ONCE, SPREAD, Falsification, Span, falsify
from emulator.campaign.search.outcome import Outcome

DIMENSIONS, BUDGET = 5, 200
REGION = 2e-4
"""Of the whole volume; 200 drawn rides find it with a chance of 4 %."""
SEED = 20270506


def planted(rng: np.random.Generator) -> Callable[[NDArray[np.float64]], NDArray[np.float64]]:
    """Margin [%] at (n, DIMENSIONS) shares, below 0 within one ellipsoid of volume REGION."""
    n = DIMENSIONS
    middle = rng.uniform(0.12, 0.88, n)
    radius = (REGION * math.gamma(n / 2 + 1) / math.pi ** (n / 2)) ** (1 / n)
    stretch = np.exp(rng.uniform(-0.5, 0.5, n))
    stretch /= np.exp(np.mean(np.log(stretch)))
    valleys = [(rng.uniform(0.1, 0.9, n), rng.uniform(3.0, 8.0)) for _ in range(3)]
    phase = rng.uniform(0.0, 2.0 * np.pi, n)

    def margin(x: NDArray[np.float64]) -> NDArray[np.float64]:
        away = np.sqrt(np.sum(((x - middle) / stretch) ** 2, axis=1))
        sloping = 90.0 * np.tanh(1.2 * (away - radius))
        for place, floor in valleys:
            sloping = np.minimum(sloping, floor + 90.0 * np.tanh(1.5 * np.linalg.norm(x - place, axis=1)))
        rippled = sloping + 1.5 * np.sin(9.0 * x + phase).mean(axis=1)
        return np.where(away < radius, np.minimum(rippled, -0.5), np.maximum(rippled, 0.3))

    return margin


SPANS = [Span(f"v{i}", -2.0, 3.0) for i in range(DIMENSIONS)]


def rides(
    margin: Callable[[NDArray[np.float64]], NDArray[np.float64]],
) -> Callable[[Sequence[tuple[float, ...]]], list[Outcome]]:
    def ride(points: Sequence[tuple[float, ...]]) -> list[Outcome]:
        return [Outcome(bool(m < 0.0), float(m)) for m in margin((np.array(points) + 2.0) / 5.0)]

    return ride


def test_planted_regions_are_found_where_chance_does_not() -> None:
    rng = np.random.default_rng(SEED)
    regions = [planted(rng) for _ in range(10)]
    found = [falsify(SPANS, rides(margin), budget=BUDGET, seed=k) for k, margin in enumerate(regions)]
    by_chance = [
        bool(np.any(margin(np.random.default_rng(k).random((BUDGET, DIMENSIONS))) < 0.0))
        for k, margin in enumerate(regions)
    ]
    assert sum(f.failure is not None for f in found) >= 8
    assert sum(by_chance) <= 3
    for f, margin in zip(found, regions, strict=True):
        assert len(f.rides) <= BUDGET
        if f.failure is not None:
            assert margin((np.array([f.failure.values]) + 2.0) / 5.0)[0] < 0.0


def seen(
    margin: Callable[[NDArray[np.float64]], NDArray[np.float64]], seed: int
) -> tuple[Falsification, list[int]]:
    sizes: list[int] = []

    def counted(points: Sequence[tuple[float, ...]]) -> list[Outcome]:
        sizes.append(len(points))
        assert all(-2.0 <= v <= 3.0 for point in points for v in point)
        return rides(margin)(points)

    return falsify(SPANS, counted, budget=101, seed=seed), sizes


def test_the_same_seed_asks_for_the_same_rides_and_another_for_others() -> None:
    margin = planted(np.random.default_rng(SEED))
    assert seen(margin, 3)[0] == seen(margin, 3)[0]
    assert seen(margin, 3)[0].rides != seen(margin, 4)[0].rides


def test_generations_are_whole_and_the_budget_is_kept() -> None:
    def never(x: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.full(len(x), 40.0)

    result, sizes = seen(never, 1)
    assert sizes[0] == SPREAD
    assert set(sizes[1:-1]) == {AT_ONCE, SPREAD}  # in a flat field it begins anew
    assert sum(sizes) == len(result.rides) == 101
    assert result.failure is None
    assert result.thinnest is not None


def test_it_ends_with_the_generation_that_has_a_failure_and_tells_its_worst() -> None:
    def half(x: NDArray[np.float64]) -> NDArray[np.float64]:
        return 100.0 * (x[:, 0] - 0.5)

    result, sizes = seen(half, 1)
    assert sizes == [SPREAD]
    assert result.failure is not None
    assert result.failure.outcome.margin_percent == min(r.outcome.margin_percent or 0.0 for r in result.rides)
    assert result.thinnest == result.failure


def test_rides_that_do_not_count_are_neither_failures_nor_thinnest() -> None:
    def ride(points: Sequence[tuple[float, ...]]) -> list[Outcome]:
        return [Outcome(None, -50.0) if p[0] < 0.0 else Outcome(False, 10.0 + p[1]) for p in points]

    result = falsify(SPANS, ride, budget=60, seed=1)
    assert result.failure is None
    assert result.thinnest is not None
    assert result.thinnest.outcome.lost is False
    none_counts = falsify(SPANS, lambda points: [Outcome(None)] * len(points), budget=60, seed=1)
    assert none_counts.thinnest is None


def test_a_fall_without_a_missed_limit_is_a_failure() -> None:
    result = falsify(SPANS, lambda points: [Outcome(p[0] > 2.5, None) for p in points], budget=60, seed=1)
    assert result.failure is not None
    assert result.failure.values[0] > 2.5


def test_what_can_not_be_searched() -> None:
    with pytest.raises(ValueError, match="expected something to vary"):
        falsify([], rides(planted(np.random.default_rng(1))), budget=100, seed=1)
    with pytest.raises(ValueError, match="at least 16 rides"):
        falsify(SPANS, rides(planted(np.random.default_rng(1))), budget=15, seed=1)
    with pytest.raises(ValueError, match="size: expected finite values that rise"):
        Span("size", 1.0, 1.0)
    with pytest.raises(ValueError, match="32 rides asked for, 0 outcomes"):
        falsify(SPANS, lambda points: [], budget=100, seed=1)
