"""The linear loop: the compiled robot answers as its row says, one loop in frequency and as a matrix."""

from __future__ import annotations

import math

import numpy as np
import pytest

from emulator.core.compiled import jit
from emulator.road.line import sample
from emulator.robot.design import feedback_at, gains_for
from emulator.robot.linear_loop import FED_BACK, Feedback, SteeringLoop
from emulator.robot.ride import balance, follow_path
from emulator.robot.timing import LoopTiming
from emulator.robot.tuning import STEP
from emulator.vehicle.equilibrium import steady_motion
from emulator.vehicle.linearise import D_VELOCITY, N_DEVIATIONS, course_rows, linearise
from emulator.vehicle.modes import SteadyTurns, eigen
from emulator.vehicle.params import Vehicle, vehicle_record
from tests.support.machines import MOUNT, ROBOT, demo, demo_file

CASES = [(8.0, 0.0), (20.0, 0.0), (50.0, 0.0), (30.0, 40.0)]
"""Speed [m/s] and lean [deg]."""


@pytest.fixture(scope="module")
def design(prepared):
    return prepared.rider.design


@pytest.fixture(scope="module")
def loop_at(told, design):
    """The rider's loop at a speed [m/s] and lean [deg]."""
    turns = SteadyTurns(told.vehicle)

    def at(speed, lean_deg, feedback=None, timing=told.timing):
        steady = turns.at(speed, math.radians(lean_deg))
        feedback = feedback or feedback_at(design, speed, math.radians(lean_deg))
        return SteeringLoop(linearise(told.vehicle, steady), steady, feedback, timing)

    return at


# ---- the compiled robot ------------------------------------------------------------------------------------


SWUNG = ("offset", "heading", "roll", "steer", "roll_rate", "yaw_rate", "steer_rate")


@jit
def swayed(design, known, line, mind, place, now, torque):
    """Fill ``torque`` (n,) with what the robot answers to swings ``now`` (n, 7) about a place and heading."""
    e, (x, y, along) = mind[0], place
    for k in range(torque.size):
        e.x = x - now[k, 0] * math.sin(along)
        e.y = y + now[k, 0] * math.cos(along)
        e.heading = along + now[k, 1]
        e.roll, e.steer, e.roll_rate, e.yaw_rate, e.steer_rate = (
            now[k, 2], now[k, 3], now[k, 4], now[k, 5], now[k, 6],
        )  # fmt: skip
        torque[k] = balance(design, known[0], e, follow_path(design, line, known[0], e))


class Swaying:
    """The compiled path and balance, fed with an estimate that swings on a straight at one frequency."""

    STRAIGHT, SPEED, SIZE = 150.0, 22.0, 1e-4

    def __init__(self, rider, hertz):
        self.r, self.e = rider.rider, rider.rider.mind[0]
        self.w = 2.0 * math.pi * hertz
        self.x, self.y, self.along, _, _ = sample(self.r.line, self.STRAIGHT)
        self.e["speed"], self.e["station"] = self.SPEED, self.STRAIGHT

    def answer(self, **swings):
        """Torque over SIZE, as a complex number; swings: of roll, ..., offset and heading, complex."""
        r = self.r
        swings_for = round(2.0 * math.pi / self.w / STEP)
        n = swings_for * math.ceil(12.0 / (swings_for * STEP))  # integrals and filters settle in 12 s
        turn = self.SIZE * np.exp(1j * self.w * STEP * np.arange(n))
        now = np.zeros((n, len(SWUNG)))
        now[:, 2:] = [float(self.e[name]) for name in SWUNG[2:]]  # what does not swing stays as it is
        for name, swing in swings.items():
            now[:, SWUNG.index(name)] = (swing * turn).imag
        torque = np.zeros(n)
        swayed(r.design, r.known, r.line, r.mind, (self.x, self.y, self.along), now, torque)
        last = np.arange(n - swings_for, n)
        # what the integrals brought along from the beginning grows evenly by now
        torque[last] -= (last - last[0]) * np.mean(torque[last] - torque[last - swings_for]) / swings_for
        wave = np.exp(-1j * self.w * last * STEP)
        return 2j * np.mean(torque[last] * wave) / self.SIZE


