"""What ``emulator campaign check`` says of a plan: as JSON with stable keys, and as lines of text."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Any

from emulator.campaign.plan.cases import PlannedCampaign
from emulator.campaign.plan.check import CheckedCases, FoundProblem
from emulator.campaign.plan.estimate import Estimate
from emulator.campaign.plan.never_tried import Effect, Trials, ValueCoverage

_MOST_NAMES = 8  # in a line; all of them stand in the JSON


@dataclass(frozen=True)
class AskedSummary:
    """A question of a plan: rides that it may take, and processor time of as many."""

    name: str
    kind: str
    most_rides: int
    most_cpu_s: float


@dataclass(frozen=True)
class PlanSummary:
    """A plan that was checked, with all that is worked out of it."""

    campaign: PlannedCampaign
    checked: CheckedCases
    estimate: Estimate
    trials: Trials
    values: tuple[ValueCoverage, ...]
    questions: tuple[AskedSummary, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """As JSON has it."""
        plan, e = self.campaign.plan, self.estimate
        return {
            "plan": self.campaign.source.path,
            "name": plan.name,
            "stage": plan.stage,
            "runs": len(self.campaign.cases),
            "left_out_as_the_same": self.campaign.same,
            "cannot_be_ridden": len(self.checked.wrong),
            "parts": [
                {
                    "name": made.name,
                    "combinations": len(made.rows),
                    "runs": sum(self.campaign.part_of(case) is made for case in self.campaign.cases),
                }
                for made in self.campaign.parts
            ],
            "problems": [_found(found) for found in self.checked.problems.values()],
            "warnings": [_found(found) for found in self.checked.warnings.values()],
            "estimate": {
                "runs": e.runs,
                "workers": e.workers,
                "ridden_s": e.ridden_s,
                "cpu_s": e.cpu_s,
                "wall_s": e.wall_s,
                "table_bytes": e.table_bytes,
                "kept_bytes": e.kept_bytes,
                "basis": e.basis,
            },
            "questions": [asdict(one) for one in self.questions],
            "never_tried": {
                "kinds_on_signals": {"tried": self.trials.done, "of": self.trials.all},
                "kinds_on_signals_in_scenarios": {
                    "tried": self.trials.done_somewhere,
                    "of": self.trials.everywhere,
                },
                "kinds": [effect_words(effect) for effect in self.trials.never()],
                "signals": {
                    effect_words(effect): sorted(targets)
                    for effect, targets in self.trials.never_on().items()
                },
                "scenarios_without_disturbance": self.trials.untouched(),
                "values": [
                    {
                        "part": one.part,
                        "strength": strength,
                        "total": of.total,
                        "simple": of.simple,
                        "missing": len(of.missing),
                    }
                    for one in self.values
                    for strength, of in one.of.items()
                ],
                "not_counted": {one.part: list(one.uncounted) for one in self.values if one.uncounted},
            },
        }

    def lines(self) -> Iterator[str]:
        """As text, without what is wrong."""
        runs, wrong = len(self.campaign.cases), len(self.checked.wrong)
        yield f"{self.campaign.plan.name}: {_many(runs, 'run')}, {self.campaign.plan.stage}"
        for part in self.as_dict()["parts"]:
            made = _many(part["combinations"], "combination")
            yield f"  {part['name']}: {_many(part['runs'], 'run')} of {made}"
        for asked in self.questions:
            yield (
                f"  {asked.name}: {asked.kind}, at most {_many(asked.most_rides, 'ride')}, "
                f"{span(asked.most_cpu_s)} of processor time"
            )
        if self.campaign.same:
            yield f"  left out, the same ride as another: {_many(self.campaign.same, 'run')}"
        if wrong:
            yield f"  can't be ridden as they stand: {_many(wrong, 'run')}"
        if not runs:
            return
        e = self.estimate
        workers = (
            f" on {_many(e.workers, 'process', 'processes')}" if self.campaign.plan.stage == "virtual" else ""
        )
        yield f"takes about {span(e.wall_s)}{workers} for {span(e.ridden_s)} of riding, by {e.basis}"
        yield (
            f"disk: about {size(e.table_bytes)} for the table, and {size(e.kept_bytes)} if as many records "
            "are kept as the plan allows"
        )
        yield from self._beyond_budget()
        yield from self._never_tried()

    def _beyond_budget(self) -> Iterator[str]:
        budget, e = self.campaign.plan.budget, self.estimate
        if budget.hours is not None and e.wall_s > budget.hours * 3600.0:
            yield f"more than its budget of {budget.hours:g} h: what is left then is told as not ridden"
        if budget.disk_GB is not None and e.table_bytes + e.kept_bytes > budget.disk_GB * 1e9:
            yield f"more than its budget of {budget.disk_GB:g} GB: fewer records are kept then"

    def _never_tried(self) -> Iterator[str]:
        t = self.trials
        yield (
            f"tried: {t.done:,} of {t.all:,} kinds of fault on the signals and frames they may act on; with "
            f"scenarios {t.done_somewhere:,} of {t.everywhere:,}"
        )
        if never := [effect_words(effect) for effect in t.never()]:
            yield f"  never tried on anything: {_some(never)}"
        on = {effect_words(effect): sorted(targets) for effect, targets in t.never_on().items()}
        for effect, targets in list(on.items())[:_MOST_NAMES]:
            yield f"  {effect}: never on {_some(targets)}"
        if len(on) > _MOST_NAMES:
            yield f"  and {len(on) - _MOST_NAMES} more (--json names all)"
        if quiet := t.untouched():
            yield f"  no disturbance at all in {_many(len(quiet), 'scenario')}: {_some(quiet)}"
        for one in self.values:
            for strength, of in one.of.items():
                what = "pairs" if strength == 2 else "threes"
                yield (
                    f"{one.part}: {100.0 * of.total:.3g} % of the {what} of its values are tried, "
                    f"{len(of.missing):,} never"
                )
            if one.uncounted:
                yield f"{one.part}: any number is tried of {_some(list(one.uncounted))}, so it is not counted"


def effect_words(effect: Effect) -> str:
    """A kind and its effect in words."""
    return " ".join(part for part in effect if part)


def problem_words(found: FoundProblem, of: int) -> str:
    """A problem with the runs it is in."""
    if found.cases in (0, of):
        return str(found.problem)
    return f"{found.problem} (in {_many(found.cases, 'run')}, the first: {found.first.label})"


def span(seconds: float) -> str:
    """A time to wait for, as people say it."""
    if seconds < 90.0:
        return f"{max(1.0, seconds):.0f} s"
    minutes = round(seconds / 60.0)
    return f"{minutes} min" if minutes < 120 else f"{minutes // 60} h {minutes % 60:02d} min"


def size(count: float) -> str:
    """Bytes as people say them."""
    for unit, name in ((1e9, "GB"), (1e6, "MB"), (1e3, "kB")):
        if count >= unit:
            return f"{count / unit:.3g} {name}"
    return f"{count:.0f} bytes"


def _found(found: FoundProblem) -> dict[str, Any]:
    p = found.problem
    return {
        "file": p.file,
        "line": p.line,
        "column": p.column,
        "key": p.key,
        "expected": p.expected,
        "runs": found.cases,
        "first": found.first.label,
    }


def _many(count: int, one: str, many: str = "") -> str:
    return f"{count:,} {one if count == 1 else many or one + 's'}"


def _some(names: list[str]) -> str:
    left = len(names) - _MOST_NAMES
    return ", ".join(names[:_MOST_NAMES]) + (f" and {left} more" if left > 0 else "")
