"""The vehicle file: every parameter of the table in emulator.vehicle.params with value, unit and source.

An entry reads ``wheelbase: {value: 1420, unit: mm, source: measured on the stand}``. The unit must be the
table's or one that converts to it; the value is handed on in SI. A value outside what is possible is an
error, one outside what a road or racing motorcycle shows is a warning beside the result. The same holds for
values that contradict each other: emulator.config.vehicle.consistency.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Annotated, Any, Literal, TypeAlias

from pydantic import BeforeValidator, Field, WithJsonSchema, create_model

from emulator.config.another_way import figure
from emulator.config.based_on import File, source_of
from emulator.config.field_types import Name
from emulator.config.validation import Closed, Words, did_you_mean, problems_of
from emulator.config.vehicle.calibrated import Calibrated
from emulator.config.vehicle.consistency import contradictions
from emulator.config.yaml_source import Loc, Source
from emulator.core.errors import ConfigError, Problem
from emulator.vehicle import params
from emulator.vehicle.electronics.parameters import ELECTRONICS
from emulator.vehicle.params import Curve, Group, Parameter

_DEG = math.pi / 180.0
_RPM = math.pi / 30.0

CONVERSIONS: dict[str, dict[str, float]] = {
    "m": {"mm": 1e-3, "cm": 1e-2},
    "m2": {"cm2": 1e-4, "mm2": 1e-6},
    "kg": {"g": 1e-3},
    "kg m2": {"kg cm2": 1e-4, "kg mm2": 1e-6, "g m2": 1e-3},
    "s": {"ms": 1e-3},
    "s/m": {"s/mm": 1e3},
    "m/s": {"km/h": 1.0 / 3.6},
    "m/s2": {},
    "rad": {"deg": _DEG},
    "rad/s": {"deg/s": _DEG, "rpm": _RPM, "1/min": _RPM},
    "1/rad": {"1/deg": 1.0 / _DEG},
    "1": {"%": 1e-2},
    "N": {"kN": 1e3},
    "N/m": {"kN/m": 1e3, "N/mm": 1e3, "kN/mm": 1e6},
    "N s/m": {"kN s/m": 1e3, "N s/mm": 1e3},
    "N/rad": {"kN/rad": 1e3, "N/deg": 1.0 / _DEG},
    "N m": {"kN m": 1e3, "N mm": 1e-3},
    "N m/rad": {"kN m/rad": 1e3, "N m/deg": 1.0 / _DEG},
    "N m s/rad": {"N m s/deg": 1.0 / _DEG, "N m/rpm": 1.0 / _RPM},
    "N m/Pa": {"N m/kPa": 1e-3, "N m/bar": 1e-5, "N m/MPa": 1e-6},
    "Pa": {"kPa": 1e3, "bar": 1e5, "MPa": 1e6},
    "Pa/s": {"kPa/s": 1e3, "bar/s": 1e5, "MPa/s": 1e6},
    "W": {"kW": 1e3},
    "K": {},
    "1/K": {"%/K": 1e-2},
    "1/s": {"%/s": 1e-2},
    "J/K": {"kJ/K": 1e3},
    "W/K": {"kW/K": 1e3},
    "W s/(K m)": {"W h/(K km)": 3.6},
}
"""Per SI unit, the other units a file may use, and how many SI units one of them is (by definition)."""


@dataclass(frozen=True)
class VehicleFile:
    """A vehicle in SI.

    values    by group and parameter name, every parameter of the table; of groups that may be left out those
              that are there
    tables    by name, (argument, value) pairs with the argument strictly increasing
    warnings  values that are possible but not plausible, alone or together
    sha256    of the file's bytes
    tank      values of ``TANK`` by name, None if the file has no such section
    bases     files it is based on, the nearest first
    """

    name: str
    values: dict[str, dict[str, float]]
    tables: dict[str, list[tuple[float, float]]]
    warnings: list[Problem]
    sha256: str
    tank: dict[str, float] | None = None
    bases: tuple[str, ...] = ()


TANK = Group(
    "tank",
    "tank and fuel. Left out: a scenario can't say how much fuel there is",
    (
        Parameter("x", "m", -5.0, 5.0, 0.2, 1.2, "centre of the fuel, forward of the rear contact"),
        Parameter("z", "m", -5.0, 5.0, 0.4, 1.2, "centre of the fuel, above the ground"),
        Parameter("capacity", "kg", 0.0, 200.0, 2.0, 25.0, "fuel in a full tank"),
        Parameter("fuel", "kg", 0.0, 200.0, 0.0, 25.0, "fuel that the mass of main_frame includes"),
    ),
    optional=True,
)
"""The section of a vehicle file that nothing but a scenario's ``vehicle.fuel_kg`` needs."""

PARAMETERS: dict[str, Parameter] = {
    f"{group.name}.{p.name}": p for group in (*params.GROUPS, *ELECTRONICS) for p in group.parameters
}
"""Every parameter that ``VehicleFile.values`` may have, by ``section.key``."""


