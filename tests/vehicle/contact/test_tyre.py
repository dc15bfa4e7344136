"""One wheel on the road against the closed forms of its model."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from emulator.core.axes import rotation_about_xz
from emulator.vehicle.contact.tyre import contact, loop_energy
from emulator.vehicle.state import (
    FRONT,
    REAR,
    T_CAP_X,
    T_CAP_Y,
    T_FRICTION_USE,
    T_FX,
    T_FY,
    T_LOAD,
    T_ROLL_SPEED,
    T_SLIDING,
    T_SLIP_ANGLE,
    T_SLIP_RATIO,
    T_X,
    T_Y,
    T_Z,
    scratch,
)
from tests.support.machines import demo

Array = NDArray[np.float64]

RECORD = demo().tyre
LOAD = 900.0
CONSTANT = {"tread_sliding_friction": 1.0, "tread_friction_per_load": 0.0}


class Wheel:
    """A wheel whose axle leans by ``roll`` [rad], moving as asked, pressed on flat ground with LOAD [N].

    Its friction is constant unless asked otherwise.
    """

    def __init__(self, which: int = FRONT, roll: float = 0.0, load: float = LOAD, **changes: float) -> None:
        self.tyre = RECORD.copy()[which : which + 1]
        for name, value in (CONSTANT | changes).items():
            self.tyre[0][name] = value
        self.p = self.tyre[0]
        self.which, self.body = which, 2 if which == REAR else 6
        self.warmth = self.warming = 0.0  # [K] over the best temperature, [K/s]
        self.s = scratch()[0]
        # The main frame leans; the wheel is fixed to it, its centre at the frame's origin.
        self.R = np.array(rotation_about_xz(1.0, 0.0, roll)).reshape(3, 3)
        self.s["R"] = self.R.ravel()
        self.s["axle"][which] = (0.0, 1.0, 0.0)
        ring, crown = float(self.p["radius"] - self.p["crown_radius"]), float(self.p["crown_radius"])
        depth = load / float(self.p["vertical_stiffness"])
        self.height = ring * math.cos(roll) + crown - depth
        self.loaded = ring + (crown - depth) * math.cos(roll)  # centre to contact, in the wheel's plane
        share = float(self.p["rolling_radius_share"])
        self.arm = ring + (crown - share * depth) * math.cos(roll)  # what it rolls on

    def move(self, vx: float, vy: float, vz: float, spin: float) -> None:
        """Velocity of the wheel's centre in W [m/s], its carrier not turning, and wheel rate [rad/s]."""
        self.spin = spin
        self.s["V"][:3, self.body] = (0.0, spin, 0.0)
        self.s["V"][3:, self.body] = self.R.T @ [vx, vy, vz]

    def act(self, zx: float, zy: float, grip: float = 1.0) -> tuple[tuple[float, float], NDArray[np.float64]]:
        self.s["wrench"][:] = 0.0
        up = self.R[2]
        rates = contact(
            self.p, self.which, self.body, *up, self.height, self.spin, zx, zy, self.warmth, grip, self.s
        )
        self.warming = rates[2]
        return rates[:2], self.s["tyre"][self.which]

    def settle(self, grip: float = 1.0) -> NDArray[np.float64]:
        """Row of ``s.tyre`` with deflections that no longer change: their rates are linear in them."""
        (ax, ay), _ = self.act(0.0, 0.0, grip)
        (bx, by), _ = self.act(1e-3, 1e-3, grip)
        _rates, row = self.act(-ax * 1e-3 / (bx - ax), -ay * 1e-3 / (by - ay), grip)
        return row


@pytest.mark.parametrize("which", [REAR, FRONT])
def test_no_force_in_the_air(which: int) -> None:
    wheel = Wheel(which, 0.3)
    wheel.height += 0.2
    wheel.move(20.0, 1.0, -1.0, 60.0)
    rates, row = wheel.act(0.01, -0.02)
    assert row[T_LOAD] == row[T_FX] == row[T_FY] == 0.0
    assert not wheel.s["wrench"].any()
    assert rates[0] < 0.0 < rates[1]


