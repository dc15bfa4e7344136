"""Figures of a vehicle as people know them, each beside its usual range and where that range is from.

All are worked out from the plant itself: equilibria and quasi-steady motions, on a level dry road, without
wind. What the plant then does is what is said here (tests/inspection/vehicle).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

from emulator.core.errors import ConfigError, Problem
from emulator.inspection.subject import Subject
from emulator.inspection.vehicle import usual
from emulator.inspection.vehicle.usual import Usual
from emulator.robot.gears import engine_speed
from emulator.vehicle.contact.tyre import loop_energy
from emulator.vehicle.driveline import TOP_GEAR, overall_ratio
from emulator.vehicle.equilibrium import AIR_DENSITY, NoEquilibrium
from emulator.vehicle.limit_motion import upright_limits
from emulator.vehicle.params import GROUPS, Vehicle
from emulator.vehicle.quasi_steady import Machine, machine
from emulator.vehicle.state import FRONT, REAR
from emulator.vehicle.whole.mass_properties import MassProperties, mass_properties
from emulator.vehicle.whole.steady_turn import steady_turns
from emulator.vehicle.whole.straight_running import (
    coast_down_time,
    coasting,
    limiter_speed,
    peak_power,
    peak_torque,
    top_speed,
)

LIMITS_AT_km_h = 100.0
"""Speed that the limits of driving and braking are told at."""
COAST_FROM_km_h, COAST_TO_km_h = 100.0, 50.0
"""Speeds between which the time of a coast-down is told."""
COASTS_km_h = (20.0, 50.0, 80.0, 100.0, 130.0)
"""Speeds that the deceleration of coasting is told at."""
TURNS_km_h = (30.0, 50.0, 80.0, 120.0)
"""Speeds that the steering torque is told at."""
LEANS_deg = (10.0, 20.0, 30.0, 40.0)
"""Leans that it is told at."""
LOOP_AT_N = 1100.0
"""Load at which the energy is told that a tyre's shear may give round a loop: half a bike's."""

_DRY = 1.0  # [1] grip of the road
_TYRE_FIGURES = {
    "radius": ("outer radius, unloaded", "m", 1.0),
    "crown_radius": ("crown radius", "m", 1.0),
    "friction_x": ("friction along", "", 1.0),
    "friction_y": ("friction across", "", 1.0),
    "cornering_per_load": ("cornering stiffness over load", "1/rad", 1.0),
    "camber_per_load": ("camber stiffness over load", "1/rad", 1.0),
    "relaxation_length": ("lateral relaxation length", "m", 1.0),
    "rolling_resistance": ("rolling resistance", "", 1.0),
    "vertical_stiffness": ("vertical stiffness", "kN/m", 1e-3),
}
"""Name, unit and factor by parameter."""


@dataclass(frozen=True)
class Figure:
    """A number with its name, unit and usual range.

    key     for programs
    value   None: there is none, and ``name`` says of what
    usual   None: what is usual depends on what the vehicle is for
    """

    key: str
    name: str
    value: float | None
    unit: str
    usual: Usual | None = None

    @property
    def outside(self) -> bool:
        """Whether it lies outside its usual range."""
        value, usual_range = self.value, self.usual
        return (
            value is not None and usual_range is not None and not usual_range.low <= value <= usual_range.high
        )


class Section(NamedTuple):
    """Figures that belong together, under a heading."""

    key: str
    title: str
    figures: tuple[Figure, ...]


@dataclass(frozen=True)
class VehicleFigures:
    """What there is to say of a vehicle.

    subject   vehicle, robot and rig in a line
    notes     what the figures hold for, and warnings of the file
    """

    subject: str
    sections: tuple[Section, ...]
    notes: tuple[str, ...]

    @property
    def outside(self) -> list[Figure]:
        """All figures outside their usual ranges."""
        return [figure for section in self.sections for figure in section.figures if figure.outside]

    def as_object(self) -> dict[str, object]:
        """The same as plain values for JSON."""
        return {
            "vehicle": self.subject,
            "notes": list(self.notes),
            "sections": {
                section.key: [_plain(figure) for figure in section.figures] for section in self.sections
            },
        }


def _plain(figure: Figure) -> dict[str, object]:
    out: dict[str, object] = {
        "key": figure.key,
        "name": figure.name,
        "value": None if figure.value is None else float(f"{figure.value:.6g}"),
        "unit": figure.unit,
    }
    if figure.usual is not None:
        out |= {
            "usual": [figure.usual.low, figure.usual.high],
            "source": figure.usual.source,
            "outside": figure.outside,
        }
    return out


def figures_of(subject: Subject, path: str) -> VehicleFigures:
    """Work all of them out: seconds, once the plant is compiled.

    path  of the vehicle's file, for the place of what is wrong
    Raises ConfigError for a vehicle that can't stand or run.
    """
    vehicle = subject.vehicle
    c = machine(vehicle.body, vehicle.tyre, AIR_DENSITY)
    try:
        sections = (
            Section("masses", "Geometry and masses", tuple(_masses(vehicle))),
            Section("drive", "Engine and top speed", tuple(_drive(c))),
            Section("gears", "Gears", tuple(_gears(c))),
            Section("limits", "Wheelie and stoppie limits", tuple(_limits(c))),
            Section("coasting", "Coasting in neutral", tuple(_coasting(c))),
            Section("turns", "Steering torque of steady turns", tuple(_turns(c, vehicle))),
            Section("tyres", "Tyres", tuple(_tyres(vehicle))),
        )
    except NoEquilibrium as error:
        text = f"expected a vehicle that stands, runs straight and has a top speed: {error}"
        raise ConfigError([Problem(path, 1, 1, "", text)]) from error
    on_it = (
        "With the robot of the rig on it, standing as springs and tyres let it."
        if subject.rig is not None
        else "Nobody on it: name a rig for the robot's mass. The usual ranges mean a rider's or robot's."
    )
    notes = (
        on_it,
        f"Level dry road (grip 1), no wind, air of {AIR_DENSITY:g} kg/m3.",
        *(str(warning) for warning in subject.file.warnings),
    )
    return VehicleFigures(subject.name, sections, notes)


def _masses(vehicle: Vehicle) -> Iterator[Figure]:
    body = vehicle.body[0]
    m: MassProperties = mass_properties(vehicle)
    rake = float(body["steering_rake"])
    ground = float(body["steering_axis_x"]) + float(body["steering_axis_z"]) * math.tan(rake)
    trail = ground - float(body["front_wheel_x"])
    yield Figure("wheelbase_m", "wheelbase", m.wheelbase, "m", usual.WHEELBASE)
    yield Figure("trail_m", "trail, at the design position", trail, "m", usual.TRAIL)
    yield Figure(
        "head_angle_deg", "head angle from the vertical", math.degrees(rake), "deg", usual.HEAD_ANGLE
    )
    yield Figure("mass_kg", "mass", m.mass, "kg", usual.MASS)
    yield Figure("front_share_pct", "front wheel's share", 100.0 * m.front_share, "%", usual.FRONT_SHARE)
    yield Figure("centre_ahead_m", "mass centre ahead of rear axle", m.ahead, "m", usual.CENTRE_AHEAD)
    yield Figure("centre_height_m", "mass centre above the road", m.height, "m", usual.CENTRE_HEIGHT)
    for key, name, value, range_ in (
        ("roll", "roll", m.ixx, usual.ROLL_RADIUS),
        ("pitch", "pitch", m.iyy, usual.PITCH_RADIUS),
        ("yaw", "yaw", m.izz, usual.YAW_RADIUS),
    ):
        yield Figure(f"{key}_inertia_kg_m2", f"{name} inertia", value, "kg m2")
        radius = math.sqrt(value / m.mass)
        yield Figure(f"{key}_radius_m", f"{name} radius of gyration", radius, "m", range_)


def _drive(c: Machine) -> Iterator[Figure]:
    power, torque, top = peak_power(c), peak_torque(c), top_speed(c)
    yield Figure("power_kW", "peak power at the wheel", power.value * 1e-3, "kW", usual.POWER)
    yield Figure("power_rpm", "  engine speed there", _rpm(power.engine), "rpm", usual.POWER_RPM)
    yield Figure("torque_Nm", "peak torque at the wheel, gear 1", torque.value, "N m", usual.WHEEL_TORQUE)
    yield Figure("top_speed_km_h", "top speed", 3.6 * top.speed, "km/h", usual.TOP_SPEED)
    yield Figure("top_speed_gear", "  gear there", float(top.gear), "")
    yield Figure("top_speed_rpm", "  engine speed there", _rpm(top.engine), "rpm")


def _gears(c: Machine) -> Iterator[Figure]:
    for gear in range(1, TOP_GEAR + 1):
        ratio = overall_ratio(c.body[0], gear)
        yield Figure(f"gear_{gear}_ratio", f"gear {gear}, engine over wheel speed", ratio, "")
        speed = 3.6 * limiter_speed(c, gear)
        range_ = {1: usual.FIRST_GEAR, TOP_GEAR: usual.TOP_GEAR}.get(gear)
        yield Figure(f"gear_{gear}_km_h", f"gear {gear} at the limiter", speed, "km/h", range_)


def _limits(c: Machine) -> Iterator[Figure]:
    gravity = float(c.body[0]["gravity"])
    found = upright_limits(c, LIMITS_AT_km_h / 3.6, _DRY)
    at = f"at {LIMITS_AT_km_h:.0f} km/h"
    if found is None:
        raise NoEquilibrium(f"no limit of driving and braking was found {at}")
    drive = "front wheel lifts" if found.front_lifts else "rear tyre slips"
    brake = "rear wheel lifts" if found.rear_lifts else "tyres slide"
    yield Figure(
        "hardest_drive_g", f"driving {at}: {drive}", found.driving / gravity, "g", usual.HARDEST_DRIVE
    )
    yield Figure(
        "hardest_braking_g", f"braking {at}: {brake}", -found.braking / gravity, "g", usual.HARDEST_BRAKING
    )


def _coasting(c: Machine) -> Iterator[Figure]:
    for speed in COASTS_km_h:
        yield Figure(
            f"deceleration_{speed:.0f}_km_h_m_s2",
            f"deceleration at {speed:.0f} km/h",
            -coasting(c, speed / 3.6).acceleration,
            "m/s2",
            usual.COASTING.get(speed),
        )
    time = coast_down_time(c, COAST_FROM_km_h / 3.6, COAST_TO_km_h / 3.6)
    name = f"time from {COAST_FROM_km_h:.0f} to {COAST_TO_km_h:.0f} km/h"
    yield Figure("coast_down_s", name, time, "s", usual.COAST_DOWN)


def _turns(c: Machine, vehicle: Vehicle) -> Iterator[Figure]:
    for speed in TURNS_km_h:
        v = speed / 3.6
        turns = steady_turns(c, v, [math.radians(lean) for lean in LEANS_deg], engine_speed(vehicle, v))
        for lean, turn in zip(LEANS_deg, turns, strict=True):
            yield Figure(
                f"steer_torque_{speed:.0f}_km_h_{lean:.0f}_deg_Nm",
                f"{speed:.0f} km/h, {lean:.0f} deg",
                None if turn is None else turn.steer_torque,
                "N m",
                usual.STEER_TORQUE,
            )


def _tyres(vehicle: Vehicle) -> Iterator[Figure]:
    parameters = {p.name: p for group in GROUPS if group.name == "tyre_front" for p in group.parameters}
    for key, (name, unit, factor) in _TYRE_FIGURES.items():
        p = parameters[key]
        range_ = Usual(p.plausible_low * factor, p.plausible_high * factor, p.range_source)
        for end, which in (("front", FRONT), ("rear", REAR)):
            value = float(vehicle.tyre[which][key]) * factor
            yield Figure(f"{key}_{end}", f"{name}, {end}", value, unit, range_)
    for end, which in (("front", FRONT), ("rear", REAR)):
        given = float(loop_energy(vehicle.tyre[which], LOOP_AT_N, _DRY))
        yield Figure(f"shear_loop_J_{end}", f"shear's worst loop, half a bike on it, {end}", given, "J")


def _rpm(speed: float) -> float:
    return speed * 30.0 / math.pi
