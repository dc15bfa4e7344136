"""Who stands in for whom, and who is in doubt: closed forms of two. Of a front wheel: test_model_error.py."""

from __future__ import annotations

import math

import numpy as np
import pytest

from emulator.track.calibration.stand_ins import DOUBTED, Doubt, find_doubts, find_stand_ins

DATA = 10.0 * np.random.default_rng(1).standard_normal((400, 2))
"""What residuals say of two parameters: a lot."""
STANDARD = np.array([0.5, 2.0])
OWN = np.vstack([DATA, np.diag(1.0 / STANDARD)])


def test_one_that_acts_as_another_stands_in_for_it() -> None:
    other = np.vstack([-3.0 * DATA[:, :1], np.zeros((2, 1))])
    (one,) = find_stand_ins(OWN, other, ["a", "b"], ["c"], STANDARD, np.array([0.1]), 0.5)
    assert (one.name, one.standard) == ("c", 0.1)
    assert one.moved == {"a": pytest.approx(-3.0, rel=1e-3)}
    # nothing shows it but what is known of the other: -3 c = a
    assert one.shown_from == pytest.approx(1.959964 * 0.5 / 3.0, rel=1e-3)
    free = 1.0 / np.sqrt(DATA[:, 0] @ DATA[:, 0])
    assert one.by_sd["a"] == pytest.approx(-0.3 / free, rel=0.02)


def test_one_that_residuals_show_by_themselves_or_hardly_at_all_is_none() -> None:
    shown = np.vstack([10.0 * np.random.default_rng(2).standard_normal((400, 1)), np.zeros((2, 1))])
    hardly = np.vstack([1e-3 * DATA[:, 1:], np.zeros((2, 1))])
    both = np.hstack([shown, hardly])
    assert not find_stand_ins(OWN, both, ["a", "b"], ["c", "d"], STANDARD, np.array([0.1, 0.1]), 0.5)


def doubts_of(off: float) -> list[Doubt]:
    """Of two that act alike, of standard deviations 3 and 4; exact data say how far their sum is off."""
    standard, exact = np.array([3.0, 4.0]), 1e6
    jacobian = np.vstack([[exact, exact], np.diag(1.0 / standard)])
    residual = np.array([-exact * off, 0.0, 0.0])
    return find_doubts(residual, jacobian, ["a", "b"], np.zeros(2), np.zeros(2), standard, 1.0)


def test_two_that_act_alike_share_what_the_data_ask_for() -> None:
    # sum of two normal numbers: standard deviation 5; each takes its share of the variance (closed form)
    found = {one.name: one for one in doubts_of(30.0)}
    assert found["a"].asked_for == pytest.approx(30.0 * 9 / 25, rel=1e-4)
    assert found["b"].asked_for == pytest.approx(30.0 * 16 / 25, rel=1e-4)
    assert found["a"].off == pytest.approx(6.0, rel=1e-3)
    assert found["b"].off == pytest.approx(6.0, rel=1e-3)
    assert not doubts_of((DOUBTED - 0.01) * 5.0)
    assert len(doubts_of(-(DOUBTED + 0.01) * 5.0)) == 2


def test_what_is_asked_for_scatters_as_expected() -> None:
    """Truths drawn from the prior, data drawn from the truth: how far off is a normal number."""
    rng = np.random.default_rng(3)
    offs = []
    for _ in range(400):
        truth = STANDARD * rng.standard_normal(2)
        slopes = rng.standard_normal((3, 2)) * [1.0, 0.2]
        residual = np.concatenate([-slopes @ truth - rng.standard_normal(3), np.zeros(2)])
        jacobian = np.vstack([slopes, np.diag(1.0 / STANDARD)])
        start = np.zeros(2)
        found = find_doubts(residual, jacobian, ["a", "b"], start, start, STANDARD, 1.0, least=0.0)
        offs += [one.off for one in found]
    assert len(offs) == 800
    # mean of 800 squares of normal numbers, four standard deviations; of one ride two are correlated
    assert np.mean(np.square(offs)) == pytest.approx(1.0, abs=4.0 * math.sqrt(2.0 / 400))
