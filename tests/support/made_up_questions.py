"""Questions of plans for tests, over the shipped files, and rows by a rule for the rides they ask for."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from emulator.campaign.plan.case import Case
from emulator.campaign.plan.cases import planned
from emulator.campaign.search.asked_ride import PlannedQuestion
from emulator.campaign.search.questions import questions_of
from tests.support.made_up_plans import RIGS, RUNS
from tests.support.made_up_rows import made_up_row

EVENTS = """
      scenario:
        events:
          - {kind: gust, name: gust, speed_m_s: 4.0, from_deg: 0.0, at: {time_s: 8.0}, duration_s: 1.0}
          - {kind: fault, name: gap, effect: dropout, signal: rate_x_rad_s, at: {time_s: 8}, duration_s: 0.02}
"""
GAP = """
value: scenario.events.gap.duration_s
mildest: 0.01
harshest: 0.5
resolution: 0.01
"""
"""Of an edge: how long the gap is."""
PLAN = """\
kind: campaign
name: asked
search:
"""


def question(kind: str, more: str) -> str:
    """A question ``asked`` of the short bend with a gust and a gap in it; ``more`` of its keys, in lines."""
    lines = "".join(f"    {line}\n" for line in more.strip().splitlines())
    ridden = f"scenario: {RUNS}/short_bend.yaml\n    rig: {RIGS}/loopback.yaml"
    return f"  asked:\n    kind: {kind}\n    {ridden}\n    over:{EVENTS}{lines}"


def margins(more: str = "") -> str:
    """A question ``margins`` for steering and a sensor at two speeds."""
    lines = "".join(f"    {line}\n" for line in more.strip().splitlines())
    return (
        f"  margins:\n    kind: margins\n    rig: {RIGS}/loopback.yaml\n    speeds_km_h: [60.0, 120.0]\n"
        f"    actuators: [steering, gear]\n    sensors: [lean_rad]\n{lines}"
    )


def asked(folder: Path, *questions: str) -> tuple[PlannedQuestion, ...]:
    """The questions of a plan with these in it."""
    path = folder / "plan.yaml"
    path.write_text(PLAN + "".join(questions))
    return questions_of(planned(path))


def event(case: Case, name: str) -> dict[str, Any] | None:
    """The event of a name in a case's overlay; None if it is not there, or taken away."""
    for one in case.scenario_overlay.get("events", ()):
        if one.get("name") == name and not one.get("remove"):
            return dict(one)
    return None


def answered_by(lost: Callable[[Case], bool | None]) -> Callable[[Case], dict[str, Any]]:
    """Rows of cases: lost by a fall where the rule says so, of no evidence where it says nothing."""

    def row(case: Case) -> dict[str, Any]:
        came = lost(case)
        if came is None:
            return made_up_row(case, result="invalid", as_expected=None, cause="output late", whose="bench")
        fell = {"result": "fail", "fell": True, "cause": "fell", "criteria": []} if came else {}
        return made_up_row(case, as_expected=None, **fell)

    return row


def rows_by(row: Callable[[Case], dict[str, Any]]) -> Callable[[Sequence[Case]], list[dict[str, Any]]]:
    """Rides of whole generations."""
    return lambda cases: [row(case) for case in cases]
