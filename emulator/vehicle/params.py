"""The table of vehicle parameters: what a vehicle file must give, and the record compiled code reads.

One table serves three uses: the vehicle file is checked against it, the structured record ``Vehicle``
is laid out from it, and the documentation of every entry is its last column. ``low``..``high`` is what
is possible at all; ``plausible_low``..``plausible_high`` is what a road or racing motorcycle shows, and
anything outside only warns.

All positions are in the main frame at the design position: x forward from the rear contact, z up, the
bike upright, joints at zero. Products of inertia are the integral of x z dm (positive: mass is high in
front). Sources of plausible ranges: common practice, no source, unless the entry names one.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.constants import GRAVITY

INF = math.inf

COMMON_PRACTICE = "common practice, no source"
"""Where a range is from that nobody published."""


class Parameter(NamedTuple):
    """One number of the vehicle file, in SI; ``range_source``: of the plausible range."""

    name: str
    unit: str
    low: float
    high: float
    plausible_low: float
    plausible_high: float
    meaning: str
    range_source: str = COMMON_PRACTICE


class Group(NamedTuple):
    """A top-level section of the vehicle file; one that is ``optional`` may be left out."""

    name: str
    meaning: str
    parameters: tuple[Parameter, ...]
    optional: bool = False


class Curve(NamedTuple):
    """One table of the vehicle file: its SI units, and what it is."""

    argument_unit: str
    value_unit: str
    meaning: str


def _body(mass_high: float, inertia_high: float) -> tuple[Parameter, ...]:
    return (
        Parameter("mass", "kg", 1e-3, 2000.0, 0.5, mass_high, "mass of this body"),
        Parameter("x", "m", -5.0, 5.0, -0.5, 2.0, "mass centre, forward of the rear contact"),
        Parameter("z", "m", -5.0, 5.0, 0.1, 1.5, "mass centre, above the ground"),
        Parameter(
            "ixx", "kg m2", 0.0, 1e4, 1e-4, inertia_high, "moment of inertia about x at the mass centre"
        ),
        Parameter(
            "iyy", "kg m2", 0.0, 1e4, 1e-4, inertia_high, "moment of inertia about y at the mass centre"
        ),
        Parameter(
            "izz", "kg m2", 0.0, 1e4, 1e-4, inertia_high, "moment of inertia about z at the mass centre"
        ),
        Parameter(
            "ixz", "kg m2", -1e4, 1e4, -5.0, 10.0, "product of inertia at the mass centre, integral of x z dm"
        ),
    )


def _wheel() -> tuple[Parameter, ...]:
    return (
        Parameter("mass", "kg", 1e-3, 500.0, 3.0, 30.0, "mass of wheel, tyre and discs"),
        Parameter("x", "m", -5.0, 5.0, -0.1, 2.0, "axle, forward of the rear contact"),
        Parameter("z", "m", 0.05, 2.0, 0.2, 0.4, "axle, above the ground"),
        Parameter("spin_inertia", "kg m2", 1e-4, 100.0, 0.1, 1.2, "moment of inertia about the axle"),
        Parameter("diametral_inertia", "kg m2", 1e-4, 100.0, 0.05, 0.8, "moment of inertia about a diameter"),
    )


def _tyre() -> tuple[Parameter, ...]:
    return (
        Parameter("radius", "m", 0.05, 2.0, 0.25, 0.36, "outer radius, unloaded"),
        Parameter("crown_radius", "m", 0.0, 0.5, 0.03, 0.13, "radius of the cross-section (torus)"),
        Parameter("vertical_stiffness", "N/m", 1.0, 1e9, 8e4, 3e5, "vertical stiffness of the tyre"),
        Parameter("vertical_damping", "N s/m", 0.0, 1e6, 50.0, 2000.0, "vertical damping of the tyre"),
        Parameter(
            "cornering_stiffness", "N/rad", 0.0, 1e12, 0.0, 0.0, "cornering stiffness, part free of load"
        ),
        Parameter(
            "cornering_per_load",
            "1/rad",
            0.0,
            1e6,
            10.0,
            25.0,
            "cornering stiffness over load",
            "Cossalter (2006) 'Motorcycle Dynamics', from memory",
        ),
        Parameter("camber_stiffness", "N/rad", 0.0, 1e12, 0.0, 0.0, "camber stiffness, part free of load"),
        Parameter(
            "camber_per_load",
            "1/rad",
            0.0,
            1e3,
            0.7,
            1.5,
            "camber stiffness over load",
            "Cossalter (2006) 'Motorcycle Dynamics', from memory",
        ),
        Parameter(
            "slip_stiffness_per_load", "1", 1e-3, 1e6, 8.0, 40.0, "longitudinal slip stiffness over load"
        ),
        Parameter(
            "relaxation_length",
            "m",
            1e-6,
            5.0,
            0.12,
            0.45,
            "lateral relaxation length",
            "Cossalter (2006) 'Motorcycle Dynamics', from memory",
        ),
        Parameter("relaxation_length_x", "m", 1e-6, 5.0, 0.05, 0.45, "longitudinal relaxation length"),
        Parameter("carcass_damping", "N s/m", 0.0, 1e5, 0.0, 1000.0, "damping of the carcass in shear"),
        Parameter(
            "friction_x", "1", 1e-3, 1e9, 0.6, 1.6, "longitudinal friction on a road of grip 1, sticking"
        ),
        Parameter("friction_y", "1", 1e-3, 1e9, 0.6, 1.6, "lateral friction on a road of grip 1, sticking"),
        Parameter("rolling_resistance", "1", 0.0, 1.0, 0.005, 0.04, "power lost over load and rolling speed"),
        Parameter("pneumatic_trail", "m", 0.0, 0.5, 0.0, 0.05, "pneumatic trail at small slip"),
        Parameter("twisting_arm", "m", 0.0, 0.5, 0.0, 0.05, "twisting moment over load and camber angle"),
        Parameter(
            "rolling_radius_share",
            "1",
            0.0,
            1.0,
            0.2,
            0.6,
            "part of the vertical deflection that the effective rolling radius loses; about a third: Pacejka "
            "(2006) 'Tyre and Vehicle Dynamics', from memory",
        ),
    )


def _tread() -> tuple[Parameter, ...]:
    return (
        Parameter(
            "sliding_friction",
            "1",
            0.1,
            1.0,
            0.5,
            1.0,
            "friction left when sliding fast, over that of sticking",
            "locked over greatest braking force, 0.64 on dry and wet asphalt: M. Burckhardt (1993) "
            "'Fahrwerktechnik: Radschlupf-Regelsysteme', from memory",
        ),
        Parameter(
            "sliding_speed",
            "m/s",
            0.1,
            1e3,
            3.0,
            50.0,
            "sliding speed over which the rest of the friction falls to 1/e",
            "6.6 m/s of Canudas de Wit and Tsiotras (1999) to 50 m/s of Burckhardt (1993), both from memory",
        ),
        Parameter("nominal_load", "N", 1.0, 1e6, 300.0, 4000.0, "load at which the tyre has its friction"),
        Parameter(
            "friction_per_load",
            "1",
            0.0,
            0.45,
            0.0,
            0.2,
            "share of its friction that the tyre loses with each nominal load more",
            "a car's, 0.03 along and 0.15 across: Pacejka (2006) 'Tyre and Vehicle Dynamics', from memory",
        ),
        Parameter("best_temperature", "K", 0.0, 500.0, 20.0, 110.0, "over the air, at which it grips best"),
        Parameter(
            "temperature_width",
            "K",
            1.0,
            1e4,
            60.0,
            300.0,
            "off the best, at which half of the friction is left",
        ),
        Parameter("heat_capacity", "J/K", 10.0, 1e6, 500.0, 8000.0, "heat that the tread stores"),
        Parameter(
            "heat_share", "1", 0.0, 1.0, 0.3, 1.0, "of the friction's power; the rest goes into the road"
        ),
        Parameter("cooling", "W/K", 0.0, 1e4, 1.0, 30.0, "heat that the tread gives to the air at rest"),
        Parameter(
            "cooling_per_speed", "W s/(K m)", 0.0, 1e3, 0.05, 2.0, "how that grows with the speed it runs at"
        ),
        Parameter(
            "road_cooling", "W/K", 0.0, 1e4, 0.0, 100.0, "heat that it gives to the road at nominal load"
        ),
    )


TREADS: tuple[Group, ...] = tuple(
    Group(
        f"tread_{end}",
        f"rubber of the {end} tyre: how its friction falls with sliding, load and off its best temperature. "
        "Left out: it does not",
        _tread(),
        True,
    )
    for end in ("front", "rear")
)
"""What the friction of each tyre depends on."""

# A tread that is left out: friction that falls with nothing.
_CONSTANT_FRICTION = {
    "sliding_friction": 1.0,
    "sliding_speed": 1.0,
    "nominal_load": 1.0,
    "friction_per_load": 0.0,
    "best_temperature": 0.0,
    "temperature_width": INF,
    "heat_capacity": INF,
    "heat_share": 0.0,
    "cooling": 0.0,
    "cooling_per_speed": 0.0,
    "road_cooling": 0.0,
}


def _inflation() -> tuple[Parameter, ...]:
    published = "Besselink, Schmeitz and Pacejka, Vehicle System Dynamics 48 (2010), from memory"
    return (
        Parameter("pressure", "Pa", 1e4, 1e6, 1.2e5, 3.5e5, "pressure over that of the air, as it is ridden"),
        Parameter(
            "nominal_pressure", "Pa", 1e4, 1e6, 1.2e5, 3.5e5, "pressure that the tyre's numbers are for"
        ),
        Parameter(
            "stiffness_per_pressure",
            "1",
            0.0,
            1.0,
            0.4,
            1.0,
            "growth of the vertical stiffness over that of the pressure",
            published,
        ),
        Parameter(
            "slip_stiffness_per_pressure",
            "1",
            -0.9,
            0.9,
            -0.5,
            0.3,
            "growth of cornering and slip stiffness over that of the pressure",
            published,
        ),
        Parameter(
            "friction_lost",
            "1",
            0.0,
            4.0,
            0.0,
            1.0,
            "share of the friction that is lost, over the square of the pressure's change",
            published,
        ),
    )


INFLATIONS: tuple[Group, ...] = tuple(
    Group(
        f"inflation_{end}",
        f"pressure of the {end} tyre, and what it changes. Left out: the tyre is as its numbers say",
        _inflation(),
        True,
    )
    for end in ("front", "rear")
)
"""How each tyre is inflated."""


def _hard_part() -> tuple[Parameter, ...]:
    return (
        Parameter("x", "m", -5.0, 5.0, -0.5, 2.0, "where it touches, forward of the rear contact"),
        Parameter("y", "m", 0.0, 5.0, 0.05, 0.6, "the same, to either side of the middle"),
        Parameter("z", "m", -5.0, 5.0, 0.1, 1.5, "the same, above the ground"),
        Parameter("stiffness", "N/m", 1e3, 1e8, 1e5, 5e6, "stiffness against the road"),
        Parameter("damping", "s/m", 0.0, 100.0, 0.2, 5.0, "growth of its force per speed of pressing in"),
        Parameter(
            "friction",
            "1",
            0.0,
            5.0,
            0.2,
            0.8,
            "friction on a road of grip 1",
            "motorcycles sliding on their sides, accident reconstruction, from memory",
        ),
    )


HARD_PARTS: tuple[tuple[Group, int], ...] = tuple(
    (Group(name, f"{meaning}, on both sides. Left out: it never touches the road", _hard_part(), True), body)
    for name, meaning, body in (
        ("footpegs", "outer ends of the footpegs", 0),
        ("engine_covers", "widest places of the engine's covers", 0),
        ("fairing", "widest places of fairing or tank", 0),
        ("tail", "rear end of the seat", 0),
        ("handlebar", "ends of the handlebar", 4),
        ("levers", "tips of the levers", 4),
        ("front_axle", "ends of the front axle", 5),
        ("rear_axle", "ends of the rear axle", 1),
    )
)
"""What a falling bike touches the road with besides its tyres, and the body of the tree that carries it."""

FOOTPEGS = 0
"""Place of the footpegs in HARD_PARTS, and in the record if the vehicle has them."""


FORK_BENDING = Group(
    "fork_bending",
    "sideways bending of the fork: what is below turns about an axis across the steering axis. Left out: it "
    "does not bend",
    (
        Parameter("x", "m", -5.0, 5.0, 0.8, 1.6, "a point of the bending axis, forward of the rear contact"),
        Parameter("z", "m", -5.0, 5.0, 0.3, 1.2, "that point, above the ground: the lower triple clamp"),
        Parameter("stiffness", "N m/rad", 1.0, 1e9, 1e4, 2e5, "stiffness against bending"),
        Parameter("damping", "N m s/rad", 0.0, 1e6, 1.0, 200.0, "damping of the bending"),
    ),
    True,
)
"""How a fork bends that does."""


ROBOT_MOUNT = Group(
    "robot_mount",
    "how the robot gives in its mount: it rolls sideways about an axis along x, against a spring and a "
    "damper. Left out: it is fixed to the frame",
    (
        Parameter("z", "m", -5.0, 5.0, 0.3, 1.2, "height of the axis: the seat, or the brackets"),
        Parameter(
            "stiffness",
            "N m/rad",
            1.0,
            1e9,
            2e3,
            2e5,
            "stiffness against the roll",
        ),
        Parameter(
            "damping",
            "N m s/rad",
            0.0,
            1e6,
            5.0,
            500.0,
            "damping of the roll",
        ),
    ),
    True,
)
"""How the robot gives in its mount, where it does."""


GROUPS: tuple[Group, ...] = (
    Group("main_frame", "frame, engine, tank and bodywork without the robot", _body(300.0, 60.0)),
    Group(
        "swingarm",
        "swingarm without wheel",
        (
            *_body(20.0, 2.0),
            Parameter("pivot_x", "m", -5.0, 5.0, 0.3, 0.8, "pivot, forward of the rear contact"),
            Parameter("pivot_z", "m", -5.0, 5.0, 0.2, 0.6, "pivot, above the ground"),
        ),
    ),
    Group("rear_wheel", "rear wheel with tyre and disc", _wheel()),
    Group(
        "frame_torsion",
        "twist of the frame between swingarm pivot and steering head",
        (
            Parameter(
                "x", "m", -5.0, 5.0, 0.3, 1.4, "a point of the twist axis, forward of the rear contact"
            ),
            Parameter("z", "m", -5.0, 5.0, 0.2, 1.2, "that point, above the ground"),
            Parameter("inclination", "rad", -1.6, 1.6, 0.2, 0.7, "rise of the twist axis towards the front"),
            Parameter("stiffness", "N m/rad", 1.0, 1e9, 1e4, 3e5, "stiffness against the twist"),
            Parameter("damping", "N m s/rad", 0.0, 1e6, 5.0, 300.0, "damping of the twist"),
        ),
    ),
    Group(
        "steering",
        "steering axis, damper and stops",
        (
            Parameter(
                "rake", "rad", -0.5, 1.2, 0.35, 0.55, "steering axis from the vertical, its top to the rear"
            ),
            Parameter(
                "axis_x",
                "m",
                -5.0,
                5.0,
                0.8,
                1.6,
                "a point of the steering axis, forward of the rear contact",
            ),
            Parameter("axis_z", "m", -5.0, 5.0, 0.2, 1.2, "that point, above the ground"),
            Parameter("damping", "N m s/rad", 0.0, 1e4, 1.0, 20.0, "damping of the steering damper"),
            Parameter("stop_angle", "rad", 0.05, 1.6, 0.3, 0.8, "steering angle at which a stop is met"),
            Parameter("stop_stiffness", "N m/rad", 1.0, 1e6, 500.0, 2e4, "stiffness of the stop"),
            Parameter("stop_damping", "N m s/rad", 0.0, 1e4, 1.0, 200.0, "damping of the stop"),
        ),
    ),
    Group("steered_frame", "handlebar, triple clamps, upper fork", _body(25.0, 2.0)),
    Group("fork_lower", "lower fork, calipers, mudguard; moves with the fork travel", _body(15.0, 2.0)),
    Group("front_wheel", "front wheel with tyre and discs", _wheel()),
    FORK_BENDING,
    ROBOT_MOUNT,
    Group(
        "fork",
        "front spring and damper, both legs together",
        (
            Parameter("stiffness", "N/m", 1.0, 1e8, 8e3, 4e4, "stiffness of the springs"),
            Parameter("bump_damping", "N s/m", 0.0, 1e6, 300.0, 4000.0, "damping in compression"),
            Parameter("rebound_damping", "N s/m", 0.0, 1e6, 500.0, 6000.0, "damping in extension"),
            Parameter("design_force", "N", -1e5, 1e5, 200.0, 3000.0, "spring force at the design position"),
            Parameter("design_travel", "m", 0.0, 0.5, 0.01, 0.1, "compression at the design position"),
            Parameter("travel", "m", 1e-3, 0.6, 0.08, 0.25, "total travel between its stops"),
            Parameter("stop_stiffness", "N/m", 1.0, 1e8, 5e4, 5e5, "stiffness of the stops"),
        ),
    ),
    Group(
        "shock",
        "rear spring and damper, seen along the shock",
        (
            Parameter("lever", "m", 1e-3, 2.0, 0.1, 0.6, "compression of the shock over swingarm angle"),
            Parameter("stiffness", "N/m", 1.0, 1e8, 2e4, 3e5, "stiffness of the spring"),
            Parameter("bump_damping", "N s/m", 0.0, 1e6, 500.0, 3e4, "damping in compression"),
            Parameter("rebound_damping", "N s/m", 0.0, 1e6, 1000.0, 5e4, "damping in extension"),
            Parameter("design_force", "N", -1e6, 1e6, 500.0, 2e4, "spring force at the design position"),
            Parameter("design_travel", "m", 0.0, 0.5, 0.005, 0.06, "compression at the design position"),
            Parameter("travel", "m", 1e-3, 0.6, 0.03, 0.2, "total travel between its stops"),
            Parameter("stop_stiffness", "N/m", 1.0, 1e8, 1e5, 5e6, "stiffness of the stops"),
        ),
    ),
    Group("tyre_front", "front tyre: size, stiffness, friction", _tyre()),
    Group("tyre_rear", "rear tyre: size, stiffness, friction", _tyre()),
    *TREADS,
    *INFLATIONS,
    Group(
        "engine",
        "engine; the full-throttle torque curve is the table engine_torque",
        (
            Parameter("inertia", "kg m2", 1e-5, 10.0, 0.005, 0.1, "rotating inertia at the crankshaft"),
            Parameter("idle_speed", "rad/s", 10.0, 1000.0, 80.0, 250.0, "speed that idle control holds"),
            Parameter(
                "idle_torque_per_speed",
                "N m s/rad",
                0.0,
                10.0,
                0.05,
                2.0,
                "idle control, torque per missing speed",
            ),
            Parameter(
                "idle_torque_per_angle", "N m/rad", 0.0, 100.0, 0.1, 5.0, "idle control, integral part"
            ),
            Parameter("idle_torque", "N m", 0.0, 500.0, 5.0, 60.0, "most torque idle control can add"),
            Parameter(
                "stall_speed", "rad/s", 0.0, 500.0, 20.0, 120.0, "below this the engine makes no torque"
            ),
            Parameter(
                "limiter_speed",
                "rad/s",
                100.0,
                5000.0,
                700.0,
                1800.0,
                "speed at which the limiter has taken the drive away",
            ),
            Parameter("drag_torque", "N m", 0.0, 500.0, 2.0, 30.0, "closed-throttle drag, constant part"),
            Parameter(
                "drag_torque_per_speed",
                "N m s/rad",
                0.0,
                5.0,
                0.0,
                0.05,
                "closed-throttle drag, growing with speed",
            ),
        ),
    ),
    Group(
        "clutch",
        "clutch, seen at the gearbox input",
        (
            Parameter("capacity", "N m", 0.1, 1e4, 100.0, 600.0, "torque it holds when fully engaged"),
            Parameter("bite_lever", "1", 0.0, 1.0, 0.3, 0.9, "lever position at which it begins to hold"),
            Parameter("full_lever", "1", 0.0, 1.0, 0.0, 0.6, "lever position at which it holds fully"),
            Parameter(
                "stiffness", "N m/rad", 1.0, 1e6, 200.0, 2e4, "torsional stiffness of the whole driveline"
            ),
            Parameter(
                "damping", "N m s/rad", 0.0, 1e4, 0.1, 50.0, "torsional damping of the whole driveline"
            ),
        ),
    ),
    Group(
        "gearbox",
        "primary drive and gears: input speed over output speed",
        (
            Parameter("primary", "1", 0.1, 20.0, 1.2, 2.5, "crankshaft over gearbox input"),
            *(Parameter(f"gear_{n}", "1", 0.1, 20.0, 0.8, 3.5, f"ratio of gear {n}") for n in range(1, 7)),
            Parameter("shift_time", "s", 0.0, 2.0, 0.02, 0.3, "time the dogs need from one gear to the next"),
        ),
    ),
    Group(
        "final_drive",
        "chain and its sprockets",
        (
            Parameter("front_radius", "m", 0.005, 1.0, 0.03, 0.06, "front sprocket pitch radius"),
            Parameter("rear_radius", "m", 0.005, 1.0, 0.08, 0.14, "rear sprocket pitch radius"),
            Parameter(
                "countershaft_x", "m", -5.0, 5.0, 0.4, 0.9, "front sprocket, forward of the rear contact"
            ),
            Parameter("countershaft_z", "m", -5.0, 5.0, 0.2, 0.6, "front sprocket, above the ground"),
        ),
    ),
    Group(
        "brakes",
        "brake torque over line pressure",
        (
            Parameter("front_gain", "N m/Pa", 0.0, 1.0, 1e-4, 2e-3, "front wheel torque over pressure"),
            Parameter("rear_gain", "N m/Pa", 0.0, 1.0, 3e-5, 1e-3, "rear wheel torque over pressure"),
            Parameter("stiffness", "N m/rad", 1.0, 1e7, 2e3, 1e5, "wind-up stiffness of disc and caliper"),
            Parameter("damping", "N m s/rad", 0.0, 1e5, 1.0, 200.0, "damping of that wind-up"),
            Parameter("front_heat_capacity", "J/K", 1.0, 1e6, 400.0, 4000.0, "heat the front discs store"),
            Parameter("rear_heat_capacity", "J/K", 1.0, 1e6, 200.0, 2000.0, "heat the rear disc stores"),
            Parameter("front_cooling", "W/K", 0.0, 1e5, 2.0, 60.0, "heat the front discs give off"),
            Parameter("rear_cooling", "W/K", 0.0, 1e5, 1.0, 40.0, "heat the rear disc gives off"),
            Parameter(
                "fade_from", "K", 0.0, 5000.0, 200.0, 700.0, "temperature over the air at which fade begins"
            ),
            Parameter(
                "fade_per_kelvin",
                "1/K",
                0.0,
                1.0,
                0.0,
                0.02,
                "fade: torque is divided by 1 + this times the rest",
            ),
        ),
    ),
    Group(
        "air",
        "aerodynamics of bike and robot",
        (
            Parameter(
                "drag_area",
                "m2",
                0.0,
                10.0,
                0.3,
                0.65,
                "drag coefficient times area",
                "Sharp and Limebeer (2001) 0.312 to Sharp (1994) 0.63",
            ),
            Parameter(
                "lift_area", "m2", -10.0, 10.0, -0.1, 0.2, "lift coefficient times area, positive upwards"
            ),
            Parameter("side_area", "m2", 0.0, 20.0, 0.4, 1.5, "side force coefficient times area"),
            Parameter(
                "centre_x", "m", -5.0, 5.0, 0.3, 1.0, "centre of pressure, forward of the rear contact"
            ),
            Parameter("centre_z", "m", -5.0, 5.0, 0.3, 1.0, "centre of pressure, above the ground"),
        ),
    ),
    Group(
        "fall",
        "when the bike counts as down",
        (
            Parameter("roll_limit", "rad", 0.2, 1.57, 0.9, 1.3, "roll angle at which the bike is down"),
            Parameter(
                "peg_angle", "rad", 0.1, 1.57, 0.7, 1.2, "roll angle at which a footpeg touches the road"
            ),
        ),
    ),
    *(group for group, _body_number in HARD_PARTS),
)

TABLES: dict[str, Curve] = {
    "engine_torque": Curve("rad/s", "N m", "torque at full throttle over engine speed")
}
"""Tables of the vehicle file by name."""

TORQUE_POINTS = 16
"""Rows of the engine torque table in the record; shorter tables repeat their last point."""

JOINTS = ("swingarm", "rear_wheel", "frame_torsion", "steering", "fork", "front_wheel")
"""Joints of the tree in order; see :mod:`emulator.vehicle.tree`."""

TYRE_DTYPE = np.dtype(
    [*((p.name, np.float64) for p in _tyre()), *((f"tread_{p.name}", np.float64) for p in _tread())]
)
"""Layout of one tyre's record."""