def _unit_text(value: object) -> object:
    return (
        "1" if value == 1 and not isinstance(value, (bool, float)) else value
    )  # unit: 1 is a number in YAML


Unit: TypeAlias = Annotated[
    str,
    BeforeValidator(_unit_text),
    Words("a unit, 1 for none"),
    WithJsonSchema({"anyOf": [{"type": "string"}, {"const": 1}]}),
]


class Entry(Closed):
    """One parameter as the file gives it."""

    value: float
    """The number, in the unit beside it."""
    unit: Unit
    """Its unit: that of the parameter or one that converts to it; 1 for none."""
    source: Name
    """Where the number is from."""


class Table(Closed):
    """One curve as the file gives it."""

    unit: Annotated[tuple[Unit, Unit], Words("two units, of the argument and of the value")]
    """Units of the argument and of the value, or ones that convert to them."""
    source: Name
    """Where the curve is from."""
    points: Annotated[tuple[tuple[float, float], ...], Field(min_length=2)]
    """Pairs [argument, value], the argument rising; straight lines in between."""


class _Heading(Closed):
    """One motorcycle: every parameter with value, unit and source."""

    kind: Literal["vehicle"]
    name: Name
    """What the vehicle is called in reports."""
    purpose: Name | None = None
    """What the vehicle is for, in one line. Left out: nothing is said."""
    calibration: Calibrated | None = None
    """Where values are from that logs of the track gave. Left out: no calibration made this file."""


@cache
def _model(groups: tuple[Group, ...], tables: tuple[tuple[str, Curve], ...]) -> type[Closed]:
    """The file's model, laid out from the parameter table."""
    fields: dict[str, Any] = {name: (Table, Field(description=curve.meaning)) for name, curve in tables}
    for group in (*groups, *ELECTRONICS, TANK):
        entries: dict[str, Any] = {
            p.name: (Annotated[Entry, Words(_entry_words(p))], Field(description=_entry_text(p)))
            for p in group.parameters
        }
        model = create_model(group.name, __base__=Closed, **entries)
        fields[group.name] = (
            model | None if group.optional else model,
            Field(default=None if group.optional else ..., description=group.meaning),
        )
    return create_model("Vehicle", __base__=_Heading, __doc__=_Heading.__doc__, **fields)


def vehicle_model() -> type[Closed]:
    """The model of a vehicle file."""
    return _model(params.GROUPS, tuple(params.TABLES.items()))


def _entry_words(parameter: Parameter) -> str:
    return f"an entry {{value, unit, source}} ({parameter.meaning}; {parameter.unit})"


def _entry_text(parameter: Parameter) -> str:
    """What a parameter is, with what is possible and what is usual in its own unit."""
    p = parameter
    possible, usual = between(p.low, p.high), between(p.plausible_low, p.plausible_high)
    source = "" if p.range_source == params.COMMON_PRACTICE else f" ({p.range_source})"
    return f"[{p.unit}] {p.meaning}. Possible: {possible}; usual: {usual}{source}"


def between(low: float, high: float) -> str:
    """What is possible, in words."""
    if low == high:
        return figure(low)
    return f"at least {figure(low)}" if math.isinf(high) else f"{figure(low)} to {figure(high)}"


def load_vehicle(
    path: File,
    groups: tuple[Group, ...] = params.GROUPS,
    tables: dict[str, Curve] = params.TABLES,
) -> VehicleFile:
    """Read a vehicle file against the parameter table. Raises ConfigError with every problem in it."""
    model = _model(groups, tuple(tables.items()))
    source = source_of(path, model)
    problems = problems_of(model, source)
    if problems and problems[0].key == "kind":
        raise ConfigError(problems)
    wrong_at = {problem.key for problem in problems}
    values: dict[str, dict[str, float]] = {}
    warnings = list(source.warnings)
    for group in (*groups, *ELECTRONICS, TANK):
        if group.optional and not isinstance(source.data.get(group.name), dict):
            continue
        values[group.name] = {}
        for parameter in group.parameters:
            loc: Loc = (group.name, parameter.name)
            entry = _entry_at(source, loc, wrong_at)
            if entry is not None:
                value = _in_si(source, loc, parameter, entry, problems, warnings)
                values[group.name][parameter.name] = value
    tank = values.pop(TANK.name, None)
    if tank is not None and tank.get("fuel", 0.0) > tank.get("capacity", math.inf):
        text = f"expected at most the capacity of {tank['capacity']:g} kg, got {tank['fuel']:g} kg"
        problems.append(source.problem((TANK.name, "fuel", "value"), text))
    curves = {
        name: _curve(source, name, curve, problems)
        for name, curve in tables.items()
        if _entry_at(source, (name,), wrong_at) is not None
    }
    doubtful = {problem.key for problem in problems}
    valid = {
        group: {name: v for name, v in entries.items() if f"{group}.{name}.value" not in doubtful}
        for group, entries in values.items()
    }
    impossible, unusual = contradictions(
        source, valid, {name: curve for name, curve in curves.items() if curve}
    )
    problems += impossible
    warnings += unusual
    if problems:
        raise ConfigError(problems)
    return VehicleFile(
        source.data["name"].strip(), values, curves, sorted(warnings), source.sha256, tank, source.bases
    )


