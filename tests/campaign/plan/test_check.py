"""Every case is checked as a run of it: mistakes in values at the plan's line, broken files counted."""

from __future__ import annotations

from pathlib import Path

import pytest

from emulator.campaign.plan.cases import planned
from emulator.campaign.plan.check import check_cases
from tests.support.made_up_plans import PLAN, RUNS, place, written

SCENARIOS = f"[{RUNS}/short_straight.yaml, {RUNS}/short_bend.yaml]"
VALUES = "values: [2.0, 4.0]"

# what stands there, what somebody writes instead, where it is told, the words, in how many of the runs
MISTAKES: list[tuple[str, str, str, str, int]] = [
    (VALUES, "values: [2.0, 4000.0]", "4000.0]", "outputs.imu_rates.latency_ms: expected a number", 12),
    (VALUES, "values: [2.0, late]", "late]", "expected a number", 12),
    (
        "imu_rates.latency_ms",
        "imu_rate.latency_ms",
        "2.0, 4.0]",
        "outputs.imu_rate: missing key 'rate_hz'",
        8,
    ),
    ("imu_rates.latency_ms", "imu_rates.latency", "2.0, 4.0]", "did you mean 'latency_ms'?", 8),
    ("rate_x_rad_s, lean_rad", "rate_x_rad_s, lean", "lean]", "unknown signal 'lean'", 8),
    ("effect: dropout", "effect: drop_out", "drop_out", "did you mean 'dropout'?", 16),
    ("time_s: 8.0", "time_s: 800.0", "800.0", "expected a time before the end", 16),
    ("values: [0.05]", "values: [-0.05]", "-0.05", "events.0.duration_s: expected a number", 16),
]


@pytest.mark.parametrize(
    ("right", "wrong", "told_at", "words", "runs"), MISTAKES, ids=[m[1][:50] for m in MISTAKES]
)
def test_a_wrong_value_is_told_at_the_plans_line_with_its_runs(
    tmp_path: Path, right: str, wrong: str, told_at: str, words: str, runs: int
) -> None:
    text = PLAN.replace(right, wrong).replace("late: 4.0}", "late: 2.0}")
    checked = check_cases(planned(written(tmp_path, text)))
    line, column = place(text, told_at)
    told = {str(problem): found.cases for problem, found in checked.problems.items()}
    hit = [n for one, n in told.items() if f"plan.yaml:{line}:{column}:" in one and words in one]
    assert hit == [runs], (told, line, column)


def test_a_right_plan_has_no_problems_and_knows_what_it_rides(tmp_path: Path) -> None:
    campaign = planned(written(tmp_path))
    checked = check_cases(campaign)
    assert checked.problems == {}
    assert checked.wrong == set()
    assert {s.name for s in checked.scenarios.values()} == {"short straight", "short bend"}
    assert len(checked.scenarios) == 20


def test_a_broken_scenario_among_others_is_told_and_counted(tmp_path: Path) -> None:
    broken = tmp_path / "broken.yaml"
    broken.write_text(f"based_on: {RUNS}/short_bend.yaml\nsurface: {{grip: -1.0}}\n")
    text = PLAN.replace(SCENARIOS, f"[{RUNS}/short_straight.yaml, broken.yaml]")
    campaign = planned(written(tmp_path, text))
    checked = check_cases(campaign)
    assert len(campaign.cases) == 20
    assert [(p.file, p.line, found.cases) for p, found in checked.problems.items()] == [(str(broken), 2, 10)]
    assert {campaign.cases[n].scenario for n in checked.wrong} == {broken}
    assert not checked.in_file(campaign.source.path)


def test_a_scenario_that_can_not_be_read_keeps_its_cases(tmp_path: Path) -> None:
    broken = tmp_path / "broken.yaml"
    broken.write_text("kind: scenario\nname: [\n")
    text = PLAN.replace(SCENARIOS, f"[{RUNS}/short_straight.yaml, broken.yaml]")
    campaign = planned(written(tmp_path, text))
    assert len(campaign.cases) == 20
    assert len({case.id for case in campaign.cases}) == 20
    assert len(check_cases(campaign).wrong) == 10


def test_a_path_to_an_event_that_is_not_there_is_told_once(tmp_path: Path) -> None:
    text = PLAN.replace("rig.outputs.imu_rates.latency_ms", "scenario.events.gust.speed_m_s")
    checked = check_cases(planned(written(tmp_path, text)))
    line, _ = place(text, "scenario.events")
    told = [str(problem) for problem in checked.problems]
    assert any(f"plan.yaml:{line}:" in one and "nothing in events goes by 'gust'" in one for one in told), (
        told
    )


def test_an_unknown_parameter_is_told(tmp_path: Path) -> None:
    text = PLAN.replace("value: rig.outputs.imu_rates.latency_ms", "parameter: wet_grip")
    told = [str(problem) for problem in check_cases(planned(written(tmp_path, text))).problems]
    assert any("no parameter 'wet_grip' to set" in one for one in told), told
