"""Rows of a campaign's table that nobody rode."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from emulator.campaign.plan.case import Case
from emulator.campaign.riding.row import case_columns

PLAN = Path("plans/night.yaml")
"""Where the plan would lie that they are of."""


def made_up_case(number: int, **changes: Any) -> Case:
    """A case of files that are not there."""
    given = {"id": f"{number:016x}", "label": f"case {number}", "seed": number}
    return Case(number, Path("runs/bend.yaml"), Path("rigs/loopback.yaml"), **(given | changes))


def made_up_row(case: Case | int, **changes: Any) -> dict[str, Any]:
    """The row of a case that passed as expected, with 20 % left."""
    case = made_up_case(case) if isinstance(case, int) else case
    what = {name: value for name, value in case_columns(case, PLAN).items() if name not in _OF_CASES}
    row = {
        **what,
        "attempt": 1,
        "scenario": "bend",
        "requirements": [],
        "result": "pass",
        "expected": "pass",
        "as_expected": True,
        "expectation": "pass as expected",
        "cause_kind": "",
        "cause": "",
        "whose": "nobody",
        "fell": False,
        "ended": "complete",
        "ridden_s": 12.0,
        "distance_m": 240.0,
        "thinnest": "lean",
        "thinnest_percent": 20.0,
        "thinnest_at_s": 3.0,
        "criteria": [],
        "signals_sha256": f"{case.number:064x}",
        "tool": "1",
        "model": "m",
        "processor": "a processor",
        "worker": 0,
    }
    return row | changes


_OF_CASES = ("label", "scenario_overlay", "rig_overlay", "vehicle_overlay")
SURPRISE = {"result": "fail", "as_expected": False, "cause_kind": "fallen", "fell": True}
"""What a row of a fall that nobody expected has otherwise."""
