"""Vehicles for the tests of the physics, and the one mirror all of them have: left and right.

The demo racer is the file's; everything else is built here from the same table of parameters, so that
published models run through the very code the loop runs.
"""

from __future__ import annotations

import math
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from emulator.config.vehicle.file import VehicleFile, load_vehicle
from emulator.vehicle.integrate import begin, finish
from emulator.vehicle.params import GROUPS, RigidMass, Vehicle, vehicle_record
from emulator.vehicle.state import (
    BEND,
    BEND_RATE,
    BRAKE_TWIST_FRONT,
    BRAKE_TWIST_REAR,
    CLUTCH_TWIST,
    DEFLECTION,
    DISC_FRONT,
    DISC_REAR,
    ENGINE,
    FORK,
    FRONT_WHEEL,
    IDLE,
    JOINT,
    JOINT_RATE,
    N_U,
    N_X,
    OMEGA,
    POSITION,
    QUATERNION,
    REAR_WHEEL,
    STEER,
    SWAY,
    SWAY_RATE,
    SWINGARM,
    TORSION,
    U_ROAD_FRONT,
    U_ROAD_REAR,
    U_STEER_ACCELERATION,
    U_STEER_TORQUE,
    U_TOW_HEADING,
    U_WIND_Y,
    VELOCITY,
    scratch,
)

Values = dict[str, dict[str, float]]

VERTICAL = 1e9
"""[N/m] vertical stiffness of the stiff tyres"""

ROBOT = RigidMass(38.0, 0.60, 0.0, 0.78, 2.1, 2.6, 1.6)
"""A robot of our own invention, about as heavy as half a rider."""

DEMO_FILE = Path(__file__).parents[2] / "scenarios" / "vehicles" / "demo_racer.yaml"


@cache
def demo_file() -> VehicleFile:
    return load_vehicle(str(DEMO_FILE))


def demo(**changes: float) -> Vehicle:
    """The demo racer with the robot; ``group__name=value`` changes one parameter (SI)."""
    file = demo_file()
    values = {group: dict(entries) for group, entries in file.values.items()}
    for name, value in changes.items():
        group, parameter = name.split("__")
        assert parameter in values[group]
        values[group][parameter] = value
    return vehicle_record(values, file.tables, robot=ROBOT)


MOUNT = {"z": 0.60, "stiffness": 2.0e4, "damping": 30.0}
"""A mount that gives, invented: with the bike held, ROBOT rolls in it at 12 Hz."""


def mounted(
    robot: RigidMass | None = ROBOT, bends: float = 0.0, locked: tuple[str, ...] = (), **changes: float
) -> Vehicle:
    """The demo racer with the robot in MOUNT, with changes; ``bends``: [N m/rad] its fork."""
    file = demo_file()
    values = {group: dict(entries) for group, entries in file.values.items()} | {
        "robot_mount": MOUNT | changes
    }
    if bends > 0.0:
        values["fork_bending"] = {"x": 1.242, "z": 0.62, "stiffness": bends, "damping": 20.0}
    return vehicle_record(values, file.tables, robot=robot, locked=locked)


@cache
def trainer() -> Vehicle:
    """The light trainer with the robot."""
    file = load_vehicle(str(DEMO_FILE.with_name("light_trainer.yaml")))
    return vehicle_record(file.values, file.tables, robot=ROBOT)


def without_parts(vehicle: Vehicle) -> Vehicle:
    """The same on its tyres alone: nothing else of it touches the road."""
    body = vehicle.body.copy()
    body["parts"] = 0
    return Vehicle(body, vehicle.tyre)


def _tyre(radius: float, crown: float, C: float, sigma: float) -> dict[str, float]:
    """A tyre that only rolls and grips: no camber thrust, no damping of the tread, no drag, no moments."""
    return {
        "radius": radius,
        "crown_radius": crown,
        "vertical_stiffness": VERTICAL,
        "vertical_damping": 1e3,
        "cornering_stiffness": C,
        "cornering_per_load": 0.0,
        "camber_stiffness": 0.0,
        "camber_per_load": 0.0,
        "slip_stiffness_per_load": 1e4,
        "relaxation_length": sigma,
        "relaxation_length_x": 0.1,
        "carcass_damping": 0.0,
        "friction_x": 1e9,
        "friction_y": 1e9,
        "rolling_resistance": 0.0,
        "pneumatic_trail": 0.0,
        "twisting_arm": 0.0,
        "rolling_radius_share": 1.0,
    }


def _nothing(group: str) -> dict[str, float]:
    """A group of the table with every entry zero."""
    return {p.name: 0.0 for g in GROUPS if g.name == group for p in g.parameters}


