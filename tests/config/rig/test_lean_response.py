"""The lean sensor's transfer on the linearised bike, against its closed form."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from emulator.config.rig.lean_response import Response, lag_s, lean_response, smoothed
from emulator.config.rig.sensors import ComputedLean, LeanSensor
from emulator.core.constants import GRAVITY
from emulator.vehicle.equilibrium import steady_motion
from emulator.vehicle.linearise import D_OMEGA, D_VELOCITY, N_DEVIATIONS, ROLL, Linear, linearise
from emulator.vehicle.params import Vehicle
from emulator.vehicle.state import FRONT, FRONT_WHEEL, JOINT_RATE, VELOCITY
from tests.support.machines import demo

PLACE = (0.55, 0.0, 0.62)


@pytest.fixture(scope="module")
def bike() -> Vehicle:
    return demo()


def sensor(time_s: float = 3.0, place: tuple[float, float, float] = PLACE, **own: object) -> LeanSensor:
    computed = ComputedLean(position_m=place, reference_time_constant_ms=1e3 * time_s, **own)  # type: ignore[arg-type]
    return LeanSensor(computed=computed)


def response_at(bike: Vehicle, given: LeanSensor, speed: float, roll: float = 0.0) -> Response:
    steady = steady_motion(bike, speed, roll)
    return lean_response(given, bike, steady, linearise(bike, steady))


def by_torque(linear: Linear, s: complex) -> NDArray[np.complex128]:
    """(23,) deviation a sinusoidal steering torque makes."""
    return np.asarray(np.linalg.solve(s * np.eye(N_DEVIATIONS) - linear.A, linear.B[:, 0]))


@pytest.mark.parametrize("speed", [11.0, 25.0])
@pytest.mark.parametrize("time_s", [1.5, 3.0, 10.0])
@pytest.mark.parametrize("hertz", [0.15, 0.5, 2.0])
def test_it_is_the_closed_form_with_the_bikes_own_side_speed(
    bike: Vehicle, speed: float, time_s: float, hertz: float
) -> None:
    """The sensor's side speed u, yaw and roll rate from the state alone; lean + u' / g and what the speed it
    is told is off, drawn in over T. Run in ticks of 1 ms the reference is half a tick early, the rate low by
    half a tick over T.
    """
    x, _, z = PLACE
    steady = steady_motion(bike, speed)
    linear, s = linearise(bike, steady), 2j * math.pi * hertz
    found = by_torque(linear, s)
    p, r, v = found[D_OMEGA], found[D_OMEGA + 2], found[D_VELOCITY + 1]
    ahead, _, up = steady.x[VELOCITY : VELOCITY + 3]
    told = float(steady.x[JOINT_RATE + FRONT_WHEEL]) * float(bike.tyre[FRONT]["radius"])
    side = v + x * r - z * p
    reference = found[ROLL] + (s * side + (ahead - told) * r - up * p) / GRAVITY
    half = 0.5e-3
    drawn = p * math.exp(-half / time_s) + reference * np.exp(s * half) / time_s
    expected = drawn / (s + 1.0 / time_s) / found[ROLL]
    given = complex(response_at(bike, sensor(time_s), speed)(s))
    assert given == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize("time_s", [1.5, 3.0, 10.0])
def test_higher_up_its_own_roll_acceleration_is_more_by_the_height(bike: Vehicle, time_s: float) -> None:
    """Whatever bike and tyres do, it is z w^2 / g / (1 + j w T) of the difference in height."""
    high, low = (response_at(bike, sensor(time_s, (0.3, 0.0, z)), 40.0) for z in (0.9, 0.3))
    for hertz in (0.2, 1.0):
        w = 2.0 * math.pi * hertz
        apart = complex(high(1j * w)) - complex(low(1j * w))
        assert apart == pytest.approx(0.6 * w * w / GRAVITY / (1.0 + 1j * w * time_s), rel=5e-3)


def test_a_sensor_on_the_ground_at_the_rear_contact_follows_the_roll(bike: Vehicle) -> None:
    """What is left is the rear tyre's slip, a lead, and a speed told by the nominal radius."""
    for hertz in (0.2, 1.0):
        given = complex(response_at(bike, sensor(3.0, (0.0, 0.0, 0.0)), 30.0)(2j * math.pi * hertz))
        assert given == pytest.approx(1.0, abs=0.04)


def test_mounting_and_a_leaned_motion_are_in_it(bike: Vehicle) -> None:
    """Each moves the lag; turned about z by 0.1 a roll rate shows as 0.995 of itself."""
    plain = response_at(bike, sensor(), 20.0)
    turned = response_at(bike, sensor(mounting_rad=(0.0, 0.0, 0.1)), 20.0)
    leaned = response_at(bike, sensor(crown_radius_m=0.055), 20.0, 0.6)
    quick = 2j * math.pi * 5.0
    assert abs(complex(turned(quick))) / abs(complex(plain(quick))) == pytest.approx(0.995, abs=0.01)
    assert abs(lag_s(turned, 0.3) - lag_s(plain, 0.3)) > 1e-4
    assert abs(lag_s(leaned, 0.3) - lag_s(plain, 0.3)) > 1e-4


def test_any_shape_of_frequencies_is_answered_as_one_by_one(bike: Vehicle) -> None:
    given = response_at(bike, LeanSensor(time_constant_ms=20.0, computed=sensor().computed), 20.0)
    s = 2j * math.pi * np.array([[0.2, 0.5, 1.0], [2.0, 5.0, 9.0]])
    np.testing.assert_allclose(given(s), [[complex(given(v)) for v in row] for row in s], rtol=1e-12)


def test_a_sensor_shown_the_true_roll_has_its_first_order_lag_only(bike: Vehicle) -> None:
    plain = LeanSensor(time_constant_ms=20.0)
    given = response_at(bike, plain, 20.0)
    s = 2j * math.pi * 3.0
    assert complex(given(s)) == complex(smoothed(plain, s))
    assert lag_s(given, 0.1) == pytest.approx(0.0195, abs=1e-4)
    assert complex(response_at(bike, LeanSensor(), 20.0)(s)) == pytest.approx(1.0, abs=1e-12)
