"""What a verdict says in a line, with what was missed and by whom."""

from __future__ import annotations

import io
from pathlib import Path

import pytest

from emulator.cli.output import PlainConsole
from emulator.core.trip_reasons import TripReason
from emulator.report.sections import timing_section
from emulator.report.terminal import (
    console_summary,
    disturbed_sentence,
    left_out_sentence,
    meaning_of,
    what_to_do,
)
from emulator.verdict.attribution import Cause
from emulator.verdict.judge import CriterionResult, Result, Verdict, write_verdict


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


def test_a_long_reason_is_broken_not_cut(tmp_path: Path) -> None:
    reason = "the robot's software failed: " + "it raised what nobody thought of, " * 6 + "here is the end"
    write_verdict(tmp_path, Verdict("fail", [reason], []))
    console = PlainConsole(soft_wrap=True, width=80, file=io.StringIO())  # as commands have it
    console.print(console_summary(tmp_path))
    shown = " ".join(console.file.getvalue().replace("│", " ").split())  # type: ignore[attr-defined]
    assert reason in shown


def test_a_ride_that_the_scenarios_own_fault_of_the_bus_ended_accuses_nobody() -> None:
    trip = Cause("scenario", "the rig tripped: robot commands stale", 8.0)
    verdict = Verdict("fail", [trip.text], [], causes=[trip], trip_code=int(TripReason.COMMAND))
    assert meaning_of(verdict).sentence == "valid, but what the scenario did to the bus ended the ride"
    assert what_to_do(verdict).startswith("neither robot nor bench is to blame")


def test_samples_left_out_of_the_ages_are_counted_by_their_reason() -> None:
    ages = {"count": 1999, "late": 40, "age_ms_p50": 117.0, "age_ms_p99": 250.5, "age_ms_max": 251.25}
    left_out = {"frame_fault": 0, "bus_fault": 1999, "never_arrived": 2}
    outputs = {
        "imu_rates": {"sent": 8386, "left_out": left_out, "disturbed": ages, "wire_us": 123.0},
        "lean": {"sent": 900, "left_out": dict.fromkeys(left_out, 0), "disturbed": None},
        "engine": {"sent": 900},
    }
    certificate = {"outputs": outputs, "arrival": "arbitrated"}
    assert left_out_sentence(certificate) == (
        "Left out of ages, rate and jitter: imu_rates 1,999 behind frames that the scenario put on the bus, "
        "2 never arrived (of 8,386)."
    )
    assert disturbed_sentence(certificate) == (
        "Ages behind the scenario's frames: imu_rates p50 117.00, p99 250.50, at most 251.25 ms, 40 late."
    )
    section = timing_section(certificate)
    assert section.left_out == left_out_sentence(certificate)
    assert "everybody's frames" in section.until
    assert "is not measured" in timing_section({"outputs": outputs}).until  # of an earlier version
    assert left_out_sentence({"outputs": {"engine": outputs["engine"]}}) == ""
    assert disturbed_sentence({}) == ""
