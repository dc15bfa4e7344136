"""Questions asked to their end: of rides that are rules whose answers are known."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest

from emulator.campaign.plan.case import Case
from emulator.campaign.search.answering import FAILURE, NO_FAILURE, ask
from emulator.campaign.search.rides import SWING, Lost
from emulator.campaign.store.answers import UNKNOWN, Answer, answers_table, read_answers
from emulator.config.based_on import load_with_bases
from tests.campaign.search.test_questions import VARY
from tests.support.made_up_questions import GAP, answered_by, asked, event, margins, question, rows_by
from tests.support.made_up_rows import made_up_row


def size(case: Case, name: str, key: str) -> float:
    """Of an event that may be missing: 0."""
    return float((event(case, name) or {}).get(key, 0.0))


def gap_beyond(limit: float) -> Callable[[Case], bool]:
    return lambda case: size(case, "gap", "duration_s") > limit


def only(folder: Path, text: str, lost: Callable[[Case], bool | None]) -> Answer:
    (one,) = asked(folder, text)
    (answer,) = ask(one, rows_by(answered_by(lost)), folder).answers
    assert answer.rides <= one.most_rides
    return answer


@pytest.mark.parametrize(
    ("must", "expected"), [(None, None), (0.05, True), (0.12, True), (0.13, False), (0.4, False)]
)
def test_an_edge_is_told_and_held_against_what_must_be_survived(
    tmp_path: Path, must: float | None, expected: bool | None
) -> None:
    more = "" if must is None else f"must_survive: {must}\n"
    answer = only(tmp_path, question("edge", GAP + more), gap_beyond(0.124))
    assert (answer.found, answer.survived, answer.lost, answer.monotone) == ("edge", 0.12, 0.13, True)
    assert answer.borne == pytest.approx(0.11)
    assert answer.as_expected is expected
    assert answer.sentence == "duration_s / s: survived up to 0.12, lost from 0.13"


@pytest.mark.parametrize(
    ("lost", "found", "borne", "expected"),
    [
        (lambda case: False, "all survived", 0.49, True),
        (lambda case: True, "lost at the mildest", 0.0, False),
        (lambda case: None, UNKNOWN, None, None),
    ],
)
def test_where_there_is_no_edge_it_says_so(
    tmp_path: Path,
    lost: Callable[[Case], bool | None],
    found: str,
    borne: float | None,
    expected: bool | None,
) -> None:
    answer = only(tmp_path, question("edge", GAP + "must_survive: 0.05\n"), lost)
    assert (answer.found, answer.as_expected) == (found, expected)
    assert answer.borne == (None if borne is None else pytest.approx(borne))


@pytest.mark.parametrize(("limit", "expected"), [(0.08, True), (0.03, False)])
def test_a_size_between_two_steps_that_must_be_survived_is_ridden(
    tmp_path: Path, limit: float, expected: bool
) -> None:
    """Halving says only that the edge lies between 0.01 and 0.21, whichever it is."""
    more = GAP.replace("resolution: 0.01", "resolution: 0.2") + "must_survive: 0.05\n"
    answer = only(tmp_path, question("edge", more), gap_beyond(limit))
    assert (answer.survived, answer.lost, answer.as_expected) == (0.01, 0.21, expected)


def test_a_curve_is_ridden_about_the_edge_with_a_seed_each(tmp_path: Path) -> None:
    ridden: list[Case] = []

    def lost(case: Case) -> bool:
        ridden.append(case)
        return size(case, "gap", "duration_s") > 0.2 + 0.02 * (case.seed % 5 - 2)

    (one,) = asked(tmp_path, question("edge", GAP + "curve_rides: 40\n"))
    (answer,), edges = ask(one, rows_by(answered_by(lost)), tmp_path)
    seeds = [case.seed for case in ridden if case.seed]
    assert seeds == list(range(1, 41))
    assert answer.half_lost is not None
    assert answer.half_low is not None
    assert answer.half_high is not None
    assert answer.half_low < 0.2 < answer.half_high
    assert answer.half_high - answer.half_low < 0.1
    assert [len(edge.curve) for edge in edges] == [0, 41]
    assert (edges[1].half, edges[1].confidence) == (answer.half_lost, 0.95)


def test_margins_have_an_answer_each_and_share_what_is_undisturbed(tmp_path: Path) -> None:
    ridden: list[str] = []

    def lost(case: Case) -> bool:
        ridden.append(case.id)
        at = event(case, "what is looked at") or {}
        fast = case.parameters["speed"] > 100.0
        if at.get("kind") == "frame":
            return bool(at["delay_ms"] > (30.0 if fast else 40.0))
        return bool(at.get("effect") == "weak" and at["factor"] < 0.625)

    (one,) = asked(tmp_path, margins("gain_step: 0.05"))
    answers = ask(one, rows_by(answered_by(lost)), tmp_path).answers
    by_key = {(a.quantity, a.of, a.speed_km_h): a for a in answers}
    assert len(answers) == len(by_key) == 14
    assert [by_key["delay", "frame steering", v].survived for v in (60.0, 120.0)] == [40.0, 30.0]
    weak = by_key["gain down", "steering", 60.0]
    assert (weak.survived, weak.lost) == (0.65, 0.6)
    assert weak.borne == pytest.approx(0.35)
    assert by_key["gain up", "lean_rad", 60.0].found == "all survived"


def failing(case: Case) -> dict[str, Any]:
    """A margin that slopes towards strong gusts with little grip; the gap does not matter."""
    gust, grip = size(case, "gust", "speed_m_s"), case.scenario_overlay.get("surface", {}).get("grip", 1.0)
    margin = 100.0 - 6.0 * gust - 60.0 * (1.0 - grip)
    fell = {"result": "fail", "fell": True, "cause": "fell"} if margin < 0.0 else {}
    told = {"name": "line", "met": margin >= 0.0, "percent": margin}
    return made_up_row(case, as_expected=None, criteria=[told], **fell)


def test_a_failure_is_found_made_smaller_and_saved(tmp_path: Path) -> None:
    more = VARY.replace("harshest: 12.0", "harshest: 16.0") + "rides: 150\nnone_expected: true\n"
    (one,) = asked(tmp_path, question("failure", more))
    (answer,) = ask(one, rows_by(failing), tmp_path).answers
    assert (answer.found, answer.as_expected) == (FAILURE, False)
    assert answer.values is not None
    assert answer.saved is not None
    left = json.loads(answer.values)
    assert "long" not in left  # the gap was left out
    scenario = load_with_bases(tmp_path / answer.saved / "scenario.yaml").data
    assert [e["name"] for e in scenario["events"]] == ["gust"]
    assert scenario["events"][0]["speed_m_s"] == left["speed"]
    assert answer.command is not None
    assert f"{answer.saved}/scenario.yaml --rig" in answer.command
    assert answer.sentence.startswith("lost (fell) with ")


def test_none_found_is_no_proof(tmp_path: Path) -> None:
    answer = only(
        tmp_path, question("failure", VARY + "rides: 40\nnone_expected: true\n"), lambda case: False
    )
    assert (answer.found, answer.as_expected, answer.saved) == (NO_FAILURE, True, None)
    assert "no proof" in answer.sentence
    silent = only(tmp_path, question("failure", VARY + "rides: 40\n"), lambda case: None)
    assert (silent.found, silent.not_counted) == (UNKNOWN, 40)


DRAWN = """
vary:
  gust: {value: scenario.events.gust.speed_m_s, drawn: {kind: uniform, between: [0.5, 10.5]}}
