"""Who stands in for whom, and who is in doubt: closed forms of two, then the front wheel's inertia."""

from __future__ import annotations

import math

import numpy as np
import pytest

from emulator.config.vehicle.file import load_vehicle
from emulator.track.calibration.estimate import Calibration, Estimate, Models
from emulator.track.calibration.stand_ins import DOUBTED, Doubt, find_doubts, find_stand_ins
from tests.support.made_up_logs import NOISE, PLAN, VEHICLE, demo_parameters, hidden_bike, logs_of

DATA = 10.0 * np.random.default_rng(1).standard_normal((400, 2))
"""What residuals say of two parameters: a lot."""
STANDARD = np.array([0.5, 2.0])
PLAIN = demo_parameters(usual=True)
NAMES = [one.name for one in PLAIN.free]
MODELS = Models(PLAIN, NOISE)
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


def wheel_ridden(planted: dict[str, float]) -> tuple[np.ndarray, Estimate]:
    """Truth and estimate of a linear ride of a bike whose front wheel has other inertias, by factors."""
    rng = np.random.default_rng(3)
    truth = PLAIN.start + 0.5 * rng.standard_normal(len(PLAIN)) * PLAIN.standard
    of_truth = MODELS
    for key, factor in planted.items():
        name = f"front_wheel.{key}"
        if name in NAMES:
            truth[NAMES.index(name)] = factor * PLAIN.start[NAMES.index(name)]
        else:
            of_truth = Models(demo_parameters(error=(name, factor), usual=True), NOISE)
    rides = hidden_bike(MODELS, truth, rng, 1, PLAN, of_truth=of_truth)
    return truth, Calibration(PLAIN, logs_of(rides, 0), NOISE, models=MODELS).estimate()


@pytest.mark.slow
def test_a_wheel_that_turns_with_the_fork_is_said_to_stand_in_for_the_forks_inertia() -> None:
    """A wheel's inertia about its diameter is the fork's own to every ride: it turns with it, whatever the
    speed. So half of it more is found in the fork's, and words say whose that may be."""
    truth, found = wheel_ridden({"diametral_inertia": 1.5})
    wheel = 0.5 * load_vehicle(VEHICLE).values["front_wheel"]["diametral_inertia"]
    k = NAMES.index("steered_frame.izz")
    off = found.values - truth
    assert off[k] > 3.0 * found.standard[k]  # seen by nothing: the reason for the words
    (one,) = (one for one in found.stand_ins if one.name == "front_wheel.diametral_inertia")
    # inertias of what turns together add up: by their definition
    assert one.moved["steered_frame.izz"] == pytest.approx(1.0, abs=0.1)
    # their sum is told as nearly as was said of the one
    assert abs(off[k] - wheel) < 3.0 * found.standard[k]
    assert np.abs(np.delete(off / found.standard, k)).max() < 3.0


@pytest.mark.slow
def test_a_wheel_that_spins_heavier_is_in_doubt() -> None:
    """Its gyroscopic moments grow with speed, and at three speeds nothing else's do as they."""
    _, found = wheel_ridden({"spin_inertia": 1.5})
    assert found.doubts[0].name == "front_wheel.spin_inertia"
    assert found.doubts[0].off > DOUBTED
    assert "front_wheel.spin_inertia would have to be 0.6" in found.cannot


@pytest.mark.slow
def test_a_wheel_that_is_as_the_file_says_is_not_in_doubt() -> None:
    _, found = wheel_ridden({})
    assert not found.doubts
    assert not found.cannot