AT_ONCE = LoopTiming(0.0, 0.0, 0.0, 0.0, 0.0, 0.0)


@pytest.mark.parametrize("hertz", [0.5, 2.0])
@pytest.mark.parametrize(
    ("place", "name"), list(enumerate(["roll", "steer", "roll_rate", "yaw_rate", "steer_rate"]))
)
def test_the_compiled_balance_answers_as_the_loop_says(rider, loop_at, place, name, hertz):
    swaying = Swaying(rider, hertz)
    row = loop_at(swaying.SPEED, 0.0, timing=AT_ONCE)._row(np.array(1j * swaying.w))
    assert swaying.answer(**{name: 1.0}) == pytest.approx(-complex(row[place]), rel=0.01)


@pytest.mark.parametrize("hertz", [0.25, 1.0])
@pytest.mark.parametrize("place", [5, 6], ids=["by its heading's rate", "by its speed to the side"])
def test_the_compiled_return_to_the_line_answers_as_the_loop_says(rider, loop_at, place, hertz):
    swaying = Swaying(rider, hertz)
    s, v = 1j * swaying.w, swaying.SPEED
    row = loop_at(v, 0.0, timing=AT_ONCE)._row(np.array(s))
    # offset' = v heading + u, heading' = x
    way = {"heading": 1.0 / s, "offset": v / s**2} if place == 5 else {"offset": 1.0 / s}
    assert swaying.answer(**way) == pytest.approx(-complex(row[place]), rel=0.01)


# ---- where it goes -----------------------------------------------------------------------------------------


def test_heading_and_side_speed_are_those_of_the_state(told):
    """Upright and straight: the heading turns with the yaw rate; to the left goes the body's side speed."""
    steady = SteadyTurns(told.vehicle).at(20.0, 0.0)
    rate, side = course_rows(steady)
    others = np.arange(N_DEVIATIONS)
    assert rate[9] == pytest.approx(1.0, abs=1e-3)
    assert np.abs(rate[others != 9]).max() < 0.01
    assert side[11] == pytest.approx(1.0, abs=1e-3)
    assert np.abs(side[(others != 11) & (others != 1)]).max() < 0.01


def test_on_a_circle_whoever_is_outside_and_points_along_comes_back(loop_at):
    """Free motion beside a circle: a heading swings once a lap, which is what another circle does."""
    loop = loop_at(30.0, 40.0)
    lap = abs(loop._curvature) * loop._speed
    (offset, heading), _ = loop._way(np.array(1j * lap * (1.0 + 1e-6)))
    assert abs(offset) > 1e4
    assert abs(heading) > 1e3


# ---- one loop, two ways ------------------------------------------------------------------------------------


@pytest.mark.parametrize(("speed", "lean"), CASES)
@pytest.mark.parametrize("to_a_line", [True, False])
def test_the_state_matrix_has_the_roots_of_the_loop(loop_at, design, speed, lean, to_a_line):
    only = None if to_a_line else Feedback(np.array(gains_for(design, speed, math.radians(lean))))
    loop = loop_at(speed, lean, only)
    roots = eigen(loop.matrix()).roots
    # beyond some 150 1/s the approximated delays show; below, the two must be one
    asked = roots[(np.abs(roots) < 150.0) & (roots.real > -60.0)]
    here = 0
    for s in asked:
        h = 1e-6 * (1.0 + abs(s))
        slope = complex((loop.ratio(s + h) - loop.ratio(s - h)) / (2.0 * h))
        off = abs((1.0 + complex(loop.ratio(s))) / slope)  # Newton's step
        # a root that neither torque nor robot touches is the bike's own, and no root of 1 + L
        own = np.min(np.abs(loop.poles - s)) < 1e-3
        assert off < 1e-4 * (1.0 + abs(s)) or own, s
        here += off < 1e-4 * (1.0 + abs(s))
    assert here >= 8 + 4 * to_a_line


