"""Probabilities over stated distributions, of rides that are functions whose probability is known."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pytest
from scipy.stats import norm

from emulator.campaign.search.chances import AT_ONCE, Draw, estimate_chance, marginal_of
from emulator.campaign.search.outcome import Outcome
from emulator.config.campaign.chances import (
    Drawn,
    FixedNumber,
    LogNormal,
    Method,
    Normal,
    RareFailure,
    Uniform,
    UntilKnown,
)
from emulator.config.campaign.search import Probability

WIND = Drawn(value="scenario.wind.speed", drawn=Normal(kind="normal", mean=5.0, sigma=2.0))


def asked(method: Method, *, seed: int = 1, vary: dict[str, Drawn] | None = None) -> Probability:
    return Probability(
        kind="probability",
        scenario="s",
        rig="r",
        seed=seed,
        vary={"wind": WIND} if vary is None else vary,
        method=method,
    )


def beyond(limit: float) -> Callable[[Sequence[Draw]], list[Outcome]]:
    """Lost where the wind is stronger, with a margin that says how far it is."""
    return lambda draws: [Outcome(v[0] > limit, 10.0 * (limit - v[0])) for _, v in draws]


def test_a_fixed_number_is_ridden_and_its_exact_interval_told() -> None:
    truth = float(norm.sf(1.0))  # 7 m/s is one sigma above the mean
    held = 0
    for seed in range(40):
        found = estimate_chance(asked(FixedNumber(kind="fixed", rides=200), seed=seed), beyond(7.0))
        assert (found.rides, found.not_counted) == (200, 0)
        assert found.interval is not None
        held += found.interval.holds(truth)
    assert held >= 36  # 95 of 100 and more; fewer than 36 of 40 have a chance below one in a hundred


def test_rides_that_do_not_count_are_left_out_and_told() -> None:
    def ride(draws: Sequence[Draw]) -> list[Outcome]:
        return [Outcome(None if n % 4 == 0 else v[0] > 7.0) for n, v in draws]

    found = estimate_chance(asked(FixedNumber(kind="fixed", rides=400), seed=3), ride)
    assert (found.rides, found.not_counted) == (400, 100)
    assert found.interval is not None
    assert found.interval.holds(float(norm.sf(1.0)))
    none = estimate_chance(asked(FixedNumber(kind="fixed", rides=40)), lambda d: [Outcome(None)] * len(d))
    assert (none.estimate, none.interval, none.not_counted) == (None, None, 40)


def test_it_ends_when_enough_is_known_by_whole_generations() -> None:
    generations: list[int] = []

    def ride(draws: Sequence[Draw]) -> list[Outcome]:
        generations.append(len(draws))
        return beyond(1e9)(draws)

    until = UntilKnown(kind="until_known", proven_below=0.05, most=5000)
    found = estimate_chance(asked(until), ride)
    assert found.interval is not None
    assert found.interval.high < 0.05
    assert set(generations) == {AT_ONCE}
    assert found.rides < 400
    assert "until enough was known" in found.method
    short = estimate_chance(asked(until.model_copy(update={"most": 30})), beyond(1e9))
    assert (short.rides, "to the last" in short.method) == (30, True)


def test_a_rare_one_is_found_where_plain_rides_see_none() -> None:
    truth = float(norm.sf(4.0))  # 3.2e-5
    found = estimate_chance(asked(RareFailure(kind="rare", population=200, final=400)), beyond(13.0))
    assert found.interval is not None
    assert found.interval.holds(truth)
    assert found.interval.high < 4.0 * found.interval.low
    assert found.rides < 3000


def test_a_rare_one_says_nothing_if_a_ride_does_not_count() -> None:
    def ride(draws: Sequence[Draw]) -> list[Outcome]:
        return [Outcome(None) if n == 17 else Outcome(False, 50.0) for n, _ in draws]

    found = estimate_chance(asked(RareFailure(kind="rare", population=50, final=50)), ride)
    assert (found.estimate, found.interval, found.rides, found.not_counted) == (None, None, 50, 1)


def test_draws_are_the_same_for_the_same_seed_and_numbered_on() -> None:
    def seen(seed: int) -> list[Draw]:
        draws: list[Draw] = []

        def ride(asked_for: Sequence[Draw]) -> list[Outcome]:
            draws.extend(asked_for)
            return [Outcome(False)] * len(asked_for)

        estimate_chance(asked(FixedNumber(kind="fixed", rides=50), seed=seed), ride)
        return draws

    assert seen(3) == seen(3) != seen(4)
    assert [n for n, _ in seen(3)] == list(range(50))


def test_without_anything_drawn_only_seeds_differ() -> None:
    numbers: list[Draw] = []

    def ride(draws: Sequence[Draw]) -> list[Outcome]:
        numbers.extend(draws)
        return [Outcome(n % 10 == 0) for n, _ in draws]

    found = estimate_chance(asked(FixedNumber(kind="fixed", rides=100), vary={}), ride)
    assert found.estimate == 0.1
    assert numbers[3] == (3, ())


@pytest.mark.parametrize(
    ("said", "quantiles"),
    [
        (Normal(kind="normal", mean=5.0, sigma=2.0), (5.0, 7.0)),
        (Normal(kind="normal", mean=0.0, sigma=1.0, within=(0.0, 9.0)), (0.6745, 1.4115)),
        (Uniform(kind="uniform", between=(2.0, 4.0)), (3.0, 2.0 + 2.0 * 0.8413)),
        (LogNormal(kind="log_normal", median=5.0, sigma_of_log=0.5), (5.0, 5.0 * np.exp(0.5))),
    ],
)
def test_distributions_are_what_they_say(said: Normal, quantiles: tuple[float, float]) -> None:
    """Quantiles at 50 % and 84.13 % by closed form; of the half normal 0.6745 and 1.4115 are those of the
    normal distribution at 75 % and 92.07 % (tables, from memory)."""
    found = [float(marginal_of(said).ppf(np.array(p))) for p in (0.5, 0.841345)]
    assert found == pytest.approx(quantiles, rel=2e-3)