VEHICLE_DTYPE = np.dtype(
    [
        *(
            (f"{group.name}_{p.name}", np.float64)
            for group in GROUPS
            if group.name not in ("tyre_front", "tyre_rear") and not group.optional
            for p in group.parameters
        ),
        ("torque_speed", np.float64, (TORQUE_POINTS,)),
        ("torque_value", np.float64, (TORQUE_POINTS,)),
        ("locked", np.int64, (len(JOINTS),)),
        ("fork_bends", np.int64),  # 0: rigid, and the rest of these is not looked at
        *((f"fork_bending_{p.name}", np.float64) for p in FORK_BENDING.parameters),
        ("mount_gives", np.int64),  # 0: the robot is part of the main frame, and its mass here is zero
        *((f"robot_mount_{p.name}", np.float64) for p in ROBOT_MOUNT.parameters),
        *((f"robot_{name}", np.float64) for name in ("mass", "x", "z", "ixx", "iyy", "izz")),
        ("gravity", np.float64),
        # hard parts: those there are, in the order of HARD_PARTS; see emulator.vehicle.contact.hard_parts
        ("parts", np.int64),
        ("part_kind", np.int64, (len(HARD_PARTS),)),  # place in HARD_PARTS
        ("part_body", np.int64, (len(HARD_PARTS),)),
        *((f"part_{p.name}", np.float64, (len(HARD_PARTS),)) for p in _hard_part()),
        ("part_share", np.float64, (len(HARD_PARTS),)),  # of the front wheel's road in the road under it
        ("part_reach", np.float64, (len(HARD_PARTS),)),  # [m] how far joints can move it, at most
        ("parts_low", np.float64, (3,)),  # [m] corners of a box in the main frame that holds all of them
        ("parts_high", np.float64, (3,)),
    ]
)
"""Layout of the rest; ``locked`` fixes joints (rigid suspension in published models)."""


