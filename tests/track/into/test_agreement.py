"""Signals that know of each other, made to agree; then one of them is wrong, or a wheel slides."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from emulator.track.into.agreement import Agreement, agreements, wrong_gain
from emulator.track.into.mounting import GRAVITY_m_s2

STEP_s = 0.05
Values = NDArray[np.float64]


def weaving(seconds: float = 40.0, turn_rate: float = 0.3) -> dict[str, Values]:
    """Left and right at 20 m/s: lean as the turn asks, rates of a frame that leans, both wheels alike."""
    t = np.arange(round(seconds / STEP_s)) * STEP_s
    yaw = turn_rate * np.sin(0.8 * t)
    speed = 20.0 + 3.0 * np.sin(0.3 * t)
    lean = -np.arctan(speed * yaw / GRAVITY_m_s2)
    return {
        "output.wheel_front_m_s": speed,
        "output.wheel_rear_m_s": 1.01 * speed,
        "output.lean_rad": lean,
        "output.rate_y_rad_s": yaw * np.sin(lean),
        "output.rate_z_rad_s": yaw * np.cos(lean),
    }


def told(log: dict[str, Values]) -> dict[str, Agreement]:
    return {one.signal: one for one in agreements(log.get, STEP_s)}


def locked(log: dict[str, Values], first_s: float, last_s: float) -> dict[str, Values]:
    """The same, with a front wheel that stands for a while."""
    front = log["output.wheel_front_m_s"].copy()
    front[round(first_s / STEP_s) : round(last_s / STEP_s)] = 0.0
    return {**log, "output.wheel_front_m_s": front}


def test_what_was_made_to_agree_agrees():
    found = told(weaving())
    assert {name: one.holds for name, one in found.items()} == {
        "output.wheel_rear_m_s": True,
        "output.lean_rad": True,
    }


def test_a_wheel_that_locks_accuses_neither_speed_nor_lean():
    """Its speed is not the bike's meanwhile. The rest is found as in the ride without such a stretch."""
    log = weaving()
    found, whole = told(locked(log, 12.0, 18.0)), told(log)
    for name in ("output.wheel_rear_m_s", "output.lean_rad"):
        assert found[name].holds is True
        assert found[name].gain == pytest.approx(whole[name].gain, rel=0.01)


@pytest.mark.parametrize("factor", [1.0, np.pi / 180.0])
def test_a_noisy_lean_of_a_steady_ride_accuses_no_rate_but_a_wrong_unit(factor):
    """Noise of the lean lowers the gain of the rate over its slope; the rate is right all the same."""
    rng = np.random.default_rng(1)
    t = np.arange(2000) * STEP_s
    lean = 0.02 * np.sin(2.0 * t)
    log = {
        "output.lean_rad": lean + 0.011 * rng.standard_normal(len(t)),
        "output.rate_x_rad_s": factor * 0.04 * np.cos(2.0 * t),
    }
    (found,) = agreements(log.get, STEP_s)
    assert found.holds is (None if factor == 1.0 else False)
    if factor == 1.0:
        assert "noise" in found.words


@pytest.mark.parametrize(("factor", "unit"), [(3.6, "km/h"), (1.0 / 3.6, "m/s")])
def test_a_wheel_in_another_unit_is_no_slide(factor, unit):
    log = weaving()
    log["output.wheel_rear_m_s"] *= factor
    found = told(log)["output.wheel_rear_m_s"]
    assert found.holds is False
    assert unit in found.words


def test_a_lean_of_another_sign_is_told():
    log = weaving()
    log["output.lean_rad"] *= -1.0
    assert told(log)["output.lean_rad"].holds is False
    assert "the lean" in told(log)["output.lean_rad"].on


def test_a_gain_is_told_of_either_side_and_by_the_signals_own_units():
    """A lean of half is no mph, a wheel of 0.28 may be the other one's km/h."""
    assert wrong_gain("output.lean_rad", 0.53) == "0.53 of it instead of 1"
    assert wrong_gain("output.gnss_speed_m_s", 0.278).endswith(
        "m/s taken for km/h, or what it is compared with km/h taken for m/s?"
    )
    assert "degrees taken for radians" in wrong_gain("output.rate_y_rad_s", 55.0)
    assert wrong_gain("output.rate_y_rad_s", -1.0).endswith("is the wrong way round")


def test_what_moves_and_goes_its_own_way_is_not_only_untold():
    log = weaving()
    log["output.rate_x_rad_s"] = log["output.rate_y_rad_s"]
    assert told(log)["output.rate_x_rad_s"].apart
    quiet = weaving(turn_rate=0.004)
    quiet["output.rate_x_rad_s"] = quiet["output.rate_y_rad_s"]
    assert not told(quiet)["output.rate_x_rad_s"].apart


def test_straight_on_lean_is_balance_and_tells_nothing():
    """A lean of half a degree that leads the turn by a quarter of its period is no wrong sign of either."""
    log = weaving(turn_rate=0.004)
    log["output.lean_rad"] = -2.0 * log["output.lean_rad"]
    assert told(log)["output.lean_rad"].holds is None


@pytest.mark.parametrize("seconds", [0.3, 1.0, 1.9, 2.1])
def test_a_short_log_is_no_less_looked_at(seconds):
    """Shorter than the time around a fall or a slide that is left out."""
    for log in (weaving(seconds), locked(weaving(seconds), 0.1, 0.2)):
        assert {one.signal for one in agreements(log.get, STEP_s)} == {
            "output.wheel_rear_m_s",
            "output.lean_rad",
        }
