"""A fork that bends: its frequency, what it does to weave and wobble; turns, energy, places."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from emulator.config.vehicle.file import load_vehicle
from emulator.vehicle.dynamics import derivative
from emulator.vehicle.equilibrium import AIR_DENSITY, Steady, steady_motion
from emulator.vehicle.linearise import N_DEVIATIONS, lateral, linearise
from emulator.vehicle.params import JOINTS, RigidMass, Vehicle, vehicle_record
from emulator.vehicle.quasi_steady import (
    ACCELERATION,
    FRONT_BRAKE,
    N_BEND,
    N_UNKNOWNS,
    ROLL,
    machine,
    solve,
    start,
)
from emulator.vehicle.state import (
    BEND,
    BEND_RATE,
    FORK,
    JOINT,
    N_X,
    OMEGA,
    POSITION,
    QUATERNION,
    STEER,
    U_DRIVE_TORQUE,
    U_STEER_TORQUE,
    VELOCITY,
    scratch,
)
from emulator.vehicle.tree import kinematics
from tests.support.falls import body_points, kinetic_and_raised
from tests.support.machines import (
    DEMO_FILE,
    ROBOT,
    demo,
    demo_file,
    mirrored_inputs,
    mirrored_state,
    no_inputs,
    random_state,
    ride,
)

Array = NDArray[np.float64]

HINGE = (1.242, 0.62)
"""[m] where the demo racer's steering axis goes through its lower clamp; as all of it invented."""


def bending(
    stiffness: float, damping: float = 0.0, robot: RigidMass | None = ROBOT, locked: tuple[str, ...] = ()
) -> Vehicle:
    """The demo racer with a fork that bends."""
    file = demo_file()
    values = {group: dict(entries) for group, entries in file.values.items()}
    values["fork_bending"] = {"x": HINGE[0], "z": HINGE[1], "stiffness": stiffness, "damping": damping}
    return vehicle_record(values, file.tables, robot=robot, locked=locked)


def effective_inertia(vehicle: Vehicle) -> float:
    """[kg m2] of fork lower and wheel about the bending axis, by Steiner, from the vehicle's numbers."""
    par = vehicle.body[0]
    rake = float(par["steering_rake"])
    ahead = np.array([math.cos(rake), 0.0, math.sin(rake)])
    total = 0.0
    for name in ("fork_lower", "front_wheel"):
        off = np.array([float(par[f"{name}_x"]) - HINGE[0], 0.0, float(par[f"{name}_z"]) - HINGE[1]])
        across = off - (off @ ahead) * ahead
        if name == "fork_lower":
            ixx, izz, ixz = (float(par[f"{name}_{k}"]) for k in ("ixx", "izz", "ixz"))
            own = ixx * ahead[0] ** 2 + izz * ahead[2] ** 2 - 2.0 * ixz * ahead[0] * ahead[2]
        else:
            own = float(par[f"{name}_diametral_inertia"])
        total += own + float(par[f"{name}_mass"]) * float(across @ across)
    return total


def axle_lever(vehicle: Vehicle) -> float:
    """[m] from the bending axis down the fork to the axle."""
    par = vehicle.body[0]
    rake = float(par["steering_rake"])
    dx, dz = float(par["front_wheel_x"]) - HINGE[0], float(par["front_wheel_z"]) - HINGE[1]
    return abs(-math.sin(rake) * dx + math.cos(rake) * dz)


@pytest.mark.parametrize("at_axle", [5e4, 2e5, 8e5])
def test_the_linear_model_swings_at_the_root_of_axle_stiffness_over_inertia(at_axle: float) -> None:
    """f = sqrt(k l^2 / J) / 2 pi, k [N/m] sideways at the axle, l its lever: textbook, one degree of freedom.

    On a frame too heavy to move, steering and travel held, in the air: what is left is the fork.
    """
    lever = axle_lever(bending(1.0))
    vehicle = bending(at_axle * lever**2, robot=None, locked=("steering", "fork", "frame_torsion"))
    for name in ("mass", "ixx", "iyy", "izz"):
        vehicle.body[0][f"main_frame_{name}"] = 1e12
    vehicle.body[0]["gravity"] = 0.0
    x = np.zeros(N_X)
    x[QUATERNION], x[POSITION + 2] = 1.0, 5.0
    flying = Steady(x, no_inputs(), 0.0, 0.0, 0.0, 0.0, (0.0, 0.0), 0.0)
    roots = np.linalg.eigvals(linearise(vehicle, flying).A)
    expected = math.sqrt(at_axle * lever**2 / effective_inertia(vehicle))
    assert np.min(np.abs(roots - 1j * expected)) < 1e-6 * expected