class Vehicle(NamedTuple):
    """What compiled code reads: ``body`` (1,) of VEHICLE_DTYPE, ``tyre`` (2,) of TYRE_DTYPE, rear, front."""

    body: NDArray[np.void]
    tyre: NDArray[np.void]


class RigidMass(NamedTuple):
    """A mass on the main frame (the robot): kg, metres in the main frame, kg m2 at its centre."""

    mass: float
    x: float
    y: float
    z: float
    ixx: float
    iyy: float
    izz: float


def vehicle_record(
    values: dict[str, dict[str, float]],
    tables: dict[str, list[tuple[float, float]]],
    *,
    robot: RigidMass | None = None,
    locked: tuple[str, ...] = (),
    gravity: float = GRAVITY,
) -> Vehicle:
    """The records compiled code reads, from checked SI values by group and name.

    ``robot`` is merged into the main frame: masses add, the mass centre moves, inertias are taken to the
    common centre by the parallel-axis theorem. It must sit in the symmetry plane (y = 0). Where ``values``
    names its mount it stays a body of its own; a mount without a robot, or with one that weighs nothing, is
    left out.
    ``locked`` names joints held at zero, as published rigid-suspension models want. Hard parts that
    ``values`` does not name never touch the road, treads that it does not name have constant friction, and a
    fork whose bending it does not name is rigid.
    Raises KeyError for a missing entry, ValueError for a robot off the symmetry
    plane or a joint that does not exist.
    """
    body = np.zeros(1, VEHICLE_DTYPE)
    tyre = np.zeros(2, TYRE_DTYPE)
    for group in GROUPS:
        if group.optional:
            continue
        for p in group.parameters:
            value = values[group.name][p.name]
            if group.name == "tyre_rear":
                tyre[0][p.name] = value
            elif group.name == "tyre_front":
                tyre[1][p.name] = value
            else:
                body[0][f"{group.name}_{p.name}"] = value
    for one, end in zip(tyre, ("rear", "front"), strict=True):
        for name, value in (_CONSTANT_FRICTION | values.get(f"tread_{end}", {})).items():
            one[f"tread_{name}"] = value
        if f"inflation_{end}" in values:
            _inflate(one, values[f"inflation_{end}"])
    curve = tables["engine_torque"]
    for i in range(TORQUE_POINTS):
        # Unused rows lie beyond the last point, at its torque: interpolation needs no row count.
        beyond = max(0, i - len(curve) + 1)
        speed, torque = curve[min(i, len(curve) - 1)]
        body[0]["torque_speed"][i] = speed + 1.0 * beyond
        body[0]["torque_value"][i] = torque
    for name in locked:
        if name not in JOINTS:
            raise ValueError(f"no joint {name!r} to lock; joints: {', '.join(JOINTS)}")
        body[0]["locked"][JOINTS.index(name)] = 1
    body[0]["gravity"] = gravity
    if FORK_BENDING.name in values:
        body[0]["fork_bends"] = 1
        for p in FORK_BENDING.parameters:
            body[0][f"fork_bending_{p.name}"] = values[FORK_BENDING.name][p.name]
    _place_hard_parts(body, values)
    if robot is not None:
        if robot.y != 0.0:
            raise ValueError(f"robot mass centre must lie in the symmetry plane, got y = {robot.y} m")
        if ROBOT_MOUNT.name in values and robot.mass > 0.0:
            _mount(body, robot, values[ROBOT_MOUNT.name])
        else:
            _merge(body, robot)
    return Vehicle(body, tyre)


