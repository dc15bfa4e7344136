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
    FED_BACK,
    LOOP_DELAY,
    SPEEDS,
    closed_loop,
    design_rider,
    drift_of,
    gains_for,
    lateral_of,
    speed_cell,
    turn_for,
)
from emulator.vehicle.equilibrium import steady_motion
from emulator.vehicle.linearise import N_DEVIATIONS, linearise

BETWEEN = tuple((a + b) / 2 for a, b in itertools.pairwise(SPEEDS))


@pytest.fixture(scope="module")
def design(prepared):
    return prepared.rider.design


@pytest.fixture(scope="module")
def upright(told):
    """Linearisation of the upright bike by speed, on the road the rider expects."""
    known = {}

    def at(speed):
        if speed not in known:
            known[speed] = linearise(told.vehicle, steady_motion(told.vehicle, speed, 0.0, grip=told.grip))
        return known[speed]

    return at


@pytest.mark.parametrize("speed", sorted(SPEEDS + BETWEEN))
def test_the_gains_hold_the_bike_up_with_the_loops_delay(design, upright, speed):
    worst = closed_loop(upright(speed), np.array(gains_for(design, speed, 0.0))).real.max()
    assert worst < -0.5, f"{worst:+.2f} 1/s at {speed} m/s"


def test_without_the_gains_the_slow_bike_falls(upright):
    # a bike at walking pace capsizes or weaves: Meijaard et al. 2007, doi:10.1098/rspa.2007.1857, section 6
    assert closed_loop(upright(4.0), np.zeros(len(FED_BACK))).real.max() > 0.5


def test_the_delay_is_part_of_the_check(design, upright):
    reserve = [
        closed_loop(upright(15.0), np.array(gains_for(design, 15.0, 0.0)), delay=d).real.max()
        for d in (LOOP_DELAY, 0.3)
    ]
    assert reserve[0] < -0.5
    assert reserve[1] > 0.0  # a third of a second is more than a falling bike gives


@pytest.mark.parametrize("degrees", [20.0, 40.0])
@pytest.mark.parametrize("speed", [12.0, 27.0, 45.0])
def test_the_gains_hold_the_leaned_bike_too(told, design, speed, degrees):
    """All deviations, in plane and out, with the loop's delay: nothing grows but the speed's slow root."""
    steady = None
    for lean in np.radians(np.arange(0.0, degrees + 1.0, 5.0)):
        steady = steady_motion(told.vehicle, speed, float(lean), guess=steady)
    linear = linearise(told.vehicle, steady)
    gains = np.array(gains_for(design, speed, math.radians(degrees)))
    roots = closed_loop(linear, gains, states=tuple(range(N_DEVIATIONS)))
    assert roots.real.max() < 0.02
    assert roots[np.abs(roots) > 0.5].real.max() < -0.3
    upright = closed_loop(linear, np.array(gains_for(design, speed, 0.0)), states=tuple(range(N_DEVIATIONS)))
    if (speed, degrees) == (45.0, 40.0):
        assert upright[np.abs(upright) > 0.5].real.max() > roots[np.abs(roots) > 0.5].real.max()


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
        design_rider(told.vehicle, told.grip)


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
