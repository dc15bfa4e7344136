"""What the rider works out beforehand: balance gains that hold, turn tables that can be read both ways."""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from emulator.core.errors import StartFailed
from emulator.robot import design as design_module
from emulator.robot.design import (
    SPEEDS,
    balanced,
    design_rider,
    drift_of,
    feedback_at,
    gains_for,
    lateral_of,
    speed_cell,
    turn_for,
    with_shares,
)
from emulator.robot.gears import with_engine_turning
from emulator.robot.linear_loop import FED_BACK, Feedback, SteeringLoop
from emulator.vehicle.equilibrium import NoEquilibrium, steady_motion
from emulator.vehicle.linearise import linearise

BETWEEN = tuple((a + b) / 2 for a, b in itertools.pairwise(SPEEDS))


@pytest.fixture(scope="module")
def design(prepared):
    return prepared.rider.design


@pytest.fixture(scope="module")
def upright(told):
    """Linearisation of the upright bike by speed, and the motion it is of, on the road the rider expects."""
    known = {}

    def at(speed):
        if speed not in known:
            steady = with_engine_turning(
                told.vehicle, steady_motion(told.vehicle, speed, 0.0, grip=told.grip), speed
            )
            known[speed] = linearise(told.vehicle, steady), steady
        return known[speed]

    return at


@pytest.mark.parametrize("speed", sorted(SPEEDS + BETWEEN))
def test_the_gains_hold_the_bike_up_with_the_rigs_delays(design, upright, told, speed):
    worst = balanced(*upright(speed), np.array(gains_for(design, speed, 0.0)), told.timing).real.max()
    assert worst < -0.5, f"{worst:+.2f} 1/s at {speed} m/s"


def test_without_the_gains_the_slow_bike_falls(upright, told):
    # a bike at walking pace capsizes or weaves: Meijaard et al. 2007, doi:10.1098/rspa.2007.1857, section 6
    assert balanced(*upright(4.0), np.zeros(len(FED_BACK)), told.timing).real.max() > 0.5


def test_the_delay_is_part_of_the_check(design, upright, told):
    gains = np.array(gains_for(design, 15.0, 0.0))
    reserve = [
        balanced(*upright(15.0), gains, told.timing._replace(command_s=delay)).real.max()
        for delay in (told.timing.command_s, 0.3)
    ]
    assert reserve[0] < -0.5
    assert reserve[1] > 0.0  # a third of a second is more than a falling bike gives


@pytest.mark.parametrize("degrees", [20.0, 40.0])
@pytest.mark.parametrize("speed", [12.0, 27.0, 45.0])
def test_the_gains_hold_the_leaned_bike_too(told, design, speed, degrees):
    """All deviations, in plane and out, with the loop's delays; the speed is held."""
    steady = None
    for lean in np.radians(np.arange(0.0, degrees + 1.0, 5.0)):
        steady = steady_motion(told.vehicle, speed, float(lean), guess=steady)
    linear = linearise(told.vehicle, steady)

    def slowest(roll_deg):
        gains = np.array(gains_for(design, speed, math.radians(roll_deg)))
        M = SteeringLoop(linear, steady, Feedback(gains), told.timing).matrix()
        kept = M.any(axis=0) | M.any(axis=1)
        return float(np.linalg.eigvals(M[np.ix_(kept, kept)]).real.max())

    assert slowest(degrees) < -0.3
    if (speed, degrees) == (45.0, 40.0):
        assert slowest(0.0) > slowest(degrees)


def test_gains_are_the_tables_at_and_between_its_places_and_alike_to_both_sides(design):
    i, f = speed_cell(design, 13.0)
    upright = (1.0 - f) * design.gains[i, 0] + f * design.gains[i + 1, 0]
    assert np.allclose(gains_for(design, 13.0, 0.0), upright)
    assert np.allclose(gains_for(design, 500.0, math.radians(10.0)), design.gains[-1, 2])
    assert np.allclose(gains_for(design, 1.0, math.radians(-70.0)), design.gains[0, -1])
    assert gains_for(design, 13.0, 0.3) == gains_for(design, 13.0, -0.3)


def test_gains_that_do_not_hold_are_refused(told, monkeypatch):
    monkeypatch.setattr(design_module, "balance_gains", lambda linear: np.zeros(len(FED_BACK)))
    with pytest.raises(StartFailed, match=r"gains leave a mode at \+\d+\.\d+ 1/s at 3\.0 m/s"):
        design_rider(told.vehicle, told.grip, told.timing)


def test_a_rig_whose_samples_come_too_late_is_refused_with_gains_that_hold_on_another(told):
    late = told.timing._replace(rates_s=0.15, estimate_s=0.15)
    with pytest.raises(StartFailed, match=r"gains leave a mode at .+ m/s") as refused:
        design_rider(told.vehicle, told.grip, late)
    assert "latencies" in refused.value.advice


