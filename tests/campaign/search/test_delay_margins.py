"""How much further delay the reference robot's steering bears: by a campaign's search, and as computed."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from emulator.assembly.session import load_session, mission
from emulator.campaign.plan.case import Case, CaseFiles
from emulator.campaign.riding.conduct import rows_of
from emulator.campaign.riding.worker import Job
from emulator.campaign.riding.workers import Workers
from emulator.campaign.search.bisection import Attempt, EdgeQuestion, find_edges
from emulator.campaign.search.outcome import Outcome
from emulator.campaign.search.rides import Lost, disturbed
from emulator.robot.design import design_rider
from emulator.robot.margins import delay_margins

ROOT = Path(__file__).parents[3]
PLAN = ROOT / "scenarios" / "campaigns" / "first.yaml"
RIG = ROOT / "scenarios" / "rigs" / "loopback.yaml"
SCENARIO = ROOT / "emulator" / "inspection" / "stability" / "late_steering.yaml"
SPEEDS_km_h = (60.0, 90.0, 120.0, 150.0, 180.0)
LONGEST_ms, STEP_ms = 104.0, 1.0
MEMORY_BYTES = 3 * 2**30
WATCHED_s = 45.0


def case(km_h: float) -> Case:
    """A straight that is long enough to watch what a small gust leaves."""
    speed = km_h / 3.6
    straight = {
        "speed": km_h,
        "nearly": 0.985 * speed,
        "release": min(15.0, 0.95 * km_h),
        "length": 100.0 + speed * (WATCHED_s + 60.0),
    }
    return Case(0, SCENARIO, RIG, parameters=straight)


def later(milliseconds: float) -> list[dict[str, Any]]:
    """Steering frames that are so much later, from the gust on."""
    rest = {"name": "a little later", "remove": True}
    if not milliseconds:
        return [{"name": "late", "remove": True}, rest]
    delay = {"kind": "frame", "frame": "steering", "effect": "delay", "delay_ms": milliseconds}
    return [{"name": "late", **delay, "at": {"started": "gust"}}, rest]


@pytest.mark.timing  # some fifty long rides
@pytest.mark.timeout(1800)
def test_searched_and_computed_agree_within_a_tenth() -> None:
    files, lost = CaseFiles(PLAN), Lost(criteria=None, swing_after="gust")
    workers = Workers(Job(PLAN, None, {}, MEMORY_BYTES), len(os.sched_getaffinity(0)), 600.0, 2)

    def ride(attempts: Sequence[Attempt]) -> list[Outcome]:
        cases = [
            disturbed(case(SPEEDS_km_h[a.edge]), later(float(a.size)), lost, files, number)
            for number, a in enumerate(attempts)
        ]
        return [lost.outcome(row) for row in rows_of(workers, cases)]

    try:
        edges = find_edges([EdgeQuestion(0.0, LONGEST_ms, STEP_ms, 1, 1)] * len(SPEEDS_km_h), ride)
    finally:
        workers.close()
    told = mission(load_session(RIG, SCENARIO))
    design = design_rider(told.vehicle, told.grip, told.timing)
    computed = delay_margins(told.vehicle, design, told.timing, [v / 3.6 for v in SPEEDS_km_h]).loop[0]
    for km_h, edge, margin in zip(SPEEDS_km_h, edges, computed, strict=True):
        print(f"{km_h:g} km/h: survived {edge.survived}, lost {edge.lost}, computed {1e3 * margin:.1f} ms")
        assert edge.monotone
        assert edge.survived is not None
        assert edge.lost is not None
        assert edge.survived == pytest.approx(1e3 * margin, rel=0.1)
        assert edge.lost == pytest.approx(1e3 * margin, rel=0.1)