@pytest.mark.parametrize("roll", [0.0, 0.5, -0.9])
def test_load_is_the_springs_and_the_dampers_and_never_pulls(roll: float) -> None:
    wheel = Wheel(roll=roll)
    wheel.move(0.0, 0.0, 0.0, 0.0)
    assert wheel.act(0.0, 0.0)[1][T_LOAD] == pytest.approx(LOAD, rel=1e-9)
    wheel.move(0.0, 0.0, -0.5, 0.0)
    damping = float(wheel.p["vertical_damping"])
    assert wheel.act(0.0, 0.0)[1][T_LOAD] == pytest.approx(LOAD + 0.5 * damping, rel=1e-9)
    wheel.move(0.0, 0.0, 2.0 * LOAD / damping, 0.0)
    assert wheel.act(0.0, 0.0)[1][T_LOAD] == 0.0


@settings(max_examples=300)
@given(
    which=st.sampled_from([REAR, FRONT]),
    roll=st.floats(-1.1, 1.1),
    velocity=st.tuples(st.floats(-60, 60), st.floats(-10, 10), st.floats(-1, 1)),
    spin=st.floats(-250, 250),
    z=st.tuples(st.floats(-0.2, 0.2), st.floats(-0.2, 0.2)),
    grip=st.floats(0.05, 1.5),
    left=st.sampled_from([1.0, 0.6]),
)
def test_friction_ellipse_is_never_left(
    which: int,
    roll: float,
    velocity: tuple[float, float, float],
    spin: float,
    z: tuple[float, float],
    grip: float,
    left: float,
) -> None:
    wheel = Wheel(which, roll, tread_sliding_friction=left, tread_sliding_speed=5.0)
    wheel.move(*velocity, spin)
    _rates, row = wheel.act(*z, grip)
    limit = grip * row[T_LOAD]
    use = math.hypot(
        row[T_FX] / (limit * float(wheel.p["friction_x"]) + 1e-12),
        row[T_FY] / (limit * float(wheel.p["friction_y"]) + 1e-12),
    )
    assert use <= 1.0 + 1e-9
    if row[T_LOAD] > 0.0:
        told = float(row[T_FRICTION_USE])
        assert (
            told == pytest.approx(use, abs=1e-6) if left == 1.0 else left * told - 1e-6 <= use <= told + 1e-6
        )


@pytest.mark.parametrize("which", [REAR, FRONT])
def test_small_slip_meets_the_stiffness(which: int) -> None:
    # The brush cubic falls short of the straight line by a third of the demand: friction keeps that small.
    slip, speed = 1e-4, 20.0
    wheel = Wheel(which, friction_x=1e4, friction_y=1e4)
    wheel.move(speed, -slip * speed, 0.0, speed / wheel.arm)
    row = wheel.settle()
    assert row[T_FY] == pytest.approx(float(wheel.p["cornering_per_load"]) * LOAD * slip, rel=1e-5)
    assert row[T_SLIP_ANGLE] == pytest.approx(slip, rel=1e-6)
    wheel.move(speed, 0.0, 0.0, speed * (1.0 + slip) / wheel.arm)
    row = wheel.settle()
    # Slip is taken over the rolling speed, here (1 + slip) of the speed.
    expected = float(wheel.p["slip_stiffness_per_load"]) * LOAD * slip / (1.0 + slip)
    assert row[T_FX] == pytest.approx(expected, rel=1e-5)
    assert row[T_SLIP_RATIO] == pytest.approx(slip / (1.0 + slip), rel=1e-6)


@pytest.mark.parametrize("slip", [0.02, 0.05, 0.1, 0.3])
def test_force_and_trail_follow_the_brush_model(slip: float) -> None:
    """Brush model, parabolic pressure: H. B. Pacejka, Tyre and Vehicle Dynamics, chapter 3 (from memory).

    With t = C tan(alpha) / (3 mu N): F = mu N (3 t - 3 t^2 + t^3) and
    trail = trail_0 (1 - t)^3 / (1 - t + t^2/3); full sliding from t = 1 on.
    """
    speed = 20.0
    wheel = Wheel(carcass_damping=0.0)
    wheel.move(speed, -slip * speed, 0.0, speed / wheel.arm)
    row = wheel.settle()
    mu = float(wheel.p["friction_y"])
    t = min(1.0, float(wheel.p["cornering_per_load"]) * slip / (3.0 * mu))
    force = mu * LOAD * (3.0 * t - 3.0 * t**2 + t**3)
    assert row[T_FY] == pytest.approx(force, rel=1e-9)
    trail = float(wheel.p["pneumatic_trail"]) * (1.0 - t) ** 3 / (1.0 - t + t * t / 3.0)
    assert wheel.s["wrench"][6, 2] == pytest.approx(-force * trail, rel=1e-9, abs=1e-12)