def test_gains_for_speeds_that_are_not_ridden_are_not_checked(told):
    slow = told.timing._replace(command_s=told.timing.command_s + 0.013)
    with pytest.raises(StartFailed, match=r"at (48|62)\.0 m/s"):
        design_rider(told.vehicle, told.grip, slow)
    design_rider(told.vehicle, told.grip, slow, fastest=22.0)


def test_speeds_that_a_slippery_road_can_not_hold_against_the_air_repeat_the_last_one_it_can(told):
    wet = design_rider(told.vehicle, 0.4, told.timing)
    with pytest.raises(NoEquilibrium):
        steady_motion(told.vehicle, float(wet.speeds[-1]), grip=0.4)
    np.testing.assert_array_equal(wet.gains[-1], wet.gains[-2])
    assert (wet.gains[-2] != wet.gains[-3]).any()


def test_shares_are_of_the_designed_gains_each_by_itself(design):
    worse = with_shares(design, (1.0, 1.0, 0.85, 1.0, 0.0))
    assert np.array_equal(worse.gains[..., 2], 0.85 * design.gains[..., 2])
    assert not worse.gains[..., 4].any()
    assert np.array_equal(worse.gains[..., [0, 1, 3]], design.gains[..., [0, 1, 3]])
    assert worse.command is design.command


@pytest.mark.parametrize("roll_deg", [0.0, 17.0, -17.0])
def test_the_linear_feedback_has_the_slopes_of_the_tables(design, roll_deg):
    speed, roll, aside = 21.0, math.radians(roll_deg), 1e-4
    f = feedback_at(design, speed, roll)
    assert np.array_equal(f.gains, gains_for(design, speed, roll))
    low, high = (lateral_of(design, speed, roll + side) for side in (-aside, aside))
    assert f.roll_per_lateral * (high - low) == pytest.approx(2.0 * aside, rel=1e-6)
    (_, steer, torque), (_, steer_after, torque_after) = (turn_for(design, speed, a) for a in (low, high))
    assert f.steer_per_roll * 2.0 * aside == pytest.approx(steer_after - steer, rel=1e-6)
    assert f.command_per_roll * 2.0 * aside == pytest.approx(torque_after - torque, rel=1e-6)
    # a steady turn: yaw rate about the frame's z is that of the heading, leaned
    yaw = [a / speed * math.cos(roll + side) for a, side in ((low, -aside), (high, aside))]
    assert f.yaw_rate_per_roll * 2.0 * aside == pytest.approx(yaw[1] - yaw[0], rel=1e-6)


@given(speed=st.floats(3.0, 62.0), share=st.floats(-0.999, 0.999))
def test_turn_for_and_lateral_of_undo_each_other(design, speed, share):
    lateral = share * abs(lateral_of(design, speed, math.radians(45.0)))
    roll, _, _ = turn_for(design, speed, lateral)
    assert lateral_of(design, speed, roll) == pytest.approx(lateral, abs=1e-9)
    assert roll * lateral <= 0.0  # leans to the inside


@given(speed=st.floats(3.0, 62.0), lateral=st.floats(-8.0, 8.0))
def test_left_and_right_are_mirror_images(design, speed, lateral):
    left, right = turn_for(design, speed, lateral), turn_for(design, speed, -lateral)
    if lateral != 0.0:
        assert left == tuple(-v for v in right)
    roll = left[0]
    assert drift_of(design, speed, -roll) == pytest.approx(-drift_of(design, speed, roll), abs=1e-15)


@pytest.mark.parametrize("speed", [8.5, 20.0, 36.0])
@pytest.mark.parametrize("roll_deg", [10.0, 30.0, 45.0])
def test_a_turn_takes_a_little_more_lean_than_a_knife_edge(design, speed, roll_deg):
    # Balance of moments about the contact line of a rigid body on thin wheels: v^2 kappa = g tan(roll). Wide
    # tyres move the contact to the inside, so that the same lean balances less: common practice, no source.
    lateral = lateral_of(design, speed, -math.radians(roll_deg))
    assert 0.75 < lateral / (9.81 * math.tan(math.radians(roll_deg))) < 1.0


def test_tables_are_held_beyond_their_edges(design):
    assert turn_for(design, 80.0, 3.0) == turn_for(design, 62.0, 3.0)
    assert turn_for(design, 1.0, 1.0) == turn_for(design, 3.0, 1.0)
    most = turn_for(design, 30.0, 1000.0)
    assert most == turn_for(design, 30.0, 2000.0)
    assert -most[0] <= design.rolls[-1]


def test_rolling_factors_are_near_one(design):
    # loaded radius below the nominal one by the tyre's deflection, some per cent: common practice, no source
    assert np.all((design.rolling > 0.93) & (design.rolling < 1.0))