def _mount(record: NDArray[np.void], robot: RigidMass, mount: dict[str, float]) -> None:
    r = record[0]
    r["mount_gives"] = 1
    for p in ROBOT_MOUNT.parameters:
        r[f"robot_mount_{p.name}"] = mount[p.name]
    for name in ("mass", "x", "z", "ixx", "iyy", "izz"):
        r[f"robot_{name}"] = getattr(robot, name)


def _inflate(tyre: np.void, inflation: dict[str, float]) -> None:
    """Change a tyre's record from its nominal pressure to that it is ridden at.

    With dp the change of the pressure over the nominal one: stiffnesses times 1 + q dp, friction times 1 - q
    dp^2, the magic formula's terms of pressure cut down to what a motorcycle's data sheet could tell (I. J.
    M. Besselink, A. J. C. Schmeitz and H. B. Pacejka, Vehicle System Dynamics 48 (2010), from memory). Never
    below a tenth.
    """
    change = inflation["pressure"] / inflation["nominal_pressure"] - 1.0
    factors = {
        "vertical_stiffness": 1.0 + inflation["stiffness_per_pressure"] * change,
        **dict.fromkeys(
            ("cornering_stiffness", "cornering_per_load", "slip_stiffness_per_load"),
            1.0 + inflation["slip_stiffness_per_pressure"] * change,
        ),
        **dict.fromkeys(("friction_x", "friction_y"), 1.0 - inflation["friction_lost"] * change * change),
    }
    for name, factor in factors.items():
        tyre[name] *= max(factor, 0.1)