def wobble(vehicle: Vehicle, speed: float) -> complex:
    """The root [1/s] between weave and what the frame's flexibilities add, least damped of its kind."""
    roots = np.linalg.eigvals(lateral(linearise(vehicle, steady_motion(vehicle, speed))).A)
    hertz = roots.imag / (2.0 * math.pi)
    near = roots[(hertz > 5.5) & (hertz < 12.0)]
    return complex(near[np.argmax(near.real)])


def test_a_very_stiff_fork_is_a_rigid_one() -> None:
    for speed in (10.0, 40.0):
        rigid, stiff = (
            np.linalg.eigvals(lateral(linearise(v, steady_motion(v, speed))).A)
            for v in (demo(), bending(1e9, 1e3))
        )
        for root in rigid[np.abs(rigid) < 200.0]:
            assert np.min(np.abs(stiff - root)) < 2e-3 * abs(root)


def test_bending_turns_round_what_speed_does_to_wobble() -> None:
    """With a rigid frame wobble is the less damped the faster. A fork that bends takes damping from it at low
    speed and gives it at high speed, the more the softer it is; weave at speed pays. L. Passigato and others,
    *Analysis of the phenomena causing weave and wobble in two-wheelers*, Applied Sciences 10 (2020) 6826 (the
    curve turned round, figure 4; their text seen), who name P. T. J. Spierings, Vehicle System Dynamics 10
    (1981), for it. Their motorcycle is another: compared is the trend."""
    rigid = demo()
    rigid.body[0]["locked"][JOINTS.index("frame_torsion")] = 1
    forks = [rigid, *(bending(k, 20.0, locked=("frame_torsion",)) for k in (6e4, 3e4))]
    slow = [wobble(v, 10.0).real for v in forks]
    fast = [wobble(v, 50.0).real for v in forks]
    assert slow[0] < slow[1] < slow[2] < 0.0
    assert fast[2] < fast[1] < fast[0] < 0.0
    falls = [wobble(rigid, v).real for v in (20.0, 30.0, 40.0, 50.0)]
    assert (np.diff(falls) > 0.0).all()
    weave = []
    for v in forks:
        roots = np.linalg.eigvals(lateral(linearise(v, steady_motion(v, 50.0))).A)
        hertz = roots.imag / (2.0 * math.pi)
        weave.append(float(roots[(hertz > 2.0) & (hertz < 5.0)].real.max()))
    assert weave[0] < weave[1] < weave[2]


def test_in_a_turn_it_bends_until_its_spring_holds_it() -> None:
    """Steady turns of both searches are the same; straight on it is straight; left mirrors right."""
    vehicle = bending(3e4, 20.0)
    assert abs(float(steady_motion(vehicle, 25.0).x[BEND])) < 1e-9
    right, left = (steady_motion(vehicle, 25.0, math.radians(a)) for a in (30.0, -30.0))
    assert abs(float(right.x[BEND])) > 1e-4
    assert float(left.x[BEND]) == pytest.approx(-float(right.x[BEND]), rel=1e-5)
    rigid = steady_motion(demo(), 25.0, math.radians(30.0))
    assert float(right.x[JOINT + STEER]) != pytest.approx(float(rigid.x[JOINT + STEER]), rel=1e-3)
    c, n = machine(vehicle.body, vehicle.tyre, AIR_DENSITY), np.empty(N_UNKNOWNS)
    start(c, 25.0, n)
    kinds = np.array([ROLL, FRONT_BRAKE, ACCELERATION])
    along = math.hypot(float(right.x[VELOCITY]), float(right.x[VELOCITY + 1]))
    for part in np.linspace(0.0, 1.0, 7):
        assert solve(c, along, 1.0, 0.0, True, kinds, np.array([part * math.radians(30.0), 0.0, 0.0]), n)
    assert n[N_BEND] == pytest.approx(float(right.x[BEND]), rel=0.02)


