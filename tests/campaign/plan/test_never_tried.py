"""What a plan never tries, counted by hand on a small plan."""

from __future__ import annotations

from pathlib import Path

from emulator.campaign.plan.cases import planned
from emulator.campaign.plan.check import check_cases
from emulator.campaign.plan.never_tried import trials, value_coverage
from tests.support.made_up_plans import PLAN, written


def test_kinds_signals_and_scenarios_are_counted(tmp_path: Path) -> None:
    campaign = planned(written(tmp_path))
    found = trials(campaign, check_cases(campaign))
    assert found.tried == {("fault", "dropout"): frozenset({"rate_x_rad_s", "lean_rad"})}
    assert found.done == 2
    assert found.done_somewhere == 4  # each in two scenarios
    assert found.everywhere == 2 * found.all
    assert found.all == sum(len(targets) for targets in found.possible.values())
    assert ("fault", "freeze") in found.never()
    assert ("fault", "dropout") not in found.never()
    assert ("mark", "") not in found.possible  # a remark is no disturbance
    never_on = found.never_on()[("fault", "dropout")]
    assert "rate_z_rad_s" in never_on
    assert "lean_rad" not in never_on
    assert "fork_travel_front_m" not in never_on  # this rig does not send it
    assert found.untouched() == []


def test_scenarios_in_which_nothing_happens_are_named(tmp_path: Path) -> None:
    campaign = planned(written(tmp_path, PLAN[: PLAN.index("    vary:")]))
    found = trials(campaign, check_cases(campaign))
    assert [Path(name).stem for name in found.untouched()] == ["short_straight", "short_bend"]
    assert found.done == 0


def test_pairs_of_values_are_covered_but_for_what_is_excluded(tmp_path: Path) -> None:
    campaign = planned(written(tmp_path))
    of = value_coverage(campaign.parts[0]).of
    assert of[2].possible == 2 * 2 + 2 * 3 + (2 * 3 - 1)
    assert (of[2].total, of[2].missing) == (1.0, ())
    assert of[3].possible == 2 * (2 * 3 - 1)


def test_threes_that_a_covering_array_of_pairs_leaves_out_are_counted(tmp_path: Path) -> None:
    text = PLAN.replace("    excluding:\n      - {fault: none, late: 4.0}\n", "    combine: {kind: cover}\n")
    text = text.replace("values: [2.0, 4.0]", "values: [1.0, 2.0, 3.0, 4.0]")
    of = value_coverage(planned(written(tmp_path, text)).parts[0]).of
    assert of[2].total == 1.0
    assert of[3].possible == 24
    assert of[3].covered == 12
    assert len(of[3].missing) == 12


def test_what_may_be_any_number_is_not_counted_and_said(tmp_path: Path) -> None:
    text = PLAN.replace("values: [2.0, 4.0]", "between: [2.0, 4.0]")
    text = text.replace(
        "    excluding:\n      - {fault: none, late: 4.0}\n", "    combine: {kind: spread, count: 8}\n"
    )
    assert value_coverage(planned(written(tmp_path, text)).parts[0]).uncounted == ("late",)
