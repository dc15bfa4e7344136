from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from emulator.track.into.clocks import NotTold
from emulator.track.into.mounting import Mounting, find_mounting
from tests.support.track_log import Planted, logged, made_up_ride

REPEATS = 100
LEAST_INSIDE = 88
"""Of 100 draws of a binomial of 95 %: fewer come with a chance of 0.2 % (its distribution, computed)."""
BIAS = 0.2
"""Half width of the interval that force biases are drawn from [m/s2]."""


def found(log: dict[str, np.ndarray], **more: float) -> Mounting:
    force, rate = (np.column_stack([log[f"{of}{axis}"] for axis in "xyz"]) for of in "fw")
    # five samples to a row of 20 Hz
    rows = len(force) // 5 * 5
    force, rate, speed = (
        v[:rows].reshape(-1, 5, *v.shape[1:]).mean(axis=1) for v in (force, rate, log["front"])
    )
    return find_mounting(0.05, force, rate, speed, **more)


@pytest.mark.parametrize("planted", [(3.0, -2.0, 3.0), (5.0, 20.0, -10.0)])
def test_planted_angles_are_found_within_their_intervals(planted: tuple[float, float, float]) -> None:
    inside = np.zeros((2, 3), int)
    halves, off = [], []
    for seed in range(REPEATS):
        rng = np.random.default_rng(seed)
        log = logged(made_up_ride(rng), rng, Planted(mounting_deg=planted))
        mounting = found(log, bias_m_s2=0.0)
        off.append(np.subtract(mounting.angles_deg, planted))
        inside[0] += np.abs(off[-1]) <= mounting.half_deg
        halves.append(mounting.half_deg)
        turn = Rotation.from_euler("ZYX", planted[::-1], degrees=True).as_matrix()
        np.testing.assert_allclose(mounting.turn, turn, atol=0.01)
        for axis in "xyz":
            log[f"f{axis}"] = log[f"f{axis}"] + rng.normal() * BIAS / 1.96
        mounting = found(log, bias_m_s2=BIAS)
        inside[1] += np.abs(np.subtract(mounting.angles_deg, planted)) <= mounting.half_deg
    assert inside.min() >= LEAST_INSIDE
    # an interval that says nothing would hold everything: noise of 0.3 m/s2 in the 500 samples of 5 s of
    # standstill makes 0.3 / sqrt(500) / 9.81 rad = 0.08 degrees, 1.96 times that is 0.15
    assert np.median(halves, axis=0).max() < 0.2
    # of 100 draws the mean is off by 0.1 of the spread; what is more leans one way
    assert (np.abs(np.mean(off, axis=0)) < 0.3 * np.std(off, axis=0)).all()


def test_a_bike_on_its_stand_may_lean() -> None:
    rng = np.random.default_rng(3)
    ride = made_up_ride(rng)
    stands = np.arange(len(ride.time_s)) < 400
    ride.lean[stands] = -0.2
    log = logged(ride, rng)
    log["fx"], log["front"] = log["fx"].copy(), log["front"].copy()
    mounting = found(log, lean_rad=0.0)
    assert mounting.angles_deg[0] < -1.0  # part of the standstill leaned and was not told
    ride = made_up_ride(np.random.default_rng(3))
    ride.lean[ride.speed < 0.3] = -0.2
    mounting = found(logged(ride, rng), lean_rad=-0.2)
    assert np.abs(mounting.angles_deg).max() < 0.5


@pytest.mark.parametrize(
    ("columns", "said"),
    [
        ({"fx": "fy", "fy": "fx", "wx": "wy", "wy": "wx"}, "y points forward"),
        ({"fx": "-fx", "wx": "-wx"}, "-x points forward"),
        ({"fz": "-fz", "wz": "-wz"}, "-z points up"),
    ],
)
def test_axes_that_are_taken_for_others_are_refused(columns: dict[str, str], said: str) -> None:
    rng = np.random.default_rng(4)
    log = logged(made_up_ride(rng), rng)
    sources = {name: -log[of[1:]] if of.startswith("-") else log[of] for name, of in columns.items()}
    with pytest.raises(NotTold, match=said):
        found(log | sources)


def test_a_force_in_g_is_refused() -> None:
    rng = np.random.default_rng(4)
    log = logged(made_up_ride(rng), rng)
    with pytest.raises(NotTold, match="logged in g"):
        found(log | {f"f{axis}": log[f"f{axis}"] / 9.80665 for axis in "xyz"})


def test_without_standstill_nothing_is_told() -> None:
    rng = np.random.default_rng(4)
    log = logged(made_up_ride(rng), rng)
    with pytest.raises(NotTold, match="the bike stands for"):
        found(log | {"front": log["front"] + 1.0})