def _entry_at(source: Source, loc: Loc, wrong_at: set[str]) -> dict[str, Any] | None:
    """The entry, if its form is right; its meaning can then be checked although others are wrong."""
    value: Any = source.data
    for part in loc:
        if not isinstance(value, dict) or part not in value:
            return None
        value = value[part]
    name = ".".join(str(part) for part in loc)
    if any(key == name or key.startswith(name + ".") for key in wrong_at):
        return None
    return value if isinstance(value, dict) else None


def _in_si(
    source: Source,
    loc: Loc,
    parameter: Parameter,
    entry: dict[str, Any],
    problems: list[Problem],
    warnings: list[Problem],
) -> float:
    """The entry's value in SI; notes what is wrong or doubtful about it."""
    given = _unit_text(entry["unit"])
    assert isinstance(given, str)
    factor = _factor(source, (*loc, "unit"), given, parameter.unit, problems)
    if factor is None:
        return math.nan
    value: float = entry["value"] * factor
    here: Loc = (*loc, "value")
    got = f"got {entry['value']:g} {given}" if given != "1" else f"got {entry['value']:g}"
    if not parameter.low <= value <= parameter.high:
        limits = _range(parameter.low, parameter.high, factor, given)
        problems.append(source.problem(here, f"expected {limits} ({parameter.meaning}), {got}"))
    elif not parameter.plausible_low <= value <= parameter.plausible_high:
        limits = _range(parameter.plausible_low, parameter.plausible_high, factor, given)
        warnings.append(
            source.problem(here, f"unusual, motorcycles show {limits} ({parameter.meaning}), {got}")
        )
    return value


def _curve(source: Source, name: str, curve: Curve, problems: list[Problem]) -> list[tuple[float, float]]:
    """A table in SI; notes units that don't convert, arguments that don't increase and too many points."""
    data = source.data[name]
    factors = []
    for i, unit in enumerate((curve.argument_unit, curve.value_unit)):
        given = _unit_text(data["unit"][i])
        assert isinstance(given, str)
        factors.append(_factor(source, (name, "unit", i), given, unit, problems))
    points = data["points"]
    if len(points) > params.TORQUE_POINTS:
        text = f"expected at most {params.TORQUE_POINTS} points, got {len(points)}; thin them out"
        problems.append(source.problem((name, "points"), text))
    for i in range(1, len(points)):
        if points[i][0] <= points[i - 1][0]:
            before = points[i - 1][0]
            text = f"expected more than the {before:g} before it (strictly increasing), got {points[i][0]:g}"
            problems.append(source.problem((name, "points", i, 0), text))
    if None in factors:
        return []
    x, y = (factor for factor in factors if factor is not None)
    return [(float(point[0]) * x, float(point[1]) * y) for point in points]


def _factor(source: Source, loc: Loc, given: str, unit: str, problems: list[Problem]) -> float | None:
    """How many ``unit`` one ``given`` is, None (and a problem) if it can't be said."""
    factor = _by_spelling(unit).get(_spelling(given))
    if factor is None:
        known = [unit, *CONVERSIONS.get(unit, {})]
        either = known[0] if len(known) == 1 else f"one of {', '.join(known)}"
        text = f"expected {either}, got {given!r}{did_you_mean(given, known)}"
        problems.append(source.problem(loc, text))
    return factor


@cache
def _by_spelling(unit: str) -> dict[str, float]:
    """How many ``unit`` one of each unit is that can be told in it."""
    others = CONVERSIONS.get(unit, {})
    return {_spelling(unit): 1.0, **{_spelling(name): factor for name, factor in others.items()}}


@lru_cache(maxsize=256)  # a file has four hundred of a few dozen
def _spelling(unit: str) -> str:
    """``N·m`` and ``N*m`` are ``N m``; ``m^2`` and ``m²`` are ``m2``."""
    plain = unit.replace("·", " ").replace("*", " ").replace("^", "").replace("²", "2").replace("Nm", "N m")
    return " ".join(plain.split())


def _range(low: float, high: float, factor: float, unit: str) -> str:
    """Bounds in the unit the file uses."""
    of = "" if unit == "1" else f" {unit}"
    if low == high:
        return f"{low / factor:.4g}{of}"
    if math.isinf(high):
        return f"at least {low / factor:.4g}{of}"
    return f"from {low / factor:.4g} to {high / factor:.4g}{of}"
