"""One campaign as a page reads it: what was planned, what was ridden, when, by which versions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from functools import cache
from pathlib import Path
from typing import Any

from emulator.campaign.comparison.ridden import Ridden, disturbance_name, disturbances_of, rows_of, values_in
from emulator.campaign.store.answers import UNKNOWN, Answer, read_answers
from emulator.campaign.store.bench_use import BenchUse, bench_use
from emulator.campaign.store.folder import PLAN_FILE
from emulator.campaign.store.reading import read_campaign, read_cases, read_results, read_searched

_OF_CASES = ["number", "case_id", "scenario_file", "disturbances", "stage", "factors", "label"]


@dataclass(frozen=True)
class Planned:
    """A case of the plan, whether or not it was ridden.

    requirements  of its scenario; None where no run of it tells them
    """

    number: int
    case_id: str
    scenario: str
    disturbance: str
    stage: str
    requirements: tuple[str, ...] | None
    factors: Mapping[str, Any]
    label: str


@dataclass(frozen=True)
class Night:
    """A campaign.

    plan   the plan's file, for commands that repeat a case and for what stands beside it
    answers  to the plan's questions; ``searched`` are the rides that they rest on
    state  why it ended, a key as campaign.json has it; 'complete' where every case was ridden
    bench  what was moved and told there; None: nothing was ridden on a bench
    """

    folder: Path
    name: str
    plan: Path
    planned: tuple[Planned, ...]
    rows: tuple[Ridden, ...]
    state: str
    about: Mapping[str, Any]
    bench: BenchUse | None = None
    answers: tuple[Answer, ...] = ()
    searched: tuple[Ridden, ...] = ()

    @property
    def unanswered(self) -> tuple[str, ...]:
        """Questions of the plan that have no answer, or one that says nobody knows."""
        known = {answer.question for answer in self.answers} - {
            answer.question for answer in self.answers if answer.found == UNKNOWN
        }
        return tuple(name for name in map(str, self.about.get("questions") or ()) if name not in known)

    @property
    def every_ride(self) -> tuple[Ridden, ...]:
        """Those of the table, and those that questions asked for."""
        return (*self.rows, *self.searched)

    @property
    def ended(self) -> str:
        """Its state in words."""
        return self.state.replace("_", " ")

    @property
    def began(self) -> datetime | None:
        """When its first ride began, UTC."""
        return min((row.began for row in self.every_ride if row.began is not None), default=None)

    @property
    def last_began(self) -> datetime | None:
        """When its last ride began, UTC."""
        return max((row.began for row in self.every_ride if row.began is not None), default=None)

    @property
    def day(self) -> date | None:
        """The day it is judged by: of its last ride, UTC; so an old night comes out the same on any day."""
        last = self.last_began
        return None if last is None else last.date()

    @property
    def not_ridden(self) -> tuple[Planned, ...]:
        """Cases without a row."""
        ridden = {row.number for row in self.rows}
        return tuple(case for case in self.planned if case.number not in ridden)

    def version(self, of: str) -> tuple[str, ...]:
        """What its rides name as tool, model, robot_version or processor; empty ones left out."""
        return tuple(sorted({str(getattr(row, of)) for row in self.every_ride} - {""}))


def read_night(folder: Path) -> Night:
    """A campaign's folder, also one that is still being ridden. Raises RecordError."""
    about = read_campaign(folder)
    results, cases = read_results(folder), read_cases(folder).select(_OF_CASES).to_pylist()
    known = results.select(("scenario_file", "scenario", "requirements", "expected")).to_pylist()
    # what a scenario is called and carries is told by any run of it that was ridden
    ridden_of = {item["scenario_file"]: item for item in known if item["expected"] is not None}
    names = {file: item["scenario"] for file, item in ridden_of.items()}
    labels = {item["number"]: item["label"] for item in cases}
    factors = cache(values_in)
    plan = Path(str(about.get("plan", "")))
    return Night(
        folder,
        folder.resolve().name,
        plan if plan.is_file() else folder / PLAN_FILE,
        tuple(_planned(item, factors(item["factors"]), names, ridden_of) for item in cases),
        tuple(rows_of(results, labels, names)),
        str(about.get("state", "not told")),
        about,
        bench_use(folder),
        read_answers(folder),
        tuple(rows_of(read_searched(folder))),
    )


def _planned(
    item: Mapping[str, Any],
    factors: Mapping[str, Any],
    names: Mapping[str, str],
    ridden_of: Mapping[str, Mapping[str, Any]],
) -> Planned:
    file = item["scenario_file"]
    return Planned(
        item["number"],
        item["case_id"],
        names.get(file) or Path(file).stem,
        disturbance_name(disturbances_of(item)),
        item["stage"],
        tuple(ridden_of[file]["requirements"] or ()) if file in ridden_of else None,
        factors,
        item["label"] or item["case_id"],
    )


def in_order(nights: Sequence[Night]) -> tuple[Night, ...]:
    """Nights by when they began; those without a ride first."""
    return tuple(sorted(nights, key=lambda night: night.began.timestamp() if night.began else 0.0))
