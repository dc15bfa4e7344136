"""What a verdict says in a line, with what was missed and by whom."""

from __future__ import annotations

import io
from pathlib import Path

import pytest

from emulator.cli.output import PlainConsole
from emulator.core.trip_reasons import TripReason
from emulator.report.page import Cell
from emulator.report.sections import criteria_section, timing_section
from emulator.report.terminal import (
    console_summary,
    disturbed_sentence,
    left_out_sentence,
    meaning_of,
    nearest_sentence,
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


def test_the_promise_with_the_least_to_spare_is_named() -> None:
    imu = {
        "kept_ppm": 12.0, "age_ms_p50": 2.1, "age_ms_max": 40.0, "silence_ms_max": 20.0,
        "allowed": {"kept_ppm": 200.0, "age_ms_p50": [0.0, 4.0], "age_ms_max": 47.0, "silence_ms_max": 47.0},
    }  # fmt: skip
    gnss = {"age_ms_p50": 0.4, "allowed": {"age_ms_p50": [0.0, 4.0]}}
    assert nearest_sentence({"outputs": {"imu": imu}}) == (
        "Least to spare: imu, oldest sample, 85 % of what is allowed."
    )
    # a median may be off either way: 1.6 of 2 ms too young
    assert nearest_sentence({"outputs": {"imu": imu | {"age_ms_max": 30.0}, "gnss": gnss}}) == (
        "Least to spare: gnss, median age, 80 % of what is allowed."
    )
    assert nearest_sentence({"outputs": {"engine": {"rate_hz": 10}}}) == nearest_sentence({}) == ""


def test_all_that_was_judged_shows_what_is_allowed() -> None:
    allowed = {
        "kept_ppm": 500.5,
        "age_ms_p50": [-1.0, 5.0],
        "age_ms_max": 47.0,
        "silence_ms_max": 47.0,
        "lost": 0.0,
    }
    kept = {
        "rate_hz": 500.0, "sent": 900, "lost": 0, "kept_ppm": 0.5, "disordered": 0, "latency_ms": 2.0,
        "age_ms_p50": 2.0, "age_ms_max": 2.5, "silence_ms_max": 2.0, "allowed": allowed,
    }  # fmt: skip
    section = timing_section({"outputs": {"imu": kept}})
    row = dict(zip((" ".join(head.split()) for head in section.heads), section.rows[0], strict=True))
    assert row["period error ppm"] == "+0.5 ≤ 500"
    assert row["lost"] == "0 ≤ 0"
    assert row["out of order"] == "0 ≤ 0"
    assert row["age p50 ms"] == "2.00 (-1 to 5)"
    assert row["longest silence ms"] == "2.0 ≤ 47"


@pytest.mark.parametrize(
    ("verdict", "advice"),
    [
        (Verdict("invalid", ["x"], criteria(1, 0), timing_missed=True), "see in the timing certificate"),
        (Verdict("invalid", ["x"], [], causes=[Cause("unknown", "x")]), "rule out what the first reason"),
        (Verdict("invalid", ["x"], [], causes=[Cause("bench", "x")]), "mend on the bench what the first"),
        (Verdict("error", ["x"], []), "mend what the first reason names"),
        (Verdict("fail", ["x"], criteria(0, 1)), ""),
        (Verdict("pass", ["x"], criteria(1, 0)), ""),
    ],
)
def test_a_ride_that_does_not_count_says_what_to_do(verdict: Verdict, advice: str) -> None:
    assert what_to_do(verdict).startswith(advice)
    assert bool(what_to_do(verdict)) == bool(advice)


def test_criteria_of_a_ride_that_does_not_count_are_not_ticked(tmp_path: Path) -> None:
    judged = [CriterionResult("lean", "lean", True, 0.1, "rad", 3.0, 1.0, "so it was", 0.5)]
    told = {}
    for result in ("pass", "invalid"):
        verdict = Verdict(result, ["because"], judged)  # type: ignore[arg-type]
        write_verdict(tmp_path, verdict)
        console = PlainConsole(width=120, file=io.StringIO())
        console.print(console_summary(tmp_path))
        told[result] = (
            console.file.getvalue().count("✓ met"),  # type: ignore[attr-defined]
            str(criteria_section(verdict, {}).rows).count("✓ met"),
            bool(criteria_section(verdict, {}).note),
        )
    assert told == {"pass": (1, 1, False), "invalid": (0, 0, True)}


def test_margins_are_told_in_percent_of_their_limit_and_the_thinnest_is_marked() -> None:
    judged = [
        CriterionResult("line", "distance_from_line", True, 0.75, "m", 4.0, 9.0, "a", 1.5),
        CriterionResult("speed", "speed_error", True, 0.4, "m/s", 5.0, 9.0, "b", 4.0),
        CriterionResult("fall", "no_fall", True, 1.0, "1", 6.0, 9.0, "c", None),
    ]
    rows = criteria_section(Verdict("pass", [], judged), {"C1": "time2"}).rows
    assert rows[0][2] == "+0.75 m (50 %)"
    assert rows[1][2] == Cell("thinnest", strong="+1.4 km/h (10 %)")
    assert rows[2][2] == "–"
    assert rows[0][0] == Cell("line", strong="C1", leads_to=(3.0, 5.0), panel="time2")