def two_rigid_frames(
    *,
    frame: dict[str, float],
    fork: dict[str, float],
    rear_wheel: dict[str, float],
    front_wheel: dict[str, float],
    rake: float,
    axis_at_ground: float,
    crown: float = 0.0,
    C: float = 1e7,
    sigma: float = 1e-3,
    gravity: float = 9.81,
    tyre: dict[str, float] | None = None,
) -> Vehicle:
    """A rigid rear frame and a rigid steered frame on two stiff tyres, without air or engine.

    frame, fork      mass, x, z, ixx, iyy, izz, ixz (integral of x z dm)
    wheels           mass, x, radius (loaded), spin_inertia, diametral_inertia
    rake             [rad] steering axis from the vertical
    axis_at_ground   [m]   where the steering axis meets the ground, forward of the rear contact
    tyre             entries that differ from the stiff tyre's

    Tyres are so much larger than the given radius that the *loaded* one, standing, is the given one.
    """
    bodies = (
        (frame["mass"], frame["x"]),
        (fork["mass"], fork["x"]),
        (rear_wheel["mass"], 0.0),
        (front_wheel["mass"], front_wheel["x"]),
    )
    total = sum(m for m, _x in bodies)
    front_load = gravity * sum(m * x for m, x in bodies) / front_wheel["x"]
    values = {g.name: _nothing(g.name) for g in GROUPS if not g.optional}
    values["main_frame"] |= frame
    values["steered_frame"] |= fork
    for name, wheel, load in (
        ("rear_wheel", rear_wheel, gravity * total - front_load),
        ("front_wheel", front_wheel, front_load),
    ):
        values[name] = {
            "mass": wheel["mass"],
            "x": wheel.get("x", 0.0),
            "z": wheel["radius"],
            "spin_inertia": wheel["spin_inertia"],
            "diametral_inertia": wheel["diametral_inertia"],
        }
        values["tyre_" + name.removesuffix("_wheel")] = _tyre(
            wheel["radius"] + load / (tyre or {}).get("vertical_stiffness", VERTICAL), crown, C, sigma
        ) | (tyre or {})
    values["swingarm"] |= {"pivot_x": 0.5, "pivot_z": 0.35}
    values["frame_torsion"] |= {"x": 0.9, "z": 0.7, "stiffness": 1e5}
    values["steering"] |= {
        "rake": rake,
        "axis_x": axis_at_ground,
        "stop_angle": 1.5,
        "stop_stiffness": 1e3,
    }
    values["fork"] |= {"stiffness": 1e4, "travel": 0.1, "stop_stiffness": 1e5, "design_travel": 0.05}
    values["shock"] |= {
        "lever": 0.3,
        "stiffness": 1e5,
        "travel": 0.1,
        "stop_stiffness": 1e5,
        "design_travel": 0.05,
    }
    values["engine"] |= {"inertia": 0.02, "idle_speed": 100.0, "limiter_speed": 1e3, "stall_speed": 30.0}
    values["clutch"] |= {"capacity": 100.0, "stiffness": 1e3, "bite_lever": 0.7, "full_lever": 0.3}
    values["gearbox"] = dict.fromkeys(values["gearbox"], 1.0)
    values["final_drive"] = {
        "front_radius": 0.04,
        "rear_radius": 0.04,
        "countershaft_x": 0.5,
        "countershaft_z": rear_wheel["radius"],
    }
    values["brakes"] |= {
        "front_gain": 1e-4,
        "rear_gain": 1e-4,
        "stiffness": 1e5,
        "damping": 30.0,
        "front_heat_capacity": 1e3,
        "rear_heat_capacity": 1e3,
    }
    values["fall"] |= {"roll_limit": 1.1, "peg_angle": 1.0}
    return vehicle_record(
        values,
        {"engine_torque": [(100.0, 50.0), (1000.0, 50.0)]},
        locked=("swingarm", "frame_torsion", "fork"),
        gravity=gravity,
    )


def benchmark_bicycle(C: float, sigma: float = 1e-3) -> Vehicle:
    """The benchmark bicycle of Meijaard et al. on tyres of cornering stiffness C [N/rad].

    Source: J. P. Meijaard, J. M. Papadopoulos, A. Ruina, A. L. Schwab, *Linearized dynamics equations for
    the balance and steer of a bicycle: a benchmark and review*, Proc. R. Soc. A 463 (2007), table 1. Its
    axes are x forward, y right, z down, its products of inertia tensor elements: heights change sign and
    the product, - integral x z dm there, keeps its number (both x z and the element change sign).
    """
    return two_rigid_frames(
        frame={"mass": 85.0, "x": 0.3, "z": 0.9, "ixx": 9.2, "iyy": 11.0, "izz": 2.8, "ixz": 2.4},
        fork={
            "mass": 4.0,
            "x": 0.9,
            "z": 0.7,
            "ixx": 0.05892,
            "iyy": 0.06,
            "izz": 0.00708,
            "ixz": -0.00756,
        },
        rear_wheel={"mass": 2.0, "radius": 0.3, "spin_inertia": 0.12, "diametral_inertia": 0.0603},
        front_wheel={
            "mass": 3.0,
            "x": 1.02,
            "radius": 0.35,
            "spin_inertia": 0.28,
            "diametral_inertia": 0.1405,
        },
        rake=math.pi / 10.0,
        axis_at_ground=1.02 + 0.08,
        C=C,
        sigma=sigma,
    )