def brush(theta: float, r: float) -> tuple[float, float]:
    """Force over mu N and moment over 3 t_0 mu N of the brush model that sticks with mu and rubs with r mu.

    Integrated numerically over a contact of length 1: shear 6 theta xi as long as it sticks, up to
    xi = 1 - theta, behind that r times the parabola of pressure 6 xi (1 - xi); t_0 is a sixth of the length.
    """
    xi = (np.arange(200_000) + 0.5) / 200_000
    shear = np.where(xi < 1.0 - theta, 6.0 * theta * xi, r * 6.0 * xi * (1.0 - xi))
    return float(shear.mean()), float((shear * (xi - 0.5)).mean() / (3.0 / 6.0))


FALLING = {"tread_sliding_friction": 0.6, "tread_sliding_speed": 10.0, "carcass_damping": 0.0}


@pytest.mark.parametrize("slip", [0.02, 0.1, 0.18, 0.25, 0.6])
@pytest.mark.parametrize("speed", [5.0, 50.0])
def test_falling_friction_is_the_brush_model_of_two_coefficients(slip: float, speed: float) -> None:
    wheel = Wheel(**FALLING)
    wheel.move(speed, -slip * speed, 0.0, speed / wheel.arm)
    row = wheel.settle()
    mu = float(wheel.p["friction_y"])
    theta = min(1.0, float(wheel.p["cornering_per_load"]) * slip / (3.0 * mu))
    force, moment = brush(theta, 0.6 + 0.4 * math.exp(-slip * speed / 10.0))
    assert row[T_FY] == pytest.approx(mu * LOAD * force, rel=1e-6)
    trail = float(wheel.p["pneumatic_trail"])
    assert wheel.s["wrench"][6, 2] == pytest.approx(-3.0 * trail * mu * LOAD * moment, rel=1e-4, abs=1e-4)


def test_a_tyre_slides_from_the_slip_where_it_holds_most() -> None:
    """Along and across, from walking pace to top speed, against the greatest force found by trying."""
    slips = np.linspace(0.005, 0.5, 1000)
    for speed in (2.0, 20.0, 80.0):
        for across in (True, False):
            wheel = Wheel(**FALLING)
            forces, slides = [], []
            for slip in slips:
                if across:
                    wheel.move(speed, -slip * speed, 0.0, speed / wheel.arm)
                else:
                    wheel.move(speed, 0.0, 0.0, speed * (1.0 - slip) / wheel.arm)
                row = wheel.settle()
                forces.append(float(np.hypot(row[T_FX], row[T_FY])))
                slides.append(float(row[T_SLIDING]))
            top = int(np.argmax(forces))
            first = next(k for k, sliding in enumerate(slides) if sliding > 0.0)
            # a rolling speed that falls with the slip moves the peak along a little
            assert slips[first] == pytest.approx(slips[top], rel=0.01 if across else 0.06)
            assert all(slides[first:])
            assert slides[-1] == 1.0
            assert forces[-1] < 0.985 * forces[top]


@pytest.mark.parametrize(
    ("load", "left"), [(450.0, 1.05), (900.0, 1.0), (1800.0, 0.9), (2700.0, 0.8), (9e3, 0.8)]
)
def test_friction_falls_with_load_up_to_three_times_the_nominal_one(load: float, left: float) -> None:
    """1 - n (N/N0 - 1), as in the magic formula (Pacejka, chapter 4, from memory): n = 0.1, N0 = 900 N."""
    wheel = Wheel(load=load, tread_nominal_load=900.0, tread_friction_per_load=0.1, vertical_stiffness=4e5)
    wheel.move(0.0, 0.0, 0.0, 0.0)
    for axis, name in ((T_FX, "friction_x"), (T_FY, "friction_y")):
        z = [0.0, 0.0]
        z[int(axis == T_FY)] = 1.0
        _rates, row = wheel.act(*z, 0.7)
        assert row[T_LOAD] == pytest.approx(load, rel=1e-9)
        assert row[axis] == pytest.approx(-0.7 * float(wheel.p[name]) * load * left, rel=1e-9)