_BENT = 0.1  # [m] how far the lower end of a bending fork may swing sideways, in the hardest fall


def _place_hard_parts(record: NDArray[np.void], values: dict[str, dict[str, float]]) -> None:
    r = record[0]
    # Joints move what they carry no further than this: a point that turns by a goes at most a times its
    # distance from the axis, a strut from either stop to the other. Half a radian is for a stop that gives.
    turned = float(r["steering_stop_angle"]) + 0.5
    for kind, (group, body) in enumerate(HARD_PARTS):
        if group.name not in values:
            continue
        part, i = values[group.name], int(r["parts"])
        r["parts"] = i + 1
        r["part_kind"][i], r["part_body"][i] = kind, body
        for p in group.parameters:
            r[f"part_{p.name}"][i] = part[p.name]
        base = float(r["front_wheel_x"])
        r["part_share"][i] = min(1.0, max(0.0, part["x"] / base))
        reach = 0.0
        if body == 1:
            arm = math.hypot(
                part["x"] - float(r["swingarm_pivot_x"]), part["z"] - float(r["swingarm_pivot_z"])
            )
            reach = arm * float(r["shock_travel"]) / float(r["shock_lever"])
        elif body in (4, 5):
            along = (part["x"] - float(r["steering_axis_x"])) * math.cos(float(r["steering_rake"]))
            along += (part["z"] - float(r["steering_axis_z"])) * math.sin(float(r["steering_rake"]))
            reach = turned * math.hypot(along, part["y"])
            if body == 5:
                reach += float(r["fork_travel"]) + (_BENT if r["fork_bends"] else 0.0)
        r["part_reach"][i] = reach
        low = (part["x"] - reach, -part["y"] - reach, part["z"] - reach)
        high = (part["x"] + reach, part["y"] + reach, part["z"] + reach)
        r["parts_low"] = low if i == 0 else np.minimum(r["parts_low"], low)
        r["parts_high"] = high if i == 0 else np.maximum(r["parts_high"], high)


def _merge(record: NDArray[np.void], robot: RigidMass) -> None:
    r = record[0]
    m0, x0, z0 = float(r["main_frame_mass"]), float(r["main_frame_x"]), float(r["main_frame_z"])
    m = m0 + robot.mass
    x = (m0 * x0 + robot.mass * robot.x) / m
    z = (m0 * z0 + robot.mass * robot.z) / m
    reduced = m0 * robot.mass / m
    dx, dz = robot.x - x0, robot.z - z0
    r["main_frame_mass"], r["main_frame_x"], r["main_frame_z"] = m, x, z
    r["main_frame_ixx"] += robot.ixx + reduced * dz * dz
    r["main_frame_iyy"] += robot.iyy + reduced * (dx * dx + dz * dz)
    r["main_frame_izz"] += robot.izz + reduced * dx * dx
    r["main_frame_ixz"] += reduced * dx * dz
