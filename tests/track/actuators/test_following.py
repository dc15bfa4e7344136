"""The actuator that is fitted is the loop's own."""

from __future__ import annotations

import numpy as np
import pytest

from emulator.events.actuator_faults import FREE_PLAY, actuators, apply_fault, intact, move
from emulator.events.table import event_table
from emulator.track.actuators.following import Actuator, delivered
from tests.support.bench_logs import LIMIT_Nm, asked_of_it


def test_a_lag_alone_is_the_exponential_of_its_time_constant() -> None:
    """A step is met to 1 - exp(-t / T); the loop's tick n has gone through n + 1 steps of it."""
    out = delivered(Actuator(0.02), np.concatenate([np.zeros(10), np.full(200, 5.0)]), -LIMIT_Nm, LIMIT_Nm)
    n = np.arange(1, 201)
    assert out[10:] == pytest.approx(5.0 * (1.0 - np.exp(-n / 20.0)), abs=1e-12)
    assert np.all(out[:10] == 0.0)


def test_a_delay_is_a_command_that_comes_later() -> None:
    asked = asked_of_it(np.random.default_rng(3), 2.0)
    now, later = (delivered(Actuator(0.01, delay=d), asked, -LIMIT_Nm, LIMIT_Nm) for d in (0.0, 0.007))
    assert np.allclose(later[200:], now[193:-7], atol=1e-6)
    between = delivered(Actuator(0.0, delay=0.0075), asked, -LIMIT_Nm, LIMIT_Nm)
    assert np.allclose(between[20:], 0.5 * (asked[13:-7] + asked[12:-8]), atol=1e-12)


def test_free_play_of_its_own_is_what_the_fault_makes() -> None:
    asked = asked_of_it(np.random.default_rng(5), 2.0)
    fault = event_table(1)[0]
    fault["effect"], fault["value"] = FREE_PLAY, 1.5
    by_fault, own = actuators()[0], actuators({"steering": 1.5})[0]
    for value in asked:
        intact(by_fault)
        apply_fault(by_fault, fault, 1.0)
        intact(own)
        args = (float(value), 0.1, 0.05, -LIMIT_Nm, LIMIT_Nm)
        assert move(by_fault, *args) == move(own, *args)
    assert own["played"] != asked[-1]
