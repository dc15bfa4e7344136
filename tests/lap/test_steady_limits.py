"""The table of what the plant can do: what it holds is what is looked up, and the roll rate is the
plant's."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from emulator.core.constants import GRAVITY
from emulator.lap.steady_limits import (
    SPEEDS,
    GripLimits,
    SteadyLimits,
    blank_limits,
    cell,
    drag_of,
    drive_of,
    ends_of,
    lateral_limit,
    lean_of,
    limits_on,
    roll_rates,
    steady_limits,
)
from emulator.vehicle.equilibrium import NoEquilibrium, steady_motion
from emulator.vehicle.state import JOINT_RATE, REAR_WHEEL, U_DRIVE_TORQUE
from emulator.vehicle.whole.mass_properties import total_mass
from tests.support.machines import demo


@cache
def of(grip: float) -> GripLimits:
    return limits_on(demo(), grip)


@cache
def both() -> SteadyLimits:
    return steady_limits([(0.5, of(0.5)), (1.0, of(1.0))])


def test_cells_of_a_rising_grid() -> None:
    grid = np.array([1.0, 2.0, 4.0])
    assert [cell(grid, v) for v in (0.0, 1.0, 1.5, 2.0, 3.0, 4.0, 9.0)] == [
        (0, 0.0),
        (0, 0.0),
        (0, 0.5),
        (1, 0.0),
        (1, 0.5),
        (1, 1.0),
        (1, 1.0),
    ]
    assert cell(np.array([3.0]), 7.0) == (0, 0.0)


@pytest.mark.parametrize("grip", [0.5, 1.0])
@pytest.mark.parametrize("row", [0, 4, 9])
def test_at_its_own_places_the_table_says_what_was_put_in(grip: float, row: int) -> None:
    limits, speed = of(grip), SPEEDS[row]
    least, most = ends_of(both(), grip, speed)
    assert (least, most) == pytest.approx(tuple(limits.ends[row, :2]))
    for k, angle in enumerate(limits.angles):
        f = least + (most - least) * 0.5 * (1.0 - math.cos(angle))
        assert lateral_limit(both(), grip, speed, f) == pytest.approx(limits.lateral[row, k], rel=1e-9)
    assert lateral_limit(both(), grip, speed, most + 1e-6) < 0.0
    assert lateral_limit(both(), grip, speed, least - 1e-6) < 0.0
    assert math.isnan(lateral_limit(both(), grip, speed, math.nan)) or (
        lateral_limit(both(), grip, speed, math.nan) < 0.0
    )


@given(st.floats(1.0, 120.0), st.floats(0.4, 1.1), st.floats(0.01, 0.99))
def test_between_its_places_it_stays_between_its_numbers(speed: float, grip: float, part: float) -> None:
    least, most = ends_of(both(), grip, speed)
    found = lateral_limit(both(), grip, speed, least + part * (most - least))
    shape = both().ellipse * math.sin(math.acos(1.0 - 2.0 * part))
    assert shape.min() - 1e-9 <= found <= shape.max() + 1e-9


def test_the_limits_are_all_of_the_friction_less_what_slip_costs() -> None:
    """Across some per cent less than the tyres' 1.4 is had, and never more; along the greatest of the brush
    model
    with two coefficients, of friction 1.34 and stiffness 22 on both tyres."""
    low = of(0.5)
    greatest = low.lateral[:8].max(axis=1)
    assert (greatest < 1.4 * 0.5 * 1.02).all()
    assert (greatest[2:6] > 1.4 * 0.5 * 0.85).all()
    lift = 0.5 * 1.2 * 0.06 * np.array(SPEEDS) ** 2 / (total_mass(demo()) * GRAVITY)
    slip = np.linspace(0.001, 0.5, 2000)
    theta = np.minimum(1.0, 22.0 * slip / (3.0 * 0.67))
    r = 0.7 + 0.3 * np.exp(-np.outer(SPEEDS, slip) / 12.0)
    peak = 0.67 * (3.0 * theta * (1.0 - theta) ** 2 + r * (3.0 * theta**2 - 2.0 * theta**3)).max(axis=1)
    # both brakes, both tyres: that of what presses; rolling resistance beside it
    np.testing.assert_allclose(-low.ends[:, 0], peak * (1.0 - lift), rtol=0.03)


def test_lean_is_that_of_steady_turns_and_odd() -> None:
    for speed, roll in ((12.0, 0.5), (36.0, 0.8)):
        steady = None
        for part in np.linspace(0.1, 1.0, 10):
            steady = steady_motion(demo(), speed, roll * float(part), grip=1.3, guess=steady)
        assert steady is not None
        path = speed / math.cos(steady.drift)
        lateral = path * abs(steady.yaw_rate) / GRAVITY
        assert lean_of(both(), path, lateral) == pytest.approx(roll, abs=0.006)
        assert lean_of(both(), path, -lateral) == -lean_of(both(), path, lateral)
    assert lean_of(both(), 30.0, 0.0) == 0.0


def test_torque_and_rate_of_the_rear_wheel_are_those_of_the_plant() -> None:
    for speed, a in ((30.0, 0.0), (30.0, 4.0), (55.0, 2.0)):
        steady = steady_motion(demo(), speed, acceleration=a, guess=steady_motion(demo(), speed))
        f = (a + drag_of(demo()) * speed**2) / GRAVITY
        torque, growth, turns = drive_of(both(), speed, f)
        assert torque == pytest.approx(steady.u[U_DRIVE_TORQUE], rel=0.01, abs=3.0)
        assert turns * speed == pytest.approx(steady.x[JOINT_RATE + REAR_WHEEL], rel=2e-3)
        assert growth == pytest.approx(total_mass(demo()) * GRAVITY * 0.31, rel=0.12)


@pytest.mark.parametrize("speed", [12.0, 25.0, 45.0])
def test_the_roll_rate_is_that_of_the_torque(speed: float) -> None:
    """Turning the front wheel's spin takes most of it: I w cos(rake) for each rad/s of roll."""
    (rate,) = roll_rates(demo(), 100.0, np.array([speed]))
    front = demo().body[0]["front_wheel_spin_inertia"] * speed / 0.29
    alone = 100.0 / (front * math.cos(demo().body[0]["steering_rake"]))
    assert 0.5 * alone < rate < 1.5 * alone
    (twice,) = roll_rates(demo(), 200.0, np.array([speed]))
    assert twice == pytest.approx(2.0 * rate)


def test_a_vehicle_that_never_turns_has_no_limits() -> None:
    with pytest.raises(NoEquilibrium):
        limits_on(demo(fork__design_force=math.nan), 1.0, speeds=(20.0,), n_angles=3)


def test_blank_limits_have_the_shapes_of_real_ones() -> None:
    for blank, real in zip(blank_limits(), both(), strict=True):
        assert blank.ndim == real.ndim
        assert blank.dtype == real.dtype
