"""What a plan varies, and what it varies it to: numbers between two, values, disturbances, alternatives."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Annotated, Any, Literal, TypeAlias

from pydantic import AfterValidator, Discriminator, Field, Tag, model_validator

from emulator.config.field_types import Name
from emulator.config.scenario.parameters import ParameterName
from emulator.config.validation import Closed, Words, did_you_mean, wrong

FileKind: TypeAlias = Literal["scenario", "rig", "vehicle"]
"""A file of a run that values may go over."""
FILE_KINDS: tuple[FileKind, ...] = ("scenario", "rig", "vehicle")
"""Files that values may go over: a path to a value begins with one of these."""
MOST_VALUES = 10_000
"""Values that one thing may take."""
_EXACT = 12  # digits that steps between two numbers are rounded to

Scalar: TypeAlias = bool | int | float | str


def _value_path(path: str) -> str:
    head, _, rest = path.partition(".")
    if head not in FILE_KINDS:
        near = did_you_mean(head, FILE_KINDS)
        raise wrong(
            f"expected a path that begins with {', '.join(FILE_KINDS[:-1])} or {FILE_KINDS[-1]}, such as "
            f"rig.outputs.imu_rates.latency_ms, got {path!r}{near}"
        )
    if not all(part.strip() for part in rest.split(".")):
        raise wrong(f"expected names with a dot between each two, such as {head}.name.name, got {path!r}")
    return path


ValuePath: TypeAlias = Annotated[
    str, AfterValidator(_value_path), Words("a path such as rig.outputs.imu_rates.latency_ms")
]


class Choice(Closed):
    """Values to take: one by one, or between two numbers."""

    values: Annotated[tuple[Scalar, ...], Field(min_length=1)] | None = None
    """The values, one by one. Left out: ``between`` says them."""
    between: Annotated[tuple[float, float], Words("a list of 2 numbers, the least and the most")] | None = (
        None
    )
    """The least and the most. Left out: ``values`` says them."""
    count: int | None = Field(default=None, ge=2, le=MOST_VALUES)
    """How many numbers between the two, both among them. Left out: ``step`` says it; with neither, any number
    between them, which only a spread sample takes."""
    step: float | None = Field(default=None, gt=0)
    """From one number to the next, from the least on. Left out: ``count`` says it."""
    spaced: Literal["evenly", "by_ratio"] = "evenly"
    """evenly: one number is as far from the next as any; by_ratio: it is as many times the one before."""

    @model_validator(mode="after")
    def _one_way_of_saying(self) -> Choice:
        if (self.values is None) == (self.between is None):
            got = "none of them" if self.values is None else "both"
            raise wrong(f"expected either values or between, got {got}")
        if self.between is None:
            for key in ("count", "step"):
                if getattr(self, key) is not None:
                    raise wrong(f"expected {key} only together with between", key)
            if "spaced" in self.model_fields_set:
                raise wrong("expected spaced only together with between", "spaced")
            self._each_once()
            return self
        low, high = self.between
        if high <= low:
            raise wrong(f"expected the least first and then more, got {low:g} and {high:g}", "between")
        if self.count is not None and self.step is not None:
            raise wrong("expected either count or step, got both", "step")
        if self.step is not None and (high - low) / self.step >= MOST_VALUES:
            raise wrong(f"expected a step that makes at most {MOST_VALUES} values, got {self.step:g}", "step")
        if self.step is not None and self.step > high - low:
            raise wrong(f"expected at most {high - low:g}, all that is between, got {self.step:g}", "step")
        if self.spaced == "by_ratio":
            if low <= 0.0:
                raise wrong(f"expected a least above 0 where spaced is by_ratio, got {low:g}", "between", 0)
            if self.step is not None:
                raise wrong("expected count and no step where spaced is by_ratio", "step")
        return self

    def _each_once(self) -> None:
        seen: list[Scalar] = []
        for i, value in enumerate(self.values or ()):
            if any(type(value) is type(other) and value == other for other in seen):
                raise wrong(f"expected each value once, got {value!r} again", "values", i)
            seen.append(value)

    @property
    def is_continuous(self) -> bool:
        """Whether it is any number between two."""
        return self.between is not None and self.count is None and self.step is None

    def all_values(self) -> tuple[Scalar, ...]:
        """Every value, in order; of a continuous choice there is no such list (ValueError)."""
        if self.values is not None:
            return self.values
        assert self.between is not None  # the rule above
        low, high = self.between
        if self.step is not None:
            n = math.floor((high - low) / self.step + 1e-9) + 1
            return tuple(_tidy(low + i * self.step) for i in range(n))
        if self.count is None:
            raise ValueError("any number between two is no list of values")
        return tuple(self._between(i / (self.count - 1)) for i in range(self.count))

    def at(self, share: float) -> Scalar:
        """The value at a share from 0 to below 1 of the way; of a list, that of as many equal parts."""
        if self.is_continuous:
            return self._between(share)
        values = self.all_values()
        return values[min(int(share * len(values)), len(values) - 1)]

    def _between(self, share: float) -> int | float:
        assert self.between is not None  # where it is asked for
        low, high = self.between
        if self.spaced == "by_ratio":
            return _tidy(low * (high / low) ** share)
        return _tidy(low + share * (high - low))


def _tidy(value: float) -> int | float:
    """A number without the last digits that adding up leaves, whole where it is."""
    rounded = float(f"{value:.{_EXACT}g}")
    return int(rounded) if rounded.is_integer() and abs(rounded) < 2**53 else rounded


class VariedParameter(Choice):
    """A parameter of the scenario takes several values."""

    parameter: ParameterName
    """The parameter of the scenarios that takes them; each of them has to have it."""


class VariedValue(Choice):
    """A value of a file takes several values."""

    value: ValuePath
    """Path to the value: ``rig``, ``vehicle`` or ``scenario``, then keys with a dot between each two. Events,
    criteria, patches and bumps go by their name (or kind if they have none), other items of lists by their
    number, from 0."""


class Adjusted(Closed):
    """A value that rides differ by: a parameter of the scenario, or a value of a file."""

    parameter: ParameterName | None = None
    """The parameter of the scenario that it is. Left out: ``value`` says what it is."""
    value: ValuePath | None = None
    """Path to the value that it is, as in a part. Left out: ``parameter`` says what it is."""

    @model_validator(mode="after")
    def _one_of_two(self) -> Adjusted:
        if (self.parameter is None) == (self.value is None):
            got = "none of them" if self.value is None else "both"
            raise wrong(f"expected either parameter or value, got {got}")
        return self

    @property
    def target(self) -> str:
        """What it is, in a word or a path."""
        return self.parameter or self.value or ""


class Disturbance(Closed):
    """An event that is put into the scenario, in as many ways as its values make."""

    name: Name | None = None
    """What it is called in tables. Left out: what it does, from its own values."""
    event: dict[str, Any]
    """The event as it would stand in the scenario, without a name; what differs stands under ``each``."""
    each: dict[Name, Choice] = Field(default_factory=dict)
    """Keys of the event that take several values, in every combination; of a key within a key both with a dot
    between them, such as ``at.time_s``. Left out: the event is ridden as it stands."""

    @model_validator(mode="after")
    def _named_by_the_plan(self) -> Disturbance:
        if not self.event:
            raise wrong("expected the keys of an event, such as kind, effect and at, got none", "event")
        if "name" in self.event:
            raise wrong(
                "expected no name: the event goes by the name of what is varied; remove it", "event", "name"
            )
        for path, choice in self.each.items():
            if choice.is_continuous:
                raise wrong("expected count or step beside between", "each", path)
            held: Any = self.event
            for part in path.split("."):
                if not isinstance(held, dict):
                    raise wrong(f"expected the path of a key of the event, got {path!r}", "each", path)
                held = held.get(part, {})
            if held != {}:
                raise wrong(f"expected a key that event does not give already, got {path!r}", "each", path)
        return self


class Disturbances(Closed):
    """One of several disturbances is put into the scenario."""

    disturbances: Annotated[tuple[Disturbance, ...], Field(min_length=1)]
    """The disturbances; each run has one of them."""
    or_none: bool = False
    """Whether there are runs with none of them, too."""


class Alternative(Closed):
    """Values that go over the files."""

    scenario: dict[str, Any] = Field(default_factory=dict)
    """What goes over the scenario, written as there. Left out: nothing does."""
    rig: dict[str, Any] = Field(default_factory=dict)
    """What goes over the rig, written as there. Left out: nothing does."""
    vehicle: dict[str, Any] = Field(default_factory=dict)
    """What goes over the vehicle, written as there. Left out: nothing does."""


class Alternatives(Closed):
    """One of several named sets of values goes over the files."""

    alternatives: Annotated[dict[Name, Alternative], Field(min_length=1)]
    """The sets by name; each run has one of them. One with nothing in it leaves the files as they are."""


_TAGS = ("parameter", "value", "disturbances", "alternatives")


def _tag(given: Any) -> str | None:
    keys = given if isinstance(given, dict) else getattr(given, "model_fields_set", ())
    return next((tag for tag in _TAGS if tag in keys), None)


Varied: TypeAlias = Annotated[
    Annotated[VariedParameter, Tag("parameter")]
    | Annotated[VariedValue, Tag("value")]
    | Annotated[Disturbances, Tag("disturbances")]
    | Annotated[Alternatives, Tag("alternatives")],
    Discriminator(_tag),
]
"""One thing that varies."""


def choices_in(varied: Varied) -> Iterator[Choice]:
    """The choices by which one thing varies: none of alternatives."""
    if isinstance(varied, Choice):
        yield varied
    elif isinstance(varied, Disturbances):
        for disturbance in varied.disturbances:
            yield from disturbance.each.values()
