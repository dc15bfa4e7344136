"""What a verdict says in a line, with what was missed and by whom."""

from __future__ import annotations

import pytest

from emulator.report.terminal import meaning_of
from emulator.verdict.judge import CriterionResult, Result, Verdict


def criteria(met: int, missed: int) -> list[CriterionResult]:
    return [
        CriterionResult("lean", "lean", passed, None, "rad", None, None, "so it was")
        for passed in [True] * met + [False] * missed
    ]


@pytest.mark.parametrize(
    ("result", "reasons", "judged", "sentence"),
    [
        ("pass", [], criteria(3, 0), "complete and valid, every criterion met"),
        ("fail", ["lean: so it was"], criteria(3, 2), "valid, but the robot missed 2 of 5 criteria"),
        ("fail", ["lean: so it was"], criteria(0, 1), "valid, but the robot missed 1 of 1 criterion"),
        ("fail", ["stopped by hand"], criteria(2, 0), "valid, but the ride was not completed"),
        ("invalid", ["the record holds no running tick"], [], "does not count: the reasons follow"),
        # a criterion of that name is the robot's affair
        ("invalid", ["bus", "lean: timing not kept: so"], [], "does not count: the reasons follow"),
        ("error", ["a process crashed"], [], "the run broke down and says nothing"),
    ],
)
def test_a_verdict_in_a_line(
    result: Result, reasons: list[str], judged: list[CriterionResult], sentence: str
) -> None:
    assert meaning_of(Verdict(result, reasons, judged)).sentence == sentence


@pytest.mark.parametrize(
    ("missed", "sentence"),
    [
        (True, "does not count: the bench missed its timing"),
        (False, "does not count: the reasons follow"),
    ],
)
def test_timing_is_blamed_only_where_it_was_missed(missed: bool, sentence: str) -> None:
    reasons = ["the rig tripped: recorder", "timing not kept: imu: never sent"]
    verdict = Verdict("invalid", reasons, criteria(1, 1), timing_missed=missed)
    assert meaning_of(verdict).sentence == sentence


def test_a_run_that_nobody_judged() -> None:
    assert meaning_of(None) == ("NO VERDICT", "–", "this run has not been judged")
