"""A row of a campaign's results as comparison and pages read it."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import cache, cached_property, lru_cache
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

from emulator.campaign.store.schema import COUNTING

UNDISTURBED = "undisturbed"
_AS_THEY_ARE = (
    "number",
    "case_id",
    "attempt",
    "scenario_file",
    "rig",
    "seed",
    "repeat",
    "as_expected",
    "kept",
)
_TEXTS = (
    *(
        "vehicle",
        "robot",
        "stage",
        "parameters",
        "drawn",
        "result",
        "expected",
        "expectation",
        "cause_kind",
        "cause",
    ),
    *("whose", "thinnest", "signals_sha256", "tool", "model", "robot_version", "processor"),
)
"""Columns that are taken as they are, and texts of which null is an empty one."""
_CONTENTS = ("scenario_sha256", "rig_sha256", "vehicle_sha256")
_MORE = (
    *("scenario", "factors", "disturbances", "requirements", "fell", "ridden_s", "thinnest_percent"),
    *("cpu_ride_s", "began", *_CONTENTS),
)


@dataclass(frozen=True)
class Disturbance:
    """One thing that goes wrong in a case; what it has none of is None."""

    kind: str
    signal: str
    onset_s: float | None
    size: float | None
    duration_s: float | None

    @property
    def name(self) -> str:
        """Kind and signal: what cases of other sizes and moments share."""
        return f"{self.kind} {self.signal}".strip()

    @property
    def label(self) -> str:
        """With its size, length and moment, as far as it has them."""
        parts = [self.name]
        parts += [f"{self.size:g}"] if self.size is not None else []
        parts += [f"for {self.duration_s:g} s"] if self.duration_s is not None else []
        parts += [f"at {self.onset_s:g} s"] if self.onset_s is not None else []
        return " ".join(parts)


@dataclass(frozen=True)
class Margin:
    """How one criterion came out; ``percent``: margin in percent of the limit, negative beyond it."""

    name: str
    met: bool
    margin: float | None
    limit: float | None
    unit: str
    percent: float | None
    at_s: float | None


@dataclass(frozen=True)
class Ridden:
    """One case as it was ridden last; the columns of emulator.campaign.store.schema that are read here.

    label    for people: 'short_bend · dropout imu_rates for 0.08 s at 3 s · seed 4'
    drawn    values of the bike that was drawn, as JSON; empty: it is the file's
    percent  thinnest margin of its criteria in percent of the limit, negative beyond; None: none has one
    contents  hashes of scenario, rig and vehicle
    began    UTC, as are all clock times of a store
    """

    number: int
    case_id: str
    attempt: int
    scenario: str
    scenario_file: str
    rig: str
    vehicle: str
    robot: str
    stage: str
    seed: int
    repeat: int
    parameters: str
    drawn: str
    factors: Mapping[str, Any]
    disturbances: tuple[Disturbance, ...]
    requirements: tuple[str, ...]
    result: str
    expected: str
    as_expected: bool | None
    expectation: str
    cause_kind: str
    cause: str
    whose: str
    fell: bool
    ridden_s: float
    thinnest: str
    percent: float | None
    signals_sha256: str
    tool: str
    model: str
    robot_version: str
    contents: tuple[str, ...]
    cpu_ride_s: float
    processor: str
    began: datetime | None
    kept: str | None
    label: str
    read_criteria: Callable[[], tuple[Margin, ...]] = field(repr=False, compare=False)

    @cached_property
    def criteria(self) -> tuple[Margin, ...]:
        """How each criterion came out; read when it is first asked for, which a comparison never does."""
        return self.read_criteria()

    @property
    def counted(self) -> bool:
        """Whether it can be held against what is expected; an invalid run that is expected to be can."""
        return self.as_expected is not None

    @cached_property
    def of_robot(self) -> bool:
        """Whether it says something about the robot."""
        return self.result in COUNTING

    @property
    def surprise(self) -> bool:
        """Whether it came out other than its scenario expects."""
        return self.as_expected is False

    @cached_property
    def disturbance(self) -> str:
        """What goes wrong in it, without sizes and moments."""
        return disturbance_name(self.disturbances)

    @property
    def group(self) -> tuple[str, str]:
        """Scenario and disturbance: the cell of the map it belongs to."""
        return self.scenario, self.disturbance

    @cached_property
    def place(self) -> tuple[str, str, int, int]:
        """Where it stands in a plan, whatever its files hold."""
        return self.scenario, json.dumps(self.factors, sort_keys=True), self.seed, self.repeat

    @cached_property
    def rank(self) -> float | None:
        """Its thinnest margin for comparing; minus infinity for a failed run that has none."""
        if self.of_robot and self.percent is not None:
            return self.percent
        return -math.inf if self.result == "fail" else None


def rows_of(
    table: pa.Table, labels: Mapping[int, str] | None = None, names: Mapping[str, str] | None = None
) -> list[Ridden]:
    """The rows of a results table, in its order.

    labels  for people, by the case's number; left out: made of what the row holds
    names   of scenarios by their file, for rows of those that could not be read
    """
    read = {name: table[name].to_pylist() for name in (*_AS_THEY_ARE, *_MORE)}
    read |= {name: pc.fill_null(table[name], "").to_pylist() for name in _TEXTS}
    criteria, factors = _Criteria(table["criteria"]), cache(values_in)
    rows = []
    for i, own in enumerate(zip(*read.values(), strict=True)):
        item = dict(zip(read, own, strict=True))
        rows.append(_row(item, factors(item.pop("factors")), criteria.of(i), labels or {}, names or {}))
    return rows


def _row(
    item: dict[str, Any],
    factors: Mapping[str, Any],
    criteria: Callable[[], tuple[Margin, ...]],
    labels: Mapping[int, str],
    names: Mapping[str, str],
) -> Ridden:
    disturbances = disturbances_of(item)
    del item["disturbances"]
    scenario = names.get(item["scenario_file"], item["scenario"])
    contents = tuple(item.pop(name) or "" for name in _CONTENTS)
    item |= {
        "scenario": scenario,
        "requirements": tuple(item["requirements"] or ()),
        "fell": bool(item["fell"]),
        "ridden_s": item["ridden_s"] or 0.0,
        "cpu_ride_s": item["cpu_ride_s"] or 0.0,
    }
    percent = _finite(item.pop("thinnest_percent"))
    label = labels.get(item["number"]) or _label(scenario, disturbances, item["seed"], item["repeat"])
    return Ridden(
        **item,
        factors=factors,
        disturbances=disturbances,
        percent=percent,
        contents=contents,
        label=label,
        read_criteria=criteria,
    )


def values_in(text: str | None) -> Mapping[str, Any]:
    """Values by name from a column of JSON."""
    found: dict[str, Any] = json.loads(text or "{}")
    return found


class _Criteria:
    """The criteria of a table's rows: most of what there is to read, and most often nobody asks for them."""

    def __init__(self, column: pa.ChunkedArray) -> None:
        self._column = column
        self._rows: list[Any] | None = None

    def of(self, i: int) -> Callable[[], tuple[Margin, ...]]:
        """What reads those of a row."""
        return lambda: tuple(_margin(one) for one in self._all()[i] or ())

    def _all(self) -> list[Any]:
        if self._rows is None:
            self._rows = self._column.to_pylist()
        return self._rows


