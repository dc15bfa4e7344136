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
    What could not be judged is undecided, never missed.
    """
    ride = JudgedRide(run, tuple(sector_ends_m))
    results = [criterion.judge(ride) for criterion in numbered(criteria)]
    missed = [r for r in results if not r.passed]
    undecided = [r.name for r in missed if r.worst_time_s is None]
    result: Result = "pass"
    if missed:
        result = "fail" if len(undecided) < len(missed) else "invalid"
    # beside one that was missed they decide nothing
    decisive = [r for r in missed if result == "invalid" or r.name not in undecided]
    ridden_s = float(run.time_s[-1] - run.time_s[0]) if len(run.tick) else 0.0
    kept = f"{len(results)} of {len(results)} criteria met"
    return Verdict(
        result,
        [f"{r.name}: {r.sentence}" for r in decisive] or [kept],
        results,
        ridden_s=ridden_s,
        undecided=undecided,
        notes=[f"{r.name}: {r.sentence}" for r in missed if r not in decisive],
        robot=who_rode(run.manifest),
    )