"""


@pytest.mark.parametrize(("at_most", "expected"), [("0.6", True), ("0.05", False), ("0.3", None)])
def test_a_probability_is_held_against_what_it_may_be(
    tmp_path: Path, at_most: str, expected: bool | None
) -> None:
    more = f"{DRAWN}method: {{kind: fixed, rides: 60}}\nat_most: {at_most}\n"
    seeds: list[int] = []

    def lost(case: Case) -> bool:
        seeds.append(case.seed)
        return size(case, "gust", "speed_m_s") > 7.5

    answer = only(tmp_path, question("probability", more), lost)
    assert answer.probability == pytest.approx(0.3, abs=0.15)
    assert answer.low is not None
    assert answer.high is not None
    assert answer.low < 0.3 < answer.high
    assert answer.as_expected is expected
    assert f"at most {at_most}" in answer.sentence or f"more than {at_most}" in answer.sentence
    assert seeds == list(range(60))


def test_answers_are_read_as_they_were_written(tmp_path: Path) -> None:
    answer = only(tmp_path, question("edge", GAP), gap_beyond(0.124))
    import pyarrow.parquet as pq

    pq.write_table(answers_table([answer]), tmp_path / "answers.parquet")
    assert read_answers(tmp_path) == (answer,)
    assert read_answers(tmp_path / "nowhere") == ()


def test_a_swing_that_could_not_be_told_is_neither_lost_nor_survived() -> None:
    lost = Lost(criteria=(), swing_after="gust")
    told = {"name": SWING["name"], "met": False, "percent": None}
    row = made_up_row(3, result="fail", ended="complete", criteria=[told])
    assert lost.outcome(row).lost is None
    assert lost.outcome(row | {"ended": "fallen", "fell": True}).lost
    assert lost.outcome(row | {"ended": "tripped"}).lost
    assert lost.outcome(row | {"criteria": [told | {"percent": -3.0}]}).lost


def test_a_generation_is_asked_for_at_once(tmp_path: Path) -> None:
    sizes: list[int] = []

    def rows_of(cases: Sequence[Case]) -> list[dict[str, Any]]:
        sizes.append(len(cases))
        return rows_by(answered_by(gap_beyond(0.2)))(cases)

    (one,) = asked(tmp_path, margins())
    ask(one, rows_of, tmp_path)
    assert sizes[0] == 2 * 14


def test_no_more_rides_than_told(tmp_path: Path) -> None:
    """Rides of an answer are those that were asked for, at most what the question may take."""
    ridden: list[str] = []

    def lost(case: Case) -> bool:
        ridden.append(case.id)
        return size(case, "gap", "duration_s") > 0.2

    answer = only(tmp_path, question("edge", GAP + "curve_rides: 7\n"), lost)
    assert answer.rides == len(ridden) == len(set(ridden))
