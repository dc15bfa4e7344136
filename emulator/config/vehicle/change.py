"""How the vehicle that is ridden differs from its file: values, worn tyres, pressure, warmth, loads, fuel.

The robot is not told: its plan, its balance and the sensors' own constants stay those of the file.

Wear takes rubber off normal to the tread. A surface inside a torus at an even depth is a torus round the
same ring, so outer radius and crown radius both lose the depth, and the bike stands lower by it. Less rubber
under the contact shears less: ``stiffness`` multiplies cornering, camber and slip stiffness of the tread, and
with them both relaxation lengths, because the carcass behind the tread gives as it did (stiffness over
relaxation length stays). How much stiffer, and what friction is left, is measured and not computed: both are
given. Neglected: the rubber's mass, about 0.3 kg and 0.03 kg m2 about the axle a millimetre.
"""

from __future__ import annotations

from typing import Annotated, TypeAlias

from pydantic import AfterValidator, Field, model_validator

from emulator.config.field_types import Name
from emulator.config.validation import Closed, Words, did_you_mean, wrong
from emulator.config.vehicle.consistency import findings
from emulator.config.vehicle.file import PARAMETERS, VehicleFile, between
from emulator.config.yaml_source import Source
from emulator.core.errors import ConfigError, Problem
from emulator.vehicle.params import ROBOT_MOUNT, RigidMass, vehicle_record

Values = dict[str, dict[str, float]]

_STIFFNESSES = (
    "cornering_stiffness",
    "cornering_per_load",
    "camber_stiffness",
    "camber_per_load",
    "slip_stiffness_per_load",
)
_RELAXATIONS = ("relaxation_length", "relaxation_length_x")


def _parameter(name: str) -> str:
    if name not in PARAMETERS:
        raise wrong(
            f"expected section.key of a value that vehicle files have{did_you_mean(name, PARAMETERS)}"
        )
    return name


Parameter: TypeAlias = Annotated[
    str, AfterValidator(_parameter), Words("section.key of a value of the vehicle's file")
]


class TyreWear(Closed):
    """A worn tyre."""

    depth_mm: float = Field(ge=0, le=10)
    """Depth of rubber gone, even all round; the bike stands lower by it."""
    stiffness: float = Field(default=1.0, ge=0.5, le=2)
    """[1] Factor on the new tyre's cornering, camber and slip stiffness."""
    friction: float = Field(default=1.0, ge=0.3, le=1.5)
    """[1] Factor on the new tyre's friction."""


class Wear(Closed):
    """Which tyres are worn."""

    front: TyreWear | None = None
    """Wear of the front tyre. Left out: it is new."""
    rear: TyreWear | None = None
    """Wear of the rear tyre. Left out: it is new."""


class TyrePressure(Closed):
    """How the tyres are inflated."""

    front: float | None = Field(default=None, ge=0.1, le=10)
    """[bar] Front tyre, over the air. Left out: as the vehicle's file says."""
    rear: float | None = Field(default=None, ge=0.1, le=10)
    """[bar] Rear tyre, over the air. Left out: as the vehicle's file says."""


class TreadTemperature(Closed):
    """How warm the treads are when the ride begins."""

    front: float | None = Field(default=None, ge=-50, le=300)
    """[K] Front tread over the air; 0 is cold. Left out: as warm as it grips best."""
    rear: float | None = Field(default=None, ge=-50, le=300)
    """[K] Rear tread over the air; 0 is cold. Left out: as warm as it grips best."""


class Load(Closed):
    """A mass fixed to the main frame."""

    name: Name
    """What the load is, for those who read the file."""
    mass_kg: float = Field(gt=0, le=200)
    """Mass of the load."""
    position_m: Annotated[tuple[float, float, float], Words("a list of 3 numbers (m): forward, 0, up")]
    """Its mass centre in the main frame: forward of the rear contact, left (0), above the ground."""
    inertia_kg_m2: tuple[float, float, float] = (0.0, 0.0, 0.0)
    """Its moments of inertia about x, y and z through the mass centre."""

    @model_validator(mode="after")
    def _place(self) -> Load:
        x, y, z = self.position_m
        if y != 0.0:
            raise wrong(f"expected 0, a place in the symmetry plane, got {y:g}", "position_m", 1)
        if not -1.0 <= x <= 2.5:
            raise wrong(f"expected a number from -1 to 2.5 m, got {x:g}", "position_m", 0)
        if not 0.0 <= z <= 2.0:
            raise wrong(f"expected a number from 0 to 2 m, got {z:g}", "position_m", 2)
        a, b, c = self.inertia_kg_m2
        if min(a, b, c) < 0.0 or a > b + c or b > a + c or c > a + b:
            raise wrong(
                "expected moments of inertia from 0 up, none above the sum of the others", "inertia_kg_m2"
            )
        return self