def test_a_rigid_fork_has_no_bending_at_all() -> None:
    linear = linearise(demo(), steady_motion(demo(), 20.0))
    assert linear.A.shape == (N_DEVIATIONS, N_DEVIATIONS)
    assert linearise(bending(3e4), steady_motion(bending(3e4), 20.0)).A.shape[0] == N_DEVIATIONS + 2
    x, u = steady_motion(demo(), 20.0, 0.3).x.copy(), no_inputs()
    ride(demo(), x, u, 1e-3, 300)
    assert x[BEND] == x[BEND_RATE] == 0.0


@pytest.mark.parametrize("seed", range(20))
def test_left_and_right_are_mirror_images(seed: int) -> None:
    rng = np.random.default_rng(seed)
    vehicle, s, u = bending(3e4, 20.0), scratch(), no_inputs()
    u[U_STEER_TORQUE], u[U_DRIVE_TORQUE] = 10.0, 50.0
    x = random_state(rng)
    x[BEND], x[BEND_RATE] = rng.uniform(-0.05, 0.05), rng.uniform(-5.0, 5.0)
    rate, seen = np.zeros(N_X), np.zeros(N_X)
    derivative(vehicle.body, vehicle.tyre, x, u, s, rate)
    derivative(vehicle.body, vehicle.tyre, mirrored_state(x), mirrored_inputs(u), s, seen)
    assert np.allclose(mirrored_state(seen), rate, rtol=1e-9, atol=1e-9)


def test_in_the_air_energy_stays() -> None:
    """Nothing touches or damps: motion, height and springs keep their sum while the fork swings."""
    vehicle = bending(3e4)
    par = vehicle.body[0]
    for name in par.dtype.names:
        if name.endswith("damping") or name.startswith(("shock_", "fork_stiff", "fork_design", "fork_stop")):
            par[name] = 0.0
    par["frame_torsion_damping"] = par["steering_damping"] = 0.0
    par["fork_travel"], par["shock_travel"], par["shock_lever"] = 1e3, 1e3, 1.0
    x, u = np.zeros(N_X), no_inputs()
    x[QUATERNION], x[POSITION + 2] = 1.0, 20.0
    x[OMEGA : OMEGA + 3], x[VELOCITY] = (0.5, 0.2, -0.4), 10.0
    x[BEND], x[JOINT + STEER], x[JOINT + FORK + 6 + 6] = 0.03, 0.1, 40.0

    def energy() -> float:
        spring = 0.5 * float(par["fork_bending_stiffness"]) * float(x[BEND]) ** 2
        twist = 0.5 * float(par["frame_torsion_stiffness"]) * float(x[JOINT + 2]) ** 2
        return kinetic_and_raised(vehicle, x) + spring + twist

    before, bent = energy(), []
    for _ in range(200):
        ride(vehicle, x, u, 5e-4, 1)
        bent.append(float(x[BEND]))
    assert min(bent) < -0.01
    assert energy() == pytest.approx(before, rel=1e-6)


def test_what_touches_the_road_is_where_the_bent_fork_puts_it() -> None:
    """Places of handlebar and axle ends against rotation matrices joint after joint."""
    from emulator.vehicle.contact.hard_parts import _place

    vehicle, rng, s = bending(3e4), np.random.default_rng(5), scratch()
    for _ in range(20):
        x = random_state(rng)
        x[BEND] = rng.uniform(-0.1, 0.1)
        kinematics(vehicle.body[0], x, s[0])
        for i, k, _body, p in body_points(vehicle, x):
            assert np.allclose(_place(vehicle.body[0], i, 1.0 - 2.0 * k, x, s[0]), p, atol=1e-12)


def test_a_file_says_it_over_its_base(tmp_path: Path) -> None:
    (tmp_path / "soft.yaml").write_text(
        f"kind: vehicle\nname: soft fork\nbased_on: {DEMO_FILE}\nfork_bending:\n"
        + "".join(
            f"  {name}: {{value: {value}, unit: {unit}, source: invented for the test}}\n"
            for name, value, unit in (
                ("x", 1.242, "m"),
                ("z", 620, "mm"),
                ("stiffness", 3e4, "N m/rad"),
                ("damping", 20.0, "N m s/rad"),
            )
        )
    )
    file = load_vehicle(str(tmp_path / "soft.yaml"))
    assert vehicle_record(file.values, file.tables, robot=ROBOT).body == bending(3e4, 20.0).body
