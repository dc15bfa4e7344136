"""Runs told together because the same began them: surprises, what does not count, what was not ridden."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

from emulator.campaign.comparison.ridden import Ridden, thinnest_of
from emulator.campaign.page.night import Planned

Direction = Literal["worse", "better"]

_NUMBER = re.compile(r"[-+]?\d[\d.,]*(?:e[-+]?\d+)?")
_NEAR = timedelta(minutes=15)
"""Starts that lie no further apart are told as one span."""


@dataclass(frozen=True)
class RunGroup:
    """Runs of one cause.

    cause     in the words of the first one
    rows      in the plan's order; the first is the example
    thinnest  run with the thinnest margin among them; None: none of them has one
    """

    result: str
    cause_kind: str
    cause: str
    whose: str
    rows: tuple[Ridden, ...]

    @property
    def example(self) -> Ridden:
        """The first of them."""
        return self.rows[0]

    @property
    def began(self) -> tuple[datetime | None, ...]:
        """When they began, UTC."""
        return tuple(row.began for row in self.rows)

    @property
    def thinnest(self) -> Ridden | None:
        """The one with the thinnest margin."""
        return thinnest_of(self.rows)


@dataclass(frozen=True)
class MissingGroup:
    """Cases of one scenario and disturbance that have no row."""

    scenario: str
    disturbance: str
    cases: tuple[Planned, ...]


def by_cause(rows: Iterable[Ridden]) -> tuple[RunGroup, ...]:
    """Groups, the largest first. A cause is one whatever numbers its sentence holds."""
    groups: dict[tuple[str, ...], list[Ridden]] = {}
    for row in rows:
        # what passed although it was expected to fail has no cause: its scenario stands for it
        cause = row.cause or row.expectation or row.scenario
        key = (
            row.result,
            row.cause_kind,
            row.whose,
            _NUMBER.sub("#", cause),
            "" if row.cause else row.scenario,
        )
        groups.setdefault(key, []).append(row)
    made = [
        RunGroup(rows[0].result, rows[0].cause_kind, _words(rows[0]), rows[0].whose, tuple(rows))
        for rows in groups.values()
    ]
    return tuple(sorted(made, key=lambda group: (-len(group.rows), group.example.number)))


def _words(row: Ridden) -> str:
    """What began it; of a run that nothing befell, what was expected of it."""
    return row.cause or f"{row.scenario}: {row.expectation or f'{row.expected} expected, got {row.result}'}"


def direction_of(row: Ridden) -> Direction:
    """Of a surprise: a pass where something else was expected is better; everything else is worse."""
    return "better" if row.result == "pass" else "worse"


def missing_groups(cases: Sequence[Planned]) -> tuple[MissingGroup, ...]:
    """Cases without a row by scenario and disturbance, the largest group first."""
    groups = _grouped(cases, lambda case: (case.scenario, case.disturbance))
    made = [MissingGroup(*key, tuple(found)) for key, found in groups.items()]
    return tuple(sorted(made, key=lambda group: (-len(group.cases), group.cases[0].number)))


def _grouped(
    cases: Iterable[Planned], key: Callable[[Planned], tuple[str, str]]
) -> dict[tuple[str, str], list[Planned]]:
    groups: dict[tuple[str, str], list[Planned]] = {}
    for case in cases:
        groups.setdefault(key(case), []).append(case)
    return groups


def clock_times(began: Iterable[datetime | None], most: int = 6) -> str:
    """When runs began, by the clock (UTC): '02:10 to 02:31 (3), 04:05'; further spans are counted."""
    starts = sorted(start for start in began if start is not None)
    spans: list[list[datetime]] = []
    for start in starts:
        if spans and start - spans[-1][-1] <= _NEAR:
            spans[-1].append(start)
        else:
            spans.append([start])
    shown = [_span(span) for span in spans[:most]]
    more = sum(map(len, spans[most:]))
    return ", ".join([*shown, *([f"and {more} later"] if more else [])])


def _span(span: Sequence[datetime]) -> str:
    first, last = f"{span[0]:%H:%M}", f"{span[-1]:%H:%M}"
    words = first if first == last else f"{first} to {last}"
    return words if len(span) == 1 else f"{words} ({len(span)})"