class VehicleChange(Closed):
    """How the vehicle that is ridden differs from its file; the robot is not told."""

    values: dict[Parameter, float] = Field(default_factory=dict)
    """[SI] Values that are other than the file's, by ``section.key``; the rest goes over them. Left out: all
    are the file's."""
    tyre_wear: Wear = Wear()
    """Wear of the tyres. Left out: they are new."""
    tyre_pressure_bar: TyrePressure = TyrePressure()
    """Pressure of the tyres. Left out: as the vehicle's file says."""
    tread_over_air_K: TreadTemperature = TreadTemperature()
    """Temperature of the treads over the air at the start. Left out: the one they grip best at."""
    load: tuple[Load, ...] = ()
    """Masses that are put on the bike."""
    fuel_kg: float | None = Field(default=None, ge=0, le=100)
    """Fuel on board, if the vehicle file has a tank. Left out: what the mass of its main frame includes."""


def changed_values(change: VehicleChange, file: VehicleFile, source: Source) -> Values:
    """The vehicle's values with the change.

    Raises ConfigError: a value that no bike or not this one has, fuel without a tank, a tread worn through,
    pressure or temperature of a tyre whose file does not say what they change.

    source  the scenario, for the places of what is wrong
    """
    problems: list[Problem] = []
    values = _with_others(change, file, source, problems)
    for group, name, wear in (
        ("tyre_front", "front", change.tyre_wear.front),
        ("tyre_rear", "rear", change.tyre_wear.rear),
    ):
        if wear is None:
            continue
        tyre, depth = values[group], wear.depth_mm * 1e-3
        if depth >= tyre["crown_radius"]:
            text = f"expected less than the crown radius of {tyre['crown_radius'] * 1e3:g} mm"
            problems.append(source.problem(("vehicle", "tyre_wear", name, "depth_mm"), text))
        tyre["radius"] -= depth
        tyre["crown_radius"] -= depth
        for key in (*_STIFFNESSES, *_RELAXATIONS):
            tyre[key] *= wear.stiffness
        for key in ("friction_x", "friction_y"):
            tyre[key] *= wear.friction
    for key, section, given in (
        ("tyre_pressure_bar", "inflation", change.tyre_pressure_bar),
        ("tread_over_air_K", "tread", change.tread_over_air_K),
    ):
        for end in ("front", "rear"):
            value = getattr(given, end)
            if value is None:
                continue
            if f"{section}_{end}" not in values:
                text = f"expected a vehicle whose file has a section {section}_{end}; {file.name} has none"
                problems.append(source.problem(("vehicle", key, end), text))
            elif section == "inflation":
                values[f"inflation_{end}"]["pressure"] = value * 1e5
    masses = [RigidMass(load.mass_kg, *load.position_m, *load.inertia_kg_m2) for load in change.load]
    if change.fuel_kg is not None:
        loc = ("vehicle", "fuel_kg")
        if file.tank is None:
            text = (
                f"expected a vehicle whose file says where its tank is (section tank); {file.name} does not"
            )
            problems.append(source.problem(loc, text))
        elif change.fuel_kg > file.tank["capacity"]:
            text = f"expected at most the tank's {file.tank['capacity']:g} kg, got {change.fuel_kg:g}"
            problems.append(source.problem(loc, text))
        else:
            # a mass at a point is taken away as it is put on: with its sign
            more = change.fuel_kg - file.tank["fuel"]
            masses.append(RigidMass(more, file.tank["x"], 0.0, file.tank["z"], 0.0, 0.0, 0.0))
    if problems:
        raise ConfigError(problems)
    # What is loaded is on the frame, whether the robot's mount gives or not.
    fixed = {name: group for name, group in values.items() if name != ROBOT_MOUNT.name}
    for mass in masses:
        body = vehicle_record(fixed | {"main_frame": values["main_frame"]}, file.tables, robot=mass).body[0]
        values["main_frame"] = {key: float(body[f"main_frame_{key}"]) for key in values["main_frame"]}
    return values


def _with_others(change: VehicleChange, file: VehicleFile, source: Source, problems: list[Problem]) -> Values:
    """The file's values with those that the scenario gives; notes which there are none of, or no bike has."""
    values = {group: dict(entries) for group, entries in file.values.items()}
    known = {f"{group}.{key}" for group, entries in values.items() for key in entries}
    before = len(problems)
    for name, value in change.values.items():
        at = ("vehicle", "values", name)
        if name not in known:
            text = f"expected section.key of a value that {file.name} has, got {name!r}"
            problems.append(source.problem(at, text + did_you_mean(name, known)))
            continue
        p = PARAMETERS[name]
        if not p.low <= value <= p.high:
            text = f"expected {between(p.low, p.high)} {p.unit} ({p.meaning}), got {value:g}"
            problems.append(source.problem(at, text))
            continue
        group, key = name.split(".")
        values[group][key] = value
    if change.values and len(problems) == before:
        for finding in findings(values, file.tables):
            if finding.impossible:
                name = ".".join(map(str, finding.loc[:2]))
                given = name in change.values
                loc = ("vehicle", "values", *((name,) if given else ()))
                problems.append(source.problem(loc, finding.text if given else f"{name}: {finding.text}"))
    return values