@pytest.mark.parametrize(("speed", "lean"), [*CASES, (66.0, 40.0)])
def test_the_number_of_unstable_roots_is_what_nyquist_counts(loop_at, speed, lean):
    loop = loop_at(speed, lean)
    unstable = int(np.sum(np.linalg.eigvals(loop.matrix()).real > 1e-3))
    # 1 + L along a line just right of the axis, where L has its integrations at zero.
    s = 1e-3 + 1j * np.concatenate([-np.geomspace(3e4, 1e-6, 60_000), np.geomspace(1e-6, 3e4, 60_000)])
    turns = np.sum(np.angle((v := 1.0 + loop.ratio(s))[1:] / v[:-1])) / (2.0 * math.pi)
    open_loop = int(np.sum(loop.poles.real > 1e-3))
    assert turns == pytest.approx(round(turns), abs=1e-3)
    assert unstable == open_loop - round(turns)


def test_a_loop_without_gains_is_the_bike_and_what_is_late(loop_at):
    loop = loop_at(20.0, 0.0, Feedback(np.zeros(len(FED_BACK))))
    roots = np.linalg.eigvals(loop.matrix())
    for pole in loop.poles[np.abs(loop.poles) > 1e-6]:
        assert np.min(np.abs(roots - pole)) < 1e-6 * (1.0 + abs(pole))


def test_speed_is_held(loop_at):
    loop = loop_at(30.0, 40.0)
    assert not loop.A[D_VELOCITY].any()
    assert not loop.A[:, D_VELOCITY].any()
    assert loop.b[D_VELOCITY] == 0.0


@pytest.fixture(params=[("fork_bends", 4e4), ("mount_gives", 1e4)])
def giving(request, told):
    """A soft, a stiff and a rigid one: a fork that bends, or a robot that rolls in its mount."""
    name, soft = request.param
    mount = vehicle_record(demo_file().values | {"robot_mount": MOUNT}, demo_file().tables, robot=ROBOT)

    def of(stiffness):
        if name == "mount_gives":
            body = mount.body.copy()
            body["robot_mount_stiffness"] = stiffness
            return Vehicle(body, mount.tyre)
        body, par = told.vehicle.body.copy(), told.vehicle.body[0]
        body["fork_bends"], body["fork_bending_stiffness"], body["fork_bending_damping"] = 1, stiffness, 20.0
        body["fork_bending_x"], body["fork_bending_z"] = par["steering_axis_x"], par["steering_axis_z"]
        return Vehicle(body, told.vehicle.tyre)

    return of(soft), of(1e9), demo() if name == "mount_gives" else told.vehicle


def test_what_gives_has_its_two_states_in_the_loop(told, design, giving):
    """The matrix has the roots of 1 + L with it, too; a stiff one leaves the loop as a rigid one has it."""
    loops = []
    for vehicle in giving:
        steady = steady_motion(vehicle, 20.0)
        loops.append(
            SteeringLoop(linearise(vehicle, steady), steady, feedback_at(design, 20.0, 0.0), told.timing)
        )
    soft, stiff, rigid = loops
    assert len(soft.A) == len(rigid.A) + 2
    at = 1j * np.geomspace(1.0, 60.0, 20)
    assert np.allclose(stiff.ratio(at), rigid.ratio(at), rtol=2e-3)
    assert not np.allclose(soft.ratio(at), rigid.ratio(at), rtol=2e-2)
    roots = eigen(soft.matrix()).roots
    for s in roots[(np.abs(roots) < 100.0) & (roots.real > -40.0) & (np.abs(roots.imag) > 5.0)]:
        h = 1e-6 * (1.0 + abs(s))
        slope = complex((soft.ratio(s + h) - soft.ratio(s - h)) / (2.0 * h))
        off = abs((1.0 + complex(soft.ratio(s))) / slope)
        assert off < 1e-4 * (1.0 + abs(s)) or np.min(np.abs(soft.poles - s)) < 1e-3
    assert soft.share(10.0j).sum() == pytest.approx(1.0)