def sharp_motorcycle(
    p: dict[str, float], *, product: float, rake: float, damper: float, stiffness: float = 1e6
) -> Vehicle:
    """A motorcycle of two rigid frames: R. S. Sharp, *The stability and control of motorcycles* (1971).

    p          its parameters by symbol (tests/reference/sharp1971_parameters.csv)
    product    [kg m2]  rear frame's integral of x z dm at its mass centre, z down as in the paper
    rake       [rad]    steering axis from the vertical
    damper     [N m s/rad]
    stiffness  [N/m]    vertical, of both tyres: nothing lateral may depend on it

    The paper's frames include their wheels: here the wheels carry nothing but their spin.
    """
    c, s, b = math.cos(rake), math.sin(rake), p["b"]
    base = b + (p["a"] - p["an"]) / c
    # Mass centre of the front frame: from the foot of the perpendicular `a`, ahead by e, down the axis by f.
    front_x, front_z = b + (p["a"] + p["e"]) * c + p["f"] * s, (p["a"] + p["e"]) * s - p["f"] * c
    vehicle = two_rigid_frames(
        frame={
            "mass": p["Mr"],
            "x": b,
            "z": p["h"],
            "ixx": p["Irx"],
            "iyy": p["Irx"],  # about y nothing of the lateral motion turns
            "izz": p["Irz"],
            "ixz": -product,
        },
        fork={
            "mass": p["Mf"],
            "x": front_x,
            "z": front_z,
            "ixx": p["Ifx"] * c * c + p["Ifz"] * s * s,
            "iyy": p["Ifx"],
            "izz": p["Ifx"] * s * s + p["Ifz"] * c * c,
            "ixz": (p["Ifz"] - p["Ifx"]) * s * c,
        },
        rear_wheel={"mass": 0.0, "radius": p["Rr"], "spin_inertia": p["iry"], "diametral_inertia": 0.0},
        front_wheel={
            "mass": 0.0,
            "x": base,
            "radius": p["Rf"],
            "spin_inertia": p["ify"],
            "diametral_inertia": 0.0,
        },
        rake=rake,
        axis_at_ground=b + p["a"] / c,
        sigma=p["sig"],
        tyre={"vertical_stiffness": stiffness},
    )
    vehicle.body[0]["steering_damping"] = damper
    for tyre, radius, end in zip(vehicle.tyre, (p["Rr"], p["Rf"]), "rf", strict=True):
        # A tread as round as it is sunk rolls on a sharp edge in the plane of the road, as the paper's does;
        # a sharper one would have its edge below the road, and the trail would see it.
        tyre["crown_radius"] = tyre["radius"] - radius
        tyre["cornering_stiffness"], tyre["camber_stiffness"] = p[f"C{end}1"], p[f"C{end}2"]
    return vehicle


BASE, AHEAD, MASS = 1.4, 0.68, 250.0
"""Wheelbase [m], mass centre ahead of the rear contact [m] and mass [kg] of the two machines below."""


def round_tyred(crown: float, height: float) -> Vehicle:
    """One rigid mass on two stiff tyres of equal crown, its centre ``height`` [m] above the ground.

    Wheels and fork hardly weigh or spin, and the frame's moments of inertia are equal, so that nothing but
    the mass and the crowns decides how far it leans.
    """
    wheel = {"mass": 1e-2, "radius": 0.3, "spin_inertia": 1e-3, "diametral_inertia": 1e-3}
    body = {"ixx": 20.0, "iyy": 20.0, "izz": 20.0, "ixz": 0.0}
    return two_rigid_frames(
        frame={"mass": MASS, "x": AHEAD, "z": height, **body},
        fork={"mass": 1e-2, "x": 1.3, "z": height, "ixx": 1e-3, "iyy": 1e-3, "izz": 1e-3, "ixz": 0.0},
        rear_wheel=wheel,
        front_wheel={**wheel, "x": BASE},
        rake=math.radians(24.0),
        axis_at_ground=BASE + 0.1,
        crown=crown,
        C=2e5,
        sigma=0.1,
        tyre={"vertical_stiffness": 1e7, "slip_stiffness_per_load": 1e2},
    )


