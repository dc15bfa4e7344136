"""What calibration changes of a vehicle, and what is known beforehand: priors, and what was measured."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.vehicle.equilibrium import NoEquilibrium
from emulator.vehicle.params import GROUPS, RigidMass, Vehicle, vehicle_record
from emulator.vehicle.whole.mass_properties import mass_properties, total_mass

Values = NDArray[np.float64]
ByGroup = dict[str, dict[str, float]]

OF_TABLE = {f"{group.name}.{p.name}": p for group in GROUPS for p in group.parameters}
"""Parameters of the vehicle file by ``group.name``."""


class Free(NamedTuple):
    """A parameter that the logs may correct, ``group.name``, and its prior: the vehicle's value and this."""

    name: str
    standard: float


class Measured(NamedTuple):
    """A figure of the whole bike, of FIGURES, measured on the stand: value and standard deviation."""

    figure: str
    value: float
    standard: float


class Figure(NamedTuple):
    """A figure of the whole bike that is measured: its unit, what it is, and how it follows."""

    unit: str
    meaning: str
    of: Callable[[Vehicle], float]


def _trail(vehicle: Vehicle) -> float:
    r = vehicle.body[0]
    on_ground = float(r["steering_axis_x"]) + float(r["steering_axis_z"]) * math.tan(
        float(r["steering_rake"])
    )
    return on_ground - float(r["front_wheel_x"])


USUALLY_UNKNOWN: dict[str, float] = {
    "steering.damping": 0.15,
    "steering.rake": 0.01,
    "steering.axis_x": 0.003,
    "frame_torsion.stiffness": 0.2,
    "main_frame.z": 0.02,
    "main_frame.ixx": 0.1,
    "main_frame.izz": 0.1,
    "main_frame.ixz": 0.3,
    "steered_frame.izz": 0.15,
    "rear_wheel.spin_inertia": 0.05,
    "front_wheel.spin_inertia": 0.05,
    **{
        f"tyre_{end}.{key}": share
        for end in ("front", "rear")
        for key, share in (
            ("cornering_per_load", 0.1),
            ("camber_per_load", 0.1),
            ("relaxation_length", 0.2),
            ("pneumatic_trail", 0.3),
            ("twisting_arm", 0.3),
        )
    },
}
"""What of a bike is usually not known exactly: standard deviation as a share of the value. Common practice,
no source."""


USUALLY_HELD: dict[str, float] = {
    "frame_torsion.x": 0.05,
    "frame_torsion.z": 0.05,
    "frame_torsion.damping": 0.5,
    "main_frame.x": 0.01,
    "swingarm.mass": 0.05,
    "steered_frame.mass": 0.05,
    "steered_frame.x": 0.01,
    "fork_lower.mass": 0.05,
    "fork_lower.izz": 0.15,
    "air.side_area": 0.2,
    "air.drag_area": 0.1,
    **{
        f"{end}_wheel.{key}": share
        for end in ("front", "rear")
        for key, share in (("mass", 0.05), ("diametral_inertia", 0.1))
    },
    **{
        f"tyre_{end}.{key}": share
        for end in ("front", "rear")
        for key, share in (
            ("crown_radius", 0.05),
            ("radius", 0.01),
            ("vertical_stiffness", 0.15),
            ("carcass_damping", 0.5),
        )
    },
}
"""What steady riding hardly tells, and is not known exactly either: it stays as it is, and widens what is
told of the others. Standard deviation as a share of the value. Common practice, no source."""


def usually(shares: Mapping[str, float], values: ByGroup, but: tuple[Free, ...]) -> tuple[Free, ...]:
    """Parameters of such a table that are not among others and not zero, with their standard deviations."""
    names = {one.name for one in but}
    found = []
    for name, share in shares.items():
        group, key = name.split(".")
        if name not in names and values[group][key] != 0.0:
            found.append(Free(name, share * abs(values[group][key])))
    return tuple(found)


FIGURES: dict[str, Figure] = {
    "mass": Figure("kg", "mass of the bike with what is on it", total_mass),
    "front_share": Figure("1", "front wheel's load over both", lambda v: mass_properties(v).front_share),
    "height": Figure("m", "height of the mass centre", lambda v: mass_properties(v).height),
    "wheelbase": Figure(
        "m",
        "between the axles, at the design position",
        lambda v: float(v.body[0]["front_wheel_x"]) - float(v.body[0]["rear_wheel_x"]),
    ),
    "rake": Figure("rad", "steering axis from the vertical", lambda v: float(v.body[0]["steering_rake"])),
    "trail": Figure("m", "steering axis on the ground ahead of the front contact", _trail),
}
"""What is measured of a bike that stands still."""


class Parameters:
    """Free parameters of one vehicle, their priors, and the vehicle with other values of them.

    values, tables   of the vehicle file, in SI
    robot            on it
    held             what is not corrected and not known exactly either: it widens what is told of the others
    Raises KeyError for a parameter or figure that is none, ValueError for a prior that is none.
    """

    def __init__(
        self,
        values: ByGroup,
        tables: Mapping[str, list[tuple[float, float]]],
        free: tuple[Free, ...],
        measured: tuple[Measured, ...] = (),
        robot: RigidMass | None = None,
        held: tuple[Free, ...] = (),
    ) -> None:
        told = [(f.name, f.standard) for f in (*free, *held)] + [(m.figure, m.standard) for m in measured]
        for name, standard in told:
            if not standard > 0.0:
                raise ValueError(f"expected a standard deviation above zero of {name}, got {standard}")
        self.free, self.measured, self.robot, self.held = free, measured, robot, held
        self._values, self._tables = values, dict(tables)
        self.places = [tuple(one.name.split(".")) for one in free]
        self.start = np.array([values[group][name] for group, name in self.places])
        self.standard = np.array([one.standard for one in free])
        table = [OF_TABLE[one.name] for one in free]
        self.least = np.array([p.low for p in table])
        self.most = np.array([p.high for p in table])
        self.units = [p.unit for p in table]
        self._figures = [FIGURES[one.figure] for one in measured]

    def with_held_free(self, beside: tuple[Free, ...] = ()) -> Parameters:
        """The same with the held ones free, behind those that are, and more behind them."""
        free = (*self.free, *self.held, *beside)
        return Parameters(self._values, self._tables, free, self.measured, self.robot)

    def __len__(self) -> int:
        return len(self.free)

    def vehicle(self, at: Values) -> Vehicle:
        """The record of the vehicle with these values (p,) of the free parameters."""
        values = {group: dict(entries) for group, entries in self._values.items()}
        for (group, name), value in zip(self.places, at, strict=True):
            values[group][name] = float(value)
        return vehicle_record(values, self._tables, robot=self.robot)

    def beforehand(self, at: Values) -> Values:
        """(p + measured,) residuals of priors and measured figures, in standard deviations; NaN: no bike."""
        own = (at - self.start) / self.standard
        if not self.measured:
            return np.asarray(own)
        vehicle = self.vehicle(at)
        try:
            figures = [
                (figure.of(vehicle) - one.value) / one.standard
                for figure, one in zip(self._figures, self.measured, strict=True)
            ]
        except NoEquilibrium:
            figures = [math.nan] * len(self.measured)
        return np.concatenate([own, figures])
