"""The page about plans: every key of a plan stands on it, and its example is one that can be ridden."""

from __future__ import annotations

from pathlib import Path

import pytest

from emulator.campaign.plan.cases import planned
from emulator.campaign.plan.check import check_cases
from emulator.campaign.search.questions import questions_of
from emulator.config.campaign.chances import LogNormal, Normal, RareFailure, Uniform, UntilKnown
from emulator.config.campaign.schema import BenchLane, Budget, Keep, Part, Plan, SpreadSample, StopAfter
from emulator.config.campaign.search import Edge, Failure, LostIf, Margins, Probability
from emulator.config.campaign.varied import Choice, Disturbances
from tests.guide.markdown import GUIDE, ROOT, blocks
from tests.guide.test_pages import named

PAGE = (GUIDE / "campaigns.md").read_text()
MODELS = (Part, Budget, StopAfter, Keep, BenchLane, SpreadSample, Choice, Disturbances)


@pytest.mark.parametrize("model", MODELS, ids=lambda m: m.__name__)
def test_every_key_is_named(model: type) -> None:
    assert set(model.model_fields) - named(PAGE) == set()


def test_every_key_of_the_top_has_a_row_but_for_what_the_example_shows() -> None:
    rows = [key for key in Plan.model_fields if f"| `{key}` |" not in PAGE]
    assert rows == ["kind", "name", "purpose", "bench"]


def test_the_example_is_a_plan(tmp_path: Path) -> None:
    (example,) = blocks(PAGE, "yaml")
    scenarios = ROOT / "scenarios"
    plan = tmp_path / "plan.yaml"
    plan.write_text(example.replace("../", f"{scenarios}/"))
    campaign = planned(plan)
    assert len(campaign.cases) == 4 * (4 * 3 * 2 - 2 * 3) * 3
    assert check_cases(campaign).problems == {}


def test_every_key_of_a_question_is_on_its_page() -> None:
    page = (GUIDE / "questions.md").read_text()
    for model in (
        LostIf,
        Edge,
        Margins,
        Failure,
        Probability,
        Normal,
        Uniform,
        LogNormal,
        UntilKnown,
        RareFailure,
    ):
        assert set(model.model_fields) - named(page) - {"kind", "scenario", "rides"} == set(), model


def test_examples_of_questions_are_plans(tmp_path: Path) -> None:
    examples = blocks((GUIDE / "questions.md").read_text(), "yaml")
    assert len(examples) == 2
    for example in examples:
        plan = tmp_path / "plan.yaml"
        plan.write_text(example.replace("../", f"{ROOT / 'scenarios'}/"))
        assert len(questions_of(planned(plan))) == 1


@pytest.mark.slow
def test_the_shipped_questions_are_right() -> None:
    campaign = planned(ROOT / "scenarios" / "campaigns" / "margins.yaml")
    questions = questions_of(campaign)
    assert [one.asked.kind for one in questions] == ["margins", "edge", "failure", "probability"]
    ends = [end for one in questions for end in one.ends()]
    assert check_cases(campaign, further=ends).problems == {}


@pytest.mark.parametrize("name", ["first", "overnight"])
def test_the_shipped_plans_are_right(name: str) -> None:
    campaign = planned(ROOT / "scenarios" / "campaigns" / f"{name}.yaml")
    runs = len(campaign.cases)
    assert runs == 12 if name == "first" else runs >= 1000
    assert campaign.same == 0
    assert len({case.id for case in campaign.cases}) == runs
    assert len({case.label for case in campaign.cases}) == runs
    assert check_cases(campaign).problems == {}
