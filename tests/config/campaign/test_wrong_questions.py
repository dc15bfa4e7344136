"""Mistakes that people make in questions of a plan: each is told at its place, in words."""

from __future__ import annotations

from pathlib import Path

import pytest

from emulator.config.campaign.schema import load_plan
from emulator.config.campaign.search import NO_GAIN, Channel
from emulator.core.errors import ConfigError
from emulator.events.actuator_faults import CHANNELS
from tests.support.made_up_plans import place
from tests.support.made_up_questions import GAP, PLAN, margins, question

EDGE = PLAN + question("edge", GAP)
SPEEDS = "speeds_km_h: [60.0, 120.0]"
MARGINS = PLAN + margins()
FAILURE = PLAN + question(
    "failure", "vary:\n  a: {value: scenario.surface.grip, mildest: 1.0, harshest: 0.5, resolution: 0.1}"
)
CHANCE = PLAN + question(
    "probability",
    "vary:\n  a: {value: scenario.surface.grip, drawn: {kind: uniform, between: [0.5, 1.0]}}\n"
    "method: {kind: fixed, rides: 10}",
)

# the plan, what stands there, what somebody writes instead, where it is told, the words
MISTAKES: list[tuple[str, str, str, str, str]] = [
    (EDGE, "kind: edge", "kind: egde", "egde", "did you mean 'edge'?"),
    (EDGE, "resolution: 0.01", "resolution: 0.0", "0.0\n", "above 0"),
    (EDGE, "resolution: 0.01", "resolution: 0.9", "0.9", "at most 0.49, all that is between the ends"),
    (EDGE, "resolution: 0.01", "resolution: 1e-9", "1e-9", "at most 100000 between the ends"),
    (EDGE, "harshest: 0.5", "harshest: 0.01", "0.01\n    resolution", "another number than the mildest"),
    (
        EDGE,
        "    value: scenario.events.gap.duration_s\n",
        "",
        "kind: edge",
        "either parameter or value, got none",
    ),
    (
        EDGE,
        "value: scen",
        "parameter: size\n    value: scen",
        "kind: edge",
        "either parameter or value, got both",
    ),
    (EDGE, "mildest", "must_survive: 9.0\n    mildest", "9.0", "a size from 0.01 to 0.5, got 9"),
    (EDGE, "search:", "stage: bench\nsearch:", "asked:", "searches ride the virtual stage"),
    (EDGE, "kind: edge\n", "kind: edge\n    lost: {falls: true}\n", "falls", "did you mean 'fall'?"),
    (MARGINS, SPEEDS, "speeds_km_h: []", "[]", "at least 1"),
    (MARGINS, SPEEDS, "speeds_km_h: [60.0, 60.0]", "60.0]", "each once, got 60.0 again"),
    (MARGINS, "[steering, gear]", "[stering]", "stering", "did you mean 'steering'?"),
    (
        MARGINS,
        "    actuators: [steering, gear]\n    sensors: [lean_rad]\n",
        "",
        "kind: margins",
        "both: what is",
    ),
    (
        MARGINS,
        "[steering, gear]\n    sensors: [lean_rad]\n",
        "[gear]\n    of: [gain_up]\n",
        "[gain_up]",
        "a gear lever has no gain",
    ),
    (MARGINS, SPEEDS, f"{SPEEDS}\n    gain_step: 0.9\n    greatest_gain: 1.5", "0.9", "at most 0.5"),
    (FAILURE, "resolution: 0.1", "resolution: 2.0", "2.0", "at most 0.5"),
    (CHANCE, "between: [0.5, 1.0]", "between: [1.0, 0.5]", "[1.0, 0.5]", "the least first and then more"),
    (
        CHANCE,
        "{kind: fixed, rides: 10}",
        "{kind: until_known, most: 10}",
        "{kind: until",
        "proven_below, quotient",
    ),
    (CHANCE, "kind: uniform", "kind: normally", "normally", "one of normal, uniform, log_normal"),
    (
        CHANCE,
        "vary:\n      a: {value: scenario.surface.grip, drawn: {kind: uniform, between: [0.5, 1.0]}}\n"
        "    method: {kind: fixed, rides: 10}",
        "method: {kind: rare}",
        "asked:",
        "something that is drawn where the method is rare",
    ),
    (EDGE, EDGE[EDGE.index("search:") :], "", "kind: campaign", "missing key 'parts', or 'search'"),
]


@pytest.mark.parametrize(("plan", "there", "written", "at", "words"), MISTAKES)
def test_every_mistake_is_told_at_its_place(
    tmp_path: Path, plan: str, there: str, written: str, at: str, words: str
) -> None:
    assert plan.count(there) == 1
    path = tmp_path / "plan.yaml"
    path.write_text(text := plan.replace(there, written))
    with pytest.raises(ConfigError) as told:
        load_plan(path)
    (problem,) = told.value.problems
    assert words in problem.expected
    assert (problem.line, problem.column) == place(text, at)


@pytest.mark.parametrize("plan", [EDGE, MARGINS, FAILURE, CHANCE])
def test_without_a_mistake_they_are_right(tmp_path: Path, plan: str) -> None:
    path = tmp_path / "plan.yaml"
    path.write_text(plan)
    assert len(load_plan(path)[0].search) == 1


def test_channels_are_the_actuators() -> None:
    assert Channel.__args__ == CHANNELS  # type: ignore[attr-defined]
    assert NO_GAIN in CHANNELS
