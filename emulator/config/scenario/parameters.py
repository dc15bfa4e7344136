"""Parameters of a scenario: numbers with a name, a range and a meaning, to be set when it is run.

Declared under ``parameters``, used wherever a number may stand, as ``grip: {parameter: wet_grip}``. Values
are put into the source before it is validated, so every check sees the number that is ridden, at its place.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Annotated, Any, TypeAlias

from pydantic import AfterValidator, model_validator

from emulator.config.field_types import Name
from emulator.config.validation import Closed, Words, did_you_mean, wrong
from emulator.config.vehicle.file import Unit
from emulator.config.yaml_source import Loc, Source, show
from emulator.core.errors import ConfigError, Problem

REFERENCE = "parameter"
"""The one key of a mapping that stands for a parameter's value."""
SECTION = "parameters"
"""The key at the top of a scenario."""


def _plain_name(name: str) -> str:
    if name.isascii() and name.isidentifier() and name == name.lower():
        return name
    raise wrong(f"expected a name of small letters, digits and _, starting with a letter, got {name!r}")


ParameterName: TypeAlias = Annotated[str, AfterValidator(_plain_name)]


class Parameter(Closed):
    """One parameter: a number that may be set when the scenario is run."""

    default: float
    """The value it has unless it is set."""
    range: Annotated[tuple[float, float], Words("a list of 2 numbers, the least and the most")]
    """The least and the most it may be set to."""
    unit: Unit
    """Unit of its values, 1 for none; it is shown, not converted."""
    meaning: Name
    """What it is, in one line for those who set it."""

    @model_validator(mode="after")
    def _default_in_range(self) -> Parameter:
        low, high = self.range
        if low >= high:
            raise wrong(f"expected the least first and then more, got {low:g} and {high:g}", "range")
        if not low <= self.default <= high:
            raise wrong(
                f"expected a number within range ({low:g} to {high:g}), got {self.default:g}", "default"
            )
        return self


def put_in(source: Source, given: Mapping[str, int | float]) -> Source:
    """The source with every reference replaced by its parameter's value.

    given  values by name that were set for this run; the others have their defaults

    Raises ConfigError for a value that is set but unknown, outside its range, or used nowhere. References to
    parameters that are not declared are noted for validation, which reports them with all the rest.
    """
    section = source.data.get(SECTION)
    declared: dict[str, Any] = section if isinstance(section, dict) else {}
    values: dict[str, int | float] = {}
    problems: list[Problem] = []
    for name, entry in declared.items():
        default = entry.get("default") if isinstance(entry, dict) else None
        value = given.get(name, default)
        if not isinstance(value, int | float) or isinstance(value, bool):
            continue
        values[name] = value
        if name in given and not _within(value, entry):
            low, high = entry["range"]
            text = f"expected a number from {low:g} to {high:g}, set to {value:g}"
            problems.append(source.problem((SECTION, name, "range"), text))
    filling = _Filling(source, declared, values)
    data = {k: v if k == SECTION else filling.value(v, (k,)) for k, v in source.data.items()}
    for name in given:
        if name not in declared:
            text = f"no parameter {name!r} to set; {_known(declared)}{did_you_mean(name, declared)}"
            problems.append(source.problem((SECTION,) if declared else (), text))
        elif name not in filling.used:
            text = "used nowhere in this scenario, so that setting it changes nothing"
            problems.append(source.problem((SECTION, name), text))
    if problems:
        raise ConfigError(problems)
    return replace(
        source,
        data=data,
        noted=(*source.noted, *filling.problems),
        parameters=values,
        moot=frozenset(filling.moot),
    )


class _Filling:
    """Walks the values and replaces references; collects what could not be replaced."""

    def __init__(
        self, source: Source, declared: Mapping[str, Any], values: Mapping[str, int | float]
    ) -> None:
        self.source, self.declared, self.values = source, declared, values
        self.used: set[str] = set()
        self.problems: list[Problem] = []
        self.moot: set[Loc] = set()
        self.section_misspelt = SECTION not in source.data and bool(did_you_mean(SECTION, source.data))

    def value(self, value: Any, loc: Loc) -> Any:
        if isinstance(value, list):
            return [self.value(item, (*loc, i)) for i, item in enumerate(value)]
        if not isinstance(value, dict):
            return value
        if list(value) != [REFERENCE]:
            return {key: self.value(item, (*loc, key)) for key, item in value.items()}
        name = value[REFERENCE]
        if isinstance(name, str) and name in self.values:
            self.used.add(name)
            if not _within(self.values[name], self.declared[name]):
                self.moot.add(loc)
            return self.values[name]
        if self.section_misspelt or (isinstance(name, str) and name in self.declared):
            self.moot.add(loc)  # the key is told, or that its default is none, where that stands
            return value
        if isinstance(name, str):
            text = (
                f"unknown parameter {show(name)}; {_known(self.declared)}{did_you_mean(name, self.declared)}"
            )
        else:
            text = f"expected the name of a parameter, got {show(name)}; {_known(self.declared)}"
        self.problems.append(self.source.problem(loc, text))
        return value


def _within(value: float, entry: Any) -> bool:
    """Whether a value is in an entry's range; a range that is none is validation's business."""
    bounds = entry.get("range") if isinstance(entry, dict) else None
    if not (
        isinstance(bounds, list) and len(bounds) == 2 and all(isinstance(b, int | float) for b in bounds)
    ):
        return True
    return bool(bounds[0] <= value <= bounds[1])


def _known(declared: Mapping[str, Any]) -> str:
    return f"known parameters: {', '.join(declared)}" if declared else f"there are none (key {SECTION!r})"