def test_constant_friction_slides_when_hardly_any_of_the_contact_sticks() -> None:
    wheel = Wheel(tread_sliding_friction=1.0)
    full = 3.0 * float(wheel.p["friction_y"]) / float(wheel.p["cornering_per_load"])
    for share, sliding in ((0.89, 0.0), (0.91, 0.91), (1.2, 1.0)):
        wheel.move(20.0, -share * full * 20.0, 0.0, 20.0 / wheel.arm)
        assert wheel.settle()[T_SLIDING] == pytest.approx(sliding, rel=1e-6)


def test_camber_thrust_alone_does_not_rub_faster() -> None:
    """Leaned over without side slip nothing slides, however fast it rolls: friction stays that of sticking.

    Side slip against the thrust takes the tread back from its limit.
    """
    rows = [Wheel(roll=0.8, tread_sliding_friction=d, tread_sliding_speed=1.0) for d in (0.5, 1.0)]
    for wheel in rows:
        wheel.move(60.0, 0.0, 0.0, 60.0 / wheel.arm)
    falling, constant = (wheel.settle() for wheel in rows)
    assert falling[T_FY] == pytest.approx(constant[T_FY], rel=1e-6)
    rows[0].move(60.0, -1e-3, 0.0, 60.0 / rows[0].arm)
    assert rows[0].settle()[T_SLIDING] == 0.0
    rows[0].move(60.0, 3.0, 0.0, 60.0 / rows[0].arm)
    assert rows[0].settle()[T_SLIDING] == 0.0


def test_a_standing_tyre_that_does_not_slide_has_all_its_friction() -> None:
    """Sheared at speed on the spot it is a spring: what moves the deflection does not rub."""
    falling, constant = Wheel(**FALLING), Wheel(**FALLING | {"tread_sliding_friction": 1.0})
    for wheel in (falling, constant):
        wheel.move(3.0, 0.0, 0.0, 0.0)
    z = 0.7 * falling.act(0.0, 0.0)[1][T_CAP_X]
    assert falling.act(z, 0.0)[1][T_FX] == pytest.approx(constant.act(z, 0.0)[1][T_FX], rel=1e-9)
    # at its limit it does
    z /= 0.7
    left = 0.6 + 0.4 * math.exp(-0.3)
    assert falling.act(z, 0.0)[1][T_FX] == pytest.approx(left * constant.act(z, 0.0)[1][T_FX], rel=1e-9)


def loss(
    wheel: Wheel, velocity: Array, turn: Array, spin: float, z: tuple[float, float]
) -> tuple[float, float]:
    """Power [W] that road and tread take for good, and the size of what it is the difference of.

    velocity  (3,) [m/s]    of the contact, in W; along the road
    turn      (3,) [rad/s]  of the carrier, in W

    The road does F v + M w on the wheel, of which -F dz/dt comes out of the sheared tread.
    """
    wheel.spin = spin
    wheel.move(0.0, 0.0, 0.0, spin)
    row = wheel.act(*z)[1]
    place = row[[T_X, T_Y, T_Z]]
    axle = wheel.s["axle"][wheel.which]
    turning = wheel.R.T @ turn
    wheel.s["V"][:3, wheel.body] = turning + spin * axle
    # what the spin makes of the contact's velocity is for the tyre to find
    wheel.s["V"][3:, wheel.body] = wheel.R.T @ velocity - np.cross(turning + spin * axle, place)
    rates, row = wheel.act(*z)
    on_wheel = wheel.s["wrench"][wheel.body]
    power = float(on_wheel @ wheel.s["V"][:, wheel.body])
    from_tread = float(row[T_FX] * rates[0] + row[T_FY] * rates[1])
    return from_tread - power, float(np.abs(on_wheel * wheel.s["V"][:, wheel.body]).sum()) + abs(from_tread)


@settings(max_examples=500)
@given(
    which=st.sampled_from([REAR, FRONT]),
    roll=st.floats(-1.0, 1.0),
    velocity=st.tuples(st.floats(-60, 60), st.floats(-10, 10)),
    turn=st.tuples(st.floats(-4, 4), st.floats(-4, 4)),
    spin=st.one_of(st.floats(4, 250), st.floats(-250, -4)),
    z=st.tuples(st.floats(-0.1, 0.1), st.floats(-0.1, 0.1)),
    left=st.sampled_from([1.0, 0.6]),
)
def test_no_motion_of_a_wheel_gets_power_out_of_the_road(
    which: int,
    roll: float,
    velocity: tuple[float, float],
    turn: tuple[float, float],
    spin: float,
    z: tuple[float, float],
    left: float,
) -> None:
    """Sliding, rolling forward or back, leaned, turning about any axis across its own: trail and twisting
    moment, ten times the demo racer's, give nothing that slip or spin have not paid."""
    wheel = Wheel(
        which,
        roll,
        carcass_damping=0.0,
        pneumatic_trail=0.05,
        twisting_arm=0.05,
        tread_sliding_friction=left,
        tread_sliding_speed=10.0,
    )
    about = turn[0] * np.array([1.0, 0.0, 0.0]) + turn[1] * wheel.R[:, 2]  # neither along the axle
    lost, size = loss(wheel, np.array([*velocity, 0.0]), about, spin, z)
    assert lost > -1e-9 * size