def block_on_wheels(height: float) -> Vehicle:
    """The same mass without suspension on tyres soft enough to be stepped through time, light wheels."""
    wheel = {"mass": 1e-3, "radius": 0.3, "spin_inertia": 0.02, "diametral_inertia": 0.01}
    return two_rigid_frames(
        frame={"mass": MASS, "x": AHEAD, "z": height, "ixx": 15.0, "iyy": 25.0, "izz": 20.0, "ixz": 1.0},
        fork={"mass": 1e-3, "x": 1.3, "z": height, "ixx": 0.1, "iyy": 0.1, "izz": 0.1, "ixz": 0.0},
        rear_wheel=wheel,
        front_wheel={**wheel, "x": BASE},
        rake=math.radians(24.0),
        axis_at_ground=BASE + 0.1,
        C=2e4,
        sigma=0.2,
        tyre={"vertical_stiffness": 1e6, "vertical_damping": 5e3, "slip_stiffness_per_load": 20.0},
    )


def mirrored_state(x: NDArray[np.float64]) -> NDArray[np.float64]:
    """The state (N_X,), or its rate, seen in a mirror that swaps left and right."""
    m = x.copy()
    odd = (
        POSITION + 1,
        QUATERNION + 1,
        QUATERNION + 3,
        JOINT + TORSION,
        JOINT + STEER,
        OMEGA,
        OMEGA + 2,
        VELOCITY + 1,
        JOINT_RATE + TORSION,
        JOINT_RATE + STEER,
        BEND,
        BEND_RATE,
        SWAY,
        SWAY_RATE,
        DEFLECTION + 1,
        DEFLECTION + 3,
    )
    for i in odd:
        m[i] = -m[i]
    return m


def mirrored_inputs(u: NDArray[np.float64]) -> NDArray[np.float64]:
    """Inputs (N_U,) seen in the same mirror."""
    m = u.copy()
    for i in (
        U_STEER_TORQUE,
        U_STEER_ACCELERATION,
        U_TOW_HEADING,
        U_WIND_Y,
        U_ROAD_REAR + 2,
        U_ROAD_FRONT + 2,
    ):
        m[i] = -m[i]
    return m


# Size of a random state's entries: what a motorcycle that is being thrown about shows.
_SPREAD = np.zeros(N_X)
_SPREAD[POSITION : POSITION + 2] = 5.0
_SPREAD[QUATERNION : QUATERNION + 4] = 0.5
_SPREAD[JOINT + SWINGARM], _SPREAD[JOINT + TORSION], _SPREAD[JOINT + STEER] = 0.1, 0.05, 0.3
_SPREAD[JOINT + FORK], _SPREAD[JOINT + REAR_WHEEL], _SPREAD[JOINT + FRONT_WHEEL] = 0.04, 10.0, 10.0
_SPREAD[OMEGA : OMEGA + 3] = 2.0
_SPREAD[VELOCITY : VELOCITY + 3] = (20.0, 3.0, 1.0)
_SPREAD[JOINT_RATE : JOINT_RATE + 6] = (2.0, 80.0, 1.0, 5.0, 0.5, 80.0)
_SPREAD[DEFLECTION : DEFLECTION + 4] = 0.01
_SPREAD[ENGINE], _SPREAD[CLUTCH_TWIST], _SPREAD[IDLE] = 500.0, 0.1, 10.0
_SPREAD[DISC_FRONT] = _SPREAD[DISC_REAR] = 600.0
_SPREAD[BRAKE_TWIST_FRONT] = _SPREAD[BRAKE_TWIST_REAR] = 0.01


def random_state(rng: np.random.Generator, height: float = 0.0, tilt: float = 0.5) -> NDArray[np.float64]:
    """A state (N_X,) with every entry drawn; ``height`` [m] is the centre of its height, +-3 cm."""
    x = np.asarray(rng.uniform(-1.0, 1.0, N_X) * _SPREAD)
    q = QUATERNION
    x[q] = 1.0
    x[q + 1 : q + 4] *= tilt
    x[q : q + 4] /= np.linalg.norm(x[q : q + 4])
    x[POSITION + 2] = height + rng.uniform(-0.03, 0.03)
    return x


def ride(vehicle: Vehicle, x: NDArray[np.float64], u: NDArray[np.float64], dt: float, steps: int) -> None:
    """Advance x by ``steps`` steps of ``dt`` [s] with the inputs held."""
    s = scratch()
    for _ in range(steps):
        begin(vehicle.body, vehicle.tyre, x, u, s)
        finish(vehicle.body, vehicle.tyre, x, u, dt, s)


def no_inputs() -> NDArray[np.float64]:
    """Inputs (N_U,) all zero but the grip, which is one; neutral, no air."""
    u = np.zeros(N_U)
    u[7] = u[8] = 1.0
    return u
