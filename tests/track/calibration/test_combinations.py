"""What logs leave open together is told with its interval by profile likelihood."""

from __future__ import annotations

import numpy as np
import pytest

from emulator.track.calibration.estimate import Calibration, Models
from emulator.track.calibration.parameters import Free
from tests.support.made_up_logs import NOISE, PLAN, demo_parameters, hidden_bike, logs_of

SHARES = {"steering.damping": 0.25, "steering.rake": 0.02, "steering.axis_x": 0.01, "main_frame.ixx": 0.2}


@pytest.mark.slow
def test_rake_and_axis_are_left_open_together_and_the_profile_says_how_far() -> None:
    """Both move the trail: one leg to either side, upright geometry hardly seen."""
    parameters, rng = demo_parameters(SHARES), np.random.default_rng(3)
    models = Models(parameters, NOISE)
    truth = parameters.start + 0.5 * parameters.standard * rng.standard_normal(len(SHARES))
    hidden = hidden_bike(models, truth, rng, 1, (PLAN[0], PLAN[3]))
    problem = Calibration(parameters, logs_of(hidden, 0), NOISE, models=models)
    estimate = problem.estimate()
    (one,) = problem.not_told_apart(estimate)
    assert set(one.members) == {"steering.rake", "steering.axis_x"}
    assert np.prod(list(one.members.values())) < 0.0
    assert one.interval is not None
    low, high = one.interval
    # nearly linear here: 1.96 times what the covariance of the fit alone leaves, little less than the prior
    fitted = problem.fitted()
    along = np.array([one.members.get(name, 0.0) for name in SHARES])
    along /= np.linalg.norm(along)
    covariance = fitted.covariance[: len(SHARES), : len(SHARES)]
    linear = 1.959964 * np.sqrt(
        along @ (covariance / np.outer(parameters.standard, parameters.standard)) @ along
    )
    assert (-low, high) == pytest.approx((linear, linear), rel=0.1)
    assert 0.5 < high / 1.959964 < 1.0
    # with more parameters behind them, the slopes of these are the same
    more = Calibration(parameters.with_held_free((Free("main_frame.mass", 5.0),)), logs_of(hidden, 0), NOISE)
    more.stretches, more.whitening = problem.stretches, problem.whitening
    at = np.insert(fitted.values, len(SHARES), more.start[len(SHARES)])
    known = more.jacobian(at, (len(SHARES), fitted.jacobian))
    anew = more.jacobian(at)
    size = np.abs(anew).max(axis=0)
    np.testing.assert_allclose(known / size, anew / size, rtol=0.0, atol=1e-6)
    # the hidden truth lies in it
    off = along @ ((truth - estimate.values) / parameters.standard)
    assert low < off < high
