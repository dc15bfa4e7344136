"""The list of what is known to be wrong and borne for a while: which runs, why, who says so, until when.

``acknowledged.yaml`` beside a plan. An acknowledged run keeps its result; it only is no surprise any more.
An entry whose day is over acknowledges nothing: it is told as expired, and its runs are surprises again.
"""

from __future__ import annotations

import os
from datetime import date
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Annotated, Literal, TypeAlias

from pydantic import BeforeValidator, Field, model_validator

from emulator.config.based_on import load_with_bases
from emulator.config.field_types import Name
from emulator.config.validation import Closed, Words, missing, validate, wrong
from emulator.config.yaml_source import Source, show

ACKNOWLEDGED_FILE = "acknowledged.yaml"
"""Its name beside the plan."""


def _day(value: object) -> object:
    if isinstance(value, date):
        return value
    try:
        day = date.fromisoformat(value) if isinstance(value, str) else None
    except ValueError:
        day = None
    if day is None:
        raise wrong(f"expected a day such as 2027-03-31, got {show(value)}")
    return day


Day: TypeAlias = Annotated[date, BeforeValidator(_day), Words("a day such as 2027-03-31")]
CaseId: TypeAlias = Annotated[
    str, Field(pattern="^[0-9a-f]{16}$"), Words("the identity of a case, 16 hexadecimal digits")
]


class Entry(Closed):
    """Runs that are known to come out other than expected."""

    case: CaseId | None = None
    """The one case that is meant, by its identity. Left out: those that the next two name."""
    scenario: Name | None = None
    """Name of the scenario; * stands for any characters. Left out: every one."""
    disturbance: Name | None = None
    """What is disturbed, such as dropout imu_rates; * stands for any characters. Left out: whatever it is."""
    reason: Name
    """Why it is borne, in a line."""
    name: Name
    """Who says so."""
    until: Day
    """The last day on which it holds."""

    @model_validator(mode="after")
    def _says_which(self) -> Entry:
        if self.case is None and self.scenario is None and self.disturbance is None:
            raise missing("'case', or 'scenario', or 'disturbance': which runs are meant")
        for key in ("scenario", "disturbance"):
            if self.case is not None and getattr(self, key) is not None:
                raise wrong("expected no such key beside case, which names one run already", key)
        return self

    def means(self, case: str, scenario: str, disturbance: str) -> bool:
        """Whether a run is one of those."""
        if self.case is not None:
            return case == self.case
        patterns = ((scenario, self.scenario), (disturbance, self.disturbance))
        return all(pattern is None or fnmatchcase(name, pattern) for name, pattern in patterns)

    @property
    def about(self) -> str:
        """Which runs it means, in words."""
        if self.case is not None:
            return f"case {self.case}"
        return " · ".join((self.scenario or "every scenario", self.disturbance or "whatever is disturbed"))


class Acknowledged(Closed):
    """A list of runs that are known to come out other than expected, for a while."""

    kind: Literal["acknowledged"]
    entries: tuple[Entry, ...]
    """Which runs, why, who says so and until when; of several that mean a run the first one counts."""


def load_acknowledged(path: str | os.PathLike[str]) -> tuple[Acknowledged, Source]:
    """Read the list. Raises ConfigError with every problem in it."""
    source = load_with_bases(path, Acknowledged)
    return validate(Acknowledged, source), source


def entries_beside(plan: Path) -> tuple[Entry, ...]:
    """Entries of the list beside a plan; none where there is no list. Raises ConfigError."""
    path = plan.with_name(ACKNOWLEDGED_FILE)
    return load_acknowledged(path)[0].entries if path.exists() else ()