@pytest.mark.parametrize("degrees", [0.0, 30.0, -50.0])
def test_slip_is_taken_ahead_of_where_its_force_acts_behind(degrees: float) -> None:
    """Brush of stiffness c and half length a: F = -2 c a^2 (v + (a/3) w) / V, M = (2/3) c a^3 v / V.

    So v and the yaw rate w shear as the side speed a trail ahead of the contact, and the moment of the force,
    a trail behind it, is that of v alone. H. B. Pacejka, chapter 3, from memory.
    """
    speed, yaw = 20.0, 2.0
    wheel = Wheel(roll=math.radians(degrees), twisting_arm=0.0, friction_x=1e6, friction_y=1e6)
    trail, stiffness = float(wheel.p["pneumatic_trail"]), float(wheel.p["cornering_per_load"]) * LOAD

    def forces(side: float, turning: float) -> NDArray[np.float64]:
        """Side force and moment about the road's normal, settled."""
        rows = []
        for zy in (0.0, 1e-3):
            wheel.move(speed, side, 0.0, speed / wheel.arm)
            place = wheel.act(0.0, 0.0)[1][[T_X, T_Y, T_Z]]
            w = wheel.R.T @ [0.0, 0.0, turning]
            wheel.s["V"][:3, wheel.body] += w
            wheel.s["V"][3:, wheel.body] -= np.cross(w, place)
            rows.append(wheel.act(0.0, zy)[0][1])
        rates, row = wheel.act(0.0, -rows[0] * 1e-3 / (rows[1] - rows[0]))
        assert rates[1] == pytest.approx(0.0, abs=1e-6)  # m/s
        moment = wheel.R @ wheel.s["wrench"][wheel.body, :3]
        moment -= np.cross(wheel.R @ row[[T_X, T_Y, T_Z]], [row[T_FX], row[T_FY], row[T_LOAD]])
        axle = wheel.R[:, 1]
        across = np.array([0.0, 0.0, 1.0]) - axle[2] * axle
        return np.array([row[T_FY], moment @ across])

    straight = forces(0.0, 0.0)
    by_side, by_yaw = forces(0.05, 0.0) - straight, forces(0.0, yaw) - straight
    assert by_side[0] == pytest.approx(-stiffness * 0.05 / speed, rel=1e-4)
    assert by_yaw[0] == pytest.approx(-stiffness * trail * yaw / speed, rel=1e-4)
    assert by_side[1] == pytest.approx(stiffness * trail * 0.05 / speed, rel=1e-4)
    assert by_yaw[1] == pytest.approx(0.0, abs=1e-4 * stiffness * trail * yaw / speed)


def test_a_standing_tyre_has_neither_trail_nor_twist() -> None:
    """Both come with rolling: sheared on the spot the contact is sheared alike all over."""
    wheel = Wheel(roll=0.5)
    wheel.move(0.0, 0.0, 0.0, 0.0)
    _rates, row = wheel.act(0.0, 2e-3)
    moment = wheel.R @ wheel.s["wrench"][wheel.body, :3]
    moment -= np.cross(wheel.R @ row[[T_X, T_Y, T_Z]], [row[T_FX], row[T_FY], row[T_LOAD]])
    assert np.allclose(moment, 0.0, atol=1e-9)


@pytest.mark.parametrize("roll", [0.3, -0.6])
def test_rolling_back_turns_trail_and_twisting_moment_round(roll: float) -> None:
    moments = []
    for speed in (20.0, -20.0):
        wheel = Wheel(roll=roll, friction_x=1e6, friction_y=1e6, camber_per_load=0.0, rolling_resistance=0.0)
        wheel.move(speed, 0.2, 0.0, speed / wheel.arm)
        row = wheel.settle()
        moment = wheel.R @ wheel.s["wrench"][wheel.body, :3]
        moment -= np.cross(wheel.R @ row[[T_X, T_Y, T_Z]], [row[T_FX], row[T_FY], row[T_LOAD]])
        moments.append(moment)
    assert abs(moments[0][2]) > 1.0
    assert moments[1] == pytest.approx(-moments[0], rel=1e-9)


