"""Plans of campaigns for tests, over the shipped scenarios and rigs, and where something stands in one."""

from __future__ import annotations

from pathlib import Path

ROOT = Path(__file__).parents[2]
RUNS = ROOT / "scenarios" / "runs"
RIGS = ROOT / "scenarios" / "rigs"

PLAN = f"""\
kind: campaign
name: made up
parts:
  one:
    scenarios: [{RUNS}/short_straight.yaml, {RUNS}/short_bend.yaml]
    rigs: [{RIGS}/loopback.yaml]
    vary:
      late:
        value: rig.outputs.imu_rates.latency_ms
        values: [2.0, 4.0]
      fault:
        or_none: true
        disturbances:
          - event: {{kind: fault, effect: dropout, at: {{time_s: 8.0}}}}
            each:
              signal: {{values: [rate_x_rad_s, lean_rad]}}
              duration_s: {{values: [0.05]}}
    excluding:
      - {{fault: none, late: 4.0}}
    seeds: {{count: 2}}
"""
"""Two scenarios x five of the six pairs of lateness and fault x two seeds: 20 runs."""


def written(folder: Path, text: str = PLAN) -> Path:
    """A plan's file in a folder."""
    path = folder / "plan.yaml"
    path.write_text(text)
    return path


def place(text: str, part: str) -> tuple[int, int]:
    """Line and column, from 1, at which a part of a text begins that is in it once."""
    assert text.count(part) == 1, f"{part!r} stands {text.count(part)} times in the plan"
    before = text[: text.index(part)]
    return before.count("\n") + 1, len(before) - (before.rfind("\n") + 1) + 1
