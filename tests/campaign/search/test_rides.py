"""Cases of a search, what their rows say, and how an edge stands in a campaign's folder."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest

from emulator.campaign.page.edges import read_edges, write_edges
from emulator.campaign.plan.case import Case, CaseFiles
from emulator.campaign.search.bisection import Attempt, EdgeQuestion, find_edges
from emulator.campaign.search.outcome import Outcome
from emulator.campaign.search.rides import SWING, Lost, disturbed, rides_of
from emulator.campaign.search.told import shown_edge

ROOT = Path(__file__).parents[3]
SCENARIO = ROOT / "emulator/inspection/stability/late_steering.yaml"
RIG = ROOT / "scenarios/rigs/loopback.yaml"


def criterion(name: str, percent: float | None, met: bool | None = True) -> dict[str, Any]:
    return {"name": name, "percent": percent, "met": met}


def row(result: str = "pass", *criteria: dict[str, Any], fell: bool = False) -> dict[str, Any]:
    return {"case_id": "c", "result": result, "cause": "a cause", "fell": fell, "criteria": list(criteria)}


@pytest.mark.parametrize(
    ("lost", "ridden", "outcome"),
    [
        (Lost(), row(), Outcome(False, None, "", "c")),
        (Lost(), row("pass", criterion("a", 40.0), criterion("b", 12.0)), Outcome(False, 12.0, "", "c")),
        (Lost(), row("fail", criterion("a", -3.0, False)), Outcome(True, -3.0, "missed a", "c")),
        (Lost(), row("fail", fell=True), Outcome(True, None, "fell", "c")),
        (Lost(), row("fail"), Outcome(True, None, "a cause", "c")),
        (Lost(), row("invalid", criterion("a", -3.0, False)), Outcome(None, None, "a cause", "c")),
        (Lost(), row("error"), Outcome(None, None, "a cause", "c")),
        (
            Lost(criteria=("a",)),
            row("fail", criterion("a", 4.0), criterion("b", -9.0, False)),
            Outcome(False, 4.0, "", "c"),
        ),
        (
            Lost(fall=False, criteria=("a",)),
            row("fail", criterion("a", 4.0), fell=True),
            Outcome(False, 4.0, "", "c"),
        ),
        (
            Lost(criteria=(), swing_after="gust"),
            row("fail", criterion("b", -9.0, False), criterion(SWING["name"], -2.0, False)),
            Outcome(True, -2.0, f"missed {SWING['name']}", "c"),
        ),
    ],
)
def test_what_counts_as_lost_is_what_was_said_to(
    lost: Lost, ridden: Mapping[str, Any], outcome: Outcome
) -> None:
    assert lost.outcome(ridden) == outcome


def late(ms: float) -> list[dict[str, Any]]:
    return [
        {
            "name": "late",
            "kind": "frame",
            "frame": "steering",
            "effect": "delay",
            "delay_ms": ms,
            "at": {"started": "gust"},
        }
    ]


def test_a_disturbed_case_has_its_events_the_swing_criterion_and_an_id_of_its_own() -> None:
    files = CaseFiles(ROOT / "plan.yaml")
    case = Case(0, SCENARIO, RIG, id="before")
    one, other, same = (disturbed(case, late(ms), Lost(swing_after="gust"), files) for ms in (5.0, 6.0, 5.0))
    scenario = files.scenario(one).data
    assert [e["delay_ms"] for e in scenario["events"] if e["name"] == "late"] == [5.0]
    assert [c["kind"] for c in scenario["criteria"]] == ["no_fall", "swing_dies_away"]
    assert len({one.id, other.id, "before"}) == 3
    assert one.id == same.id


def test_a_search_rides_cases_and_hears_rows() -> None:
    def rows_of(cases: Sequence[Case]) -> list[dict[str, Any]]:
        sizes = [next(e for e in c.scenario_overlay["events"])["delay_ms"] for c in cases]
        return [row("fail" if ms > 30.0 else "pass", fell=ms > 30.0) for ms in sizes]

    ride = rides_of(
        Case(0, SCENARIO, RIG), lambda a: late(a.size), Lost(), CaseFiles(ROOT / "plan.yaml"), rows_of
    )
    (edge,) = find_edges([EdgeQuestion(1.0, 100.0, 1.0)], ride)
    assert (edge.survived, edge.lost) == (30.0, 31.0)


def test_an_edge_is_written_and_read_again(tmp_path: Path) -> None:
    def ride(asked: Sequence[Attempt]) -> list[Outcome]:
        return [Outcome(a.size < 0.62) for a in asked]

    (edge,) = find_edges([EdgeQuestion(1.0, 0.0, 0.05)], ride)
    shown = shown_edge("short_bend · weak steering", "factor", "1", edge)
    assert (shown.half_low, shown.half_high) == (0.6, 0.65)
    assert sum(p.lost for p in shown.points) == sum(bool(r.outcome.lost) for r in edge.rides)
    write_edges(tmp_path, [shown])
    assert read_edges(tmp_path) == (shown,)
    (none,) = find_edges(
        [EdgeQuestion(1.0, 0.0, 0.05)], lambda asked: [Outcome(None, why="no bench")] * len(asked)
    )
    assert shown_edge("x", "factor", "1", none).half is None
    assert shown_edge("x", "factor", "1", none).points == ()