@pytest.mark.parametrize("speed", [2.0, 20.0, 60.0])
def test_slip_builds_up_over_the_relaxation_length(speed: float) -> None:
    wheel = Wheel()
    wheel.move(speed, 0.3, 0.0, speed / wheel.arm)
    (_x0, y0), _ = wheel.act(0.0, 0.0)
    (_x1, y1), _ = wheel.act(0.0, 1e-3)
    sigma = float(wheel.p["relaxation_length"])
    assert y0 == pytest.approx(0.3)
    assert (y0 - y1) / 1e-3 == pytest.approx(speed / sigma, rel=1e-9)  # 1 over the time constant
    wheel.move(speed, 0.0, 0.0, 1.01 * speed / wheel.arm)
    (x0, _y0), _ = wheel.act(0.0, 0.0)
    (x1, _y1), _ = wheel.act(1e-3, 0.0)
    assert x0 == pytest.approx(-0.01 * speed)
    assert (x0 - x1) / 1e-3 == pytest.approx(1.01 * speed / float(wheel.p["relaxation_length_x"]), rel=1e-9)


@pytest.mark.parametrize("which", [REAR, FRONT])
@pytest.mark.parametrize("degrees", [1.0, 30.0, -45.0])
def test_camber_pushes_to_the_side_it_leans_to(which: int, degrees: float) -> None:
    roll = math.radians(degrees)
    wheel = Wheel(which, roll, friction_x=1e6, friction_y=1e6)
    wheel.move(20.0, 0.0, 0.0, 20.0 / wheel.arm)
    row = wheel.settle()
    assert row[T_FY] == pytest.approx(-float(wheel.p["camber_per_load"]) * LOAD * roll, rel=1e-5)
    # The twisting moment turns the wheel further into the lean, about the road's normal.
    force = np.array([0.0, row[T_FY], row[T_LOAD]])
    # Without side slip the wheel's spin pays what as large a force by slip would cost: F^2 / C.
    paid = row[T_FY] ** 2 / (float(wheel.p["cornering_per_load"]) * LOAD)
    resistance = -(float(wheel.p["rolling_resistance"]) * LOAD + paid) * wheel.arm
    twist = -float(wheel.p["twisting_arm"]) * LOAD * roll
    moment = wheel.R @ wheel.s["wrench"][wheel.body, :3] - np.cross(_contact_in_world(wheel), force)
    assert moment[2] == pytest.approx(twist + resistance * math.sin(roll), rel=1e-6, abs=1e-6)
    assert twist * roll < 0.0  # a turn to the right is negative


def _contact_in_world(wheel: Wheel) -> NDArray[np.float64]:
    """Centre to contact point, torus geometry, in axes with z up and x forward."""
    axle = wheel.R @ [0.0, 1.0, 0.0]
    up = np.array([0.0, 0.0, 1.0])
    in_plane = up - axle * (axle @ up)
    ring = -in_plane / np.linalg.norm(in_plane) * float(wheel.p["radius"] - wheel.p["crown_radius"])
    return np.array([ring[0], ring[1], -wheel.height])


@pytest.mark.parametrize(
    ("radius", "crown", "degrees", "expected"),
    [(0.32, 0.08, 45.0, 0.2965685425), (0.30, 0.06, 30.0, 0.2919615242), (0.299, 0.078, 50.0, 0.2711374336)],
)
def test_leaning_wheel_rolls_on_a_smaller_radius(
    radius: float, crown: float, degrees: float, expected: float
) -> None:
    """R - t (1 - cos(roll)), torus geometry: a wheel-speed sensor reads high by R over this."""
    wheel = Wheel(
        roll=math.radians(degrees), load=1e-3, radius=radius, crown_radius=crown, vertical_stiffness=1e6
    )
    wheel.move(10.0, 0.0, 0.0, 1.0)
    assert wheel.act(0.0, 0.0)[1][T_ROLL_SPEED] == pytest.approx(expected, rel=1e-7)


