"""The verdict on a record made of a log: criteria alone decide; there was no bench that could spoil it."""

from __future__ import annotations

from collections.abc import Sequence

from emulator.criteria.base import Criterion
from emulator.criteria.ride import JudgedRide
from emulator.record.reader import Run
from emulator.verdict.judge import Result, Verdict, numbered, who_rode


def judge_log(run: Run, criteria: Sequence[Criterion], sector_ends_m: Sequence[float] = ()) -> Verdict:
    """Judge the record of a log. Never raises for what it holds or lacks.

    fail     a criterion was missed
    invalid  none was, but one could not be judged: a signal is not in the log, or has a gap
    pass     all were met
    """
    ride = JudgedRide(run, tuple(sector_ends_m))
    results = [criterion.judge(ride) for criterion in numbered(criteria)]
    missed = [r for r in results if not r.passed]
    result: Result = "pass"
    if missed:
        result = "fail" if any(r.worst_time_s is not None for r in missed) else "invalid"
    ridden_s = float(run.time_s[-1] - run.time_s[0]) if len(run.tick) else 0.0
    kept = f"{len(results)} of {len(results)} criteria met"
    return Verdict(
        result,
        [f"{r.name}: {r.sentence}" for r in missed] or [kept],
        results,
        ridden_s=ridden_s,
        robot=who_rode(run.manifest),
    )