def _label(scenario: str, disturbances: Sequence[Disturbance], seed: int, repeat: int) -> str:
    repeats = [f"repeat {repeat}"] if repeat else []
    return " · ".join([scenario, *(d.label for d in disturbances), f"seed {seed}", *repeats])


def disturbances_of(item: Mapping[str, Any]) -> tuple[Disturbance, ...]:
    """What goes wrong in a case, from a row of results or of cases."""
    return tuple(_disturbance(*one.values()) for one in item["disturbances"] or ())


def disturbance_name(disturbances: Iterable[Disturbance]) -> str:
    """What cases of one disturbance share, whatever its sizes and moments."""
    return " + ".join(sorted({d.name for d in disturbances})) or UNDISTURBED


@lru_cache(10_000)
def _disturbance(
    kind: str | None, signal: str | None, onset_s: float | None, size: float | None, duration_s: float | None
) -> Disturbance:
    """The fields in the order of the store's schema; runs of a campaign share them."""
    return Disturbance(kind or "", signal or "", _finite(onset_s), _finite(size), _finite(duration_s))


def _margin(one: Mapping[str, Any]) -> Margin:
    figures = {key: _finite(one[key]) for key in ("margin", "limit", "percent", "at_s")}
    return Margin(name=one["name"], met=bool(one["met"]), unit=one["unit"] or "", **figures)


def _finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


def thinnest_of(rows: Iterable[Ridden]) -> Ridden | None:
    """The row with the thinnest margin of those that count and have one; the first of several."""
    return min(
        (row for row in rows if row.of_robot and row.percent is not None),
        key=lambda row: (row.percent, row.number),
        default=None,
    )


def by_group(rows: Sequence[Ridden]) -> dict[tuple[str, str], list[Ridden]]:
    """Rows by scenario and disturbance, in the order in which these first come."""
    groups: dict[tuple[str, str], list[Ridden]] = {}
    for row in rows:
        groups.setdefault(row.group, []).append(row)
    return groups