@pytest.mark.parametrize("share", [0.0, 0.35, 1.0])
def test_load_shortens_the_rolling_radius_by_its_share_of_the_deflection(share: float) -> None:
    wheel = Wheel(load=1600.0, rolling_radius_share=share)
    depth = 1600.0 / float(wheel.p["vertical_stiffness"])
    assert depth > 0.005
    wheel.move(10.0, 0.0, 0.0, 10.0 / (float(wheel.p["radius"]) - share * depth))
    _rates, row = wheel.act(0.0, 0.0)
    assert row[T_ROLL_SPEED] == pytest.approx(10.0, rel=1e-12)
    assert row[T_SLIP_RATIO] == pytest.approx(0.0, abs=1e-12)


def test_power_of_the_longitudinal_force_is_force_times_sliding_speed() -> None:
    """Whatever the effective radius: what the wheel gets and what the bike gets add up to the slip's loss."""
    wheel = Wheel(rolling_resistance=0.0, rolling_radius_share=0.3)
    wheel.move(10.0, 0.0, 0.0, 36.0)
    _rates, row = wheel.act(0.004, 0.0)
    power = float(wheel.s["wrench"][6] @ wheel.s["V"][:, 6])
    assert row[T_FX] < 0.0
    sliding = 10.0 - 36.0 * wheel.arm
    assert power == pytest.approx(row[T_FX] * sliding, rel=1e-9)


def test_tread_energy_stays_while_the_load_changes() -> None:
    """A standing wheel, sheared and then pressed: k z^2 / 2 is kept, k growing with the deflection."""
    wheel = Wheel(friction_x=1e6, friction_y=1e6, carcass_damping=0.0, vertical_damping=0.0)
    wheel.move(0.0, 0.0, -0.05, 0.0)
    zx, zy, dt = 1e-3, 2e-3, 1e-4
    start = None
    for _ in range(400):
        (rx, ry), row = wheel.act(zx, zy)
        stored = (
            0.5
            * row[T_LOAD]
            * (
                float(wheel.p["slip_stiffness_per_load"] / wheel.p["relaxation_length_x"]) * zx * zx
                + float(wheel.p["cornering_per_load"] / wheel.p["relaxation_length"]) * zy * zy
            )
        )
        start = stored if start is None else start
        wheel.height -= 0.05 * dt
        zx, zy = zx + rx * dt, zy + ry * dt
    assert row[T_LOAD] > 1.3 * LOAD
    assert stored == pytest.approx(start, rel=2e-3)  # first-order steps of 0.1 ms


@pytest.mark.parametrize(("a", "b"), [(0.1, 0.0), (0.0, -0.2), (-0.15, 0.12)])
def test_on_a_slope_everything_is_as_on_the_flat_seen_from_the_slope(a: float, b: float) -> None:
    """Turning wheel and road together turns the forces and changes nothing else."""
    flat = Wheel(roll=0.4)
    flat.move(15.0, -0.3, -0.1, 50.0)
    rates, row = flat.act(2e-3, -1e-3)
    row, wrench = row.copy(), flat.s["wrench"][6].copy()
    tilted = Wheel(roll=0.4)
    tilted.move(15.0, -0.3, -0.1, 50.0)
    turn = np.array(rotation_about_xz(1.0, 0.0, a)).reshape(3, 3)
    turn = turn @ np.array(rotation_about_xz(0.0, 1.0, b)).reshape(3, 3)
    tilted.s["R"] = (turn @ tilted.R).ravel()  # attitude in W differs, the plane in B does not
    again, row_again = tilted.act(2e-3, -1e-3)
    assert again == rates
    assert np.array_equal(row_again, row)
    assert np.array_equal(tilted.s["wrench"][6], wrench)


def test_rolling_resistance_takes_its_share_of_the_load_at_the_axle() -> None:
    wheel = Wheel()
    wheel.move(20.0, 0.0, 0.0, 20.0 / wheel.arm)
    wheel.settle()
    moment = float(wheel.s["wrench"][6, 1])
    assert moment == pytest.approx(-float(wheel.p["rolling_resistance"]) * LOAD * wheel.arm, rel=1e-9)
    wheel.move(0.0, 0.0, 0.0, 0.0)
    wheel.act(0.0, 0.0)
    assert wheel.s["wrench"][6, 1] == 0.0


