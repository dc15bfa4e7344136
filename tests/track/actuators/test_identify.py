"""Actuators whose numbers are known, found by noisy logs within their intervals, or refused in words."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from emulator.track.actuators.following import Actuator
from emulator.track.actuators.identify import Identified, NotIdentified, identify
from tests.support.bench_logs import GAIN, LIMIT_Nm, NOISE_Nm, OFFSET_Nm, asked_of_it, log_of, slow_command

WITH_ALL = Actuator(0.012, 1.0 / 400.0, 0.4, 0.006)
REPEATS = 20


def found_of(truth: Actuator, seed: int, asked: np.ndarray | None = None) -> Identified:
    rng = np.random.default_rng(seed)
    return identify(log_of(truth, asked_of_it(rng) if asked is None else asked, rng))


def off(found: Identified, truth: Actuator) -> np.ndarray:
    """(3,) time constant, rate limit, free play off their truth, in standard deviations."""
    pairs = (
        (found.time_constant, truth.time_constant),
        (found.rate_limit, 1.0 / truth.slowness),
        (found.free_play, truth.free_play),
    )
    return np.array([(number.value - value) / number.sd for number, value in pairs])


def test_all_that_a_rich_log_tells_is_found() -> None:
    found = found_of(WITH_ALL, 1)
    assert found.cannot == ""
    assert all(one.told for one in (found.time_constant, found.rate_limit, found.free_play, found.delay))
    assert np.abs(off(found, WITH_ALL)).max() < 4.0
    assert found.time_constant.value == pytest.approx(0.012, rel=0.02)
    assert found.rate_limit.value == pytest.approx(400.0, rel=0.02)
    assert found.free_play.value == pytest.approx(0.4, rel=0.05)
    assert found.delay.value == pytest.approx(0.006, abs=2e-4)
    assert (found.gain.value, found.offset.value) == pytest.approx((GAIN, OFFSET_Nm), abs=0.01)
    assert found.left == pytest.approx(NOISE_Nm, rel=0.05)


@pytest.mark.slow
def test_intervals_hold_the_truth_as_often_as_they_say() -> None:
    """Fewer of so many intervals of 95 % hold by chance in one of 200 such tests."""
    inside: list[bool] = []
    for seed in range(REPEATS):
        rng = np.random.default_rng((9, seed))
        truth = Actuator(
            rng.uniform(0.006, 0.012),
            1.0 / rng.uniform(200.0, 400.0),
            rng.uniform(0.2, 0.8),
            rng.uniform(0.002, 0.01),
        )
        found = found_of(truth, seed + 1000)
        assert found.cannot == ""
        told = [one.told for one in (found.time_constant, found.rate_limit, found.free_play)]
        inside += [abs(z) < 1.959964 for z, is_told in zip(off(found, truth), told, strict=True) if is_told]
    print(sum(inside), "of", len(inside))
    assert len(inside) > 2.8 * REPEATS
    assert stats.binom.cdf(sum(inside), len(inside), 0.95) > 0.005


def test_what_the_log_never_reached_is_not_told_and_bounded() -> None:
    """No limit and no play: both are refused, and what was seen bounds them."""
    found = found_of(Actuator(0.012, 0.0, 0.0, 0.006), 2)
    assert found.cannot == ""
    assert found.time_constant.told
    assert not found.rate_limit.told
    assert 300.0 < found.rate_limit.at_least < 2000.0  # as fast as it was seen
    assert not found.free_play.told
    assert 0.0 < found.free_play.at_most < 0.05


def test_a_slow_command_does_not_tell_lag_from_delay_and_says_their_sum() -> None:
    truth = Actuator(0.006, 1.0 / 400.0, 0.0, 0.010)
    found = found_of(truth, 3, slow_command())
    assert found.cannot == ""
    assert not found.time_constant.told
    assert not found.rate_limit.told
    assert found.later.value == pytest.approx(0.016, abs=4.0 * found.later.sd)
    assert found.later.sd < 0.2 * found.time_constant.sd


def test_an_actuator_of_another_kind_is_told() -> None:
    """One that overshoots: no lag, play and limit make it."""
    rng = np.random.default_rng(4)
    log = log_of(Actuator(0.0), asked_of_it(rng), rng)
    made, rate, w = np.zeros(len(log.asked)), 0.0, 2.0 * np.pi * 12.0
    for k in range(1, len(made)):
        rate += 1e-3 * (w * w * (log.asked[k] - made[k - 1]) - 2.0 * 0.3 * w * rate)
        made[k] = made[k - 1] + 1e-3 * rate
    seen = made[log.at] + NOISE_Nm * rng.standard_normal(len(log.at))
    assert "times its noise is left" in identify(log._replace(seen=seen)).cannot


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"asked": np.zeros(500)}, "0.5 s of log, expected 2 s"),
        ({"asked": np.full(12_000, 3.0)}, "the command moves by 0, expected 10 times the noise"),
        ({"asked": np.full(12_000, np.nan)}, "no sample"),
        ({"at": np.zeros(0, np.int64), "seen": np.zeros(0)}, "no sample"),
        ({"noise": 5.0}, "expected 10 times the noise of 5"),
    ],
)
def test_a_log_that_tells_nothing_is_refused_in_words(changed: dict[str, object], words: str) -> None:
    rng = np.random.default_rng(6)
    log = log_of(WITH_ALL, asked_of_it(rng), rng)
    assert log.high == LIMIT_Nm
    with pytest.raises(NotIdentified, match=words):
        identify(log._replace(**changed))