def test_standing_tyre_is_a_spring_up_to_the_friction_limit() -> None:
    wheel = Wheel()
    wheel.move(0.0, 0.0, 0.0, 0.0)
    stiffness = float(wheel.p["slip_stiffness_per_load"]) * LOAD / float(wheel.p["relaxation_length_x"])
    rates, row = wheel.act(1e-7, 0.0)
    assert rates == (0.0, 0.0)  # holds: no creep
    assert row[T_FX] == pytest.approx(-stiffness * 1e-7, rel=1e-4)
    _rates, row = wheel.act(row[T_CAP_X], 0.0)
    assert row[T_FX] == pytest.approx(-float(wheel.p["friction_x"]) * LOAD)
    _rates, row = wheel.act(0.0, 10.0 * row[T_CAP_Y])
    assert row[T_FY] == pytest.approx(-float(wheel.p["friction_y"]) * LOAD)


def work_round(wheel: Wheel, loop: NDArray[np.float64]) -> float:
    """Work [J] that the road's force does on a standing wheel along deflections (n, 2), closed."""
    wheel.move(0.0, 0.0, 0.0, 0.0)
    rows = [wheel.act(*z)[1][[T_FX, T_FY]] for z in loop]
    force = np.array([*rows, rows[0]])
    steps = np.diff(np.vstack([loop, loop[:1]]), axis=0)
    return float(np.sum(0.5 * (force[:-1] + force[1:]) * steps))


def quarter(wheel: Wheel, sx: float, sy: float, n: int = 2000) -> NDArray[np.float64]:
    """Out along one axis to the limit, round the ellipse to the other, and back: deflections (3 n, 2)."""
    wheel.move(0.0, 0.0, 0.0, 0.0)
    caps = wheel.act(0.0, 0.0)[1][[T_CAP_X, T_CAP_Y]]
    out, angle = np.linspace(0.0, 1.0, n), np.linspace(0.0, math.pi / 2.0, n)
    along, across = np.zeros((n, 2)), np.zeros((n, 2))
    along[:, 0], across[:, 1] = out, out[::-1]
    bow = np.column_stack([np.cos(angle), np.sin(angle)])
    return np.asarray(np.vstack([along, bow, across]) * caps * [sx, sy])


@pytest.mark.parametrize("which", [REAR, FRONT])
@pytest.mark.parametrize("signs", [(1, 1), (-1, 1), (-1, -1), (1, -1)])
def test_the_worst_loop_of_deflections_gives_what_the_closed_form_says(
    which: int, signs: tuple[int, int]
) -> None:
    wheel = Wheel(which, load=1100.0, carcass_damping=0.0)
    most = loop_energy(wheel.p, 1100.0, 1.0)
    assert most > 1.0
    assert abs(work_round(wheel, quarter(wheel, *signs))) == pytest.approx(most, rel=1e-4)


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_no_loop_within_a_quarter_gives_more(seed: int) -> None:
    rng = np.random.default_rng(seed)
    wheel = Wheel(load=1100.0, carcass_damping=0.0)
    caps = quarter(wheel, 1.0, 1.0, 2).max(axis=0)
    corners = rng.uniform(0.0, 1.0, (5, 2)) * caps
    loop = np.vstack(
        [a + np.linspace(0.0, 1.0, 50)[:, None] * (b - a) for a, b in pairwise([*corners, corners[0]])]
    )
    assert abs(work_round(wheel, loop)) <= 2.0 * loop_energy(wheel.p, 1100.0, 1.0) + 1e-3


def test_a_tyre_alike_along_and_across_gives_nothing_round_any_loop() -> None:
    """Also where friction and stiffness differ, but k/L^2 is the same."""
    p = RECORD[FRONT]
    ratio = float(p["friction_x"] / p["friction_y"]) ** 2
    stiff = ratio * float(p["cornering_per_load"] / p["relaxation_length"] * p["relaxation_length_x"])
    wheel = Wheel(load=1100.0, carcass_damping=0.0, slip_stiffness_per_load=stiff)
    assert loop_energy(wheel.p, 1100.0, 1.0) == pytest.approx(0.0, abs=1e-9)
    assert work_round(wheel, quarter(wheel, 1.0, 1.0)) == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize("grip", [0.2, 0.6, 1.0])
def test_grip_of_the_road_scales_the_limit(grip: float) -> None:
    wheel = Wheel()
    wheel.move(20.0, -15.0, 0.0, 20.0 / wheel.arm)
    row = wheel.settle(grip)
    assert row[T_FY] == pytest.approx(grip * float(wheel.p["friction_y"]) * LOAD)
    assert row[T_FRICTION_USE] == pytest.approx(1.0)
