"""Mistakes that people make in a plan, listed before the reader was written: each is told at its place.

Those that only the files can tell stand in tests/campaign/plan/test_check.py.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from emulator.campaign.plan.cases import planned
from emulator.core.errors import ConfigError
from tests.support.made_up_plans import PLAN, RIGS, RUNS, place, written

SCENARIOS = f"[{RUNS}/short_straight.yaml, {RUNS}/short_bend.yaml]"
RIG = f"[{RIGS}/loopback.yaml]"
VALUES = "values: [2.0, 4.0]"
FAULT = "or_none: true"
SEEDS = "seeds: {count: 2}"
EXCLUDED = "- {fault: none, late: 4.0}"

# what stands there, what somebody writes instead, where it is told (a part of the new text), the words
MISTAKES: list[tuple[str, str, str, str]] = [
    ("kind: campaign", "kind: plan", "plan\n", "expected campaign (a campaign file), got 'plan'"),
    ("kind: campaign\n", "", "name: made up", "missing key 'kind'"),
    ("name: made up", "title: made up", "title", "unknown key"),
    ("name: made up\n", "name: made up\nbudget: {hours: 8 h}\n", "8 h", "write 8 alone, without a unit"),
    (
        "name: made up\n",
        "name: made up\nstage: bench\nbench: {rest: 5}\n",
        "rest: 5",
        "did you mean 'rest_s'?",
    ),
    ("name: made up\n", "name: made up\nbench: {rest_s: 5.0}\n", "{rest_s", "where stage is virtual"),
    (
        "name: made up\n",
        "name: made up\nfirst: [failed]\n",
        "failed]",
        "one of failed_last_time, never_ridden",
    ),
    ("name: made up\n", "name: made up\nkeep: {of: [fail]}\n", "fail]", "did you mean 'failures'?"),
    (f"scenarios: {SCENARIOS}", "scenarios: []", "[]", "expected a list of at least 1"),
    (SCENARIOS, f"[{RUNS}/short_strait.yaml]", f"{RUNS}/short_strait", "no such file or folder"),
    (SCENARIOS, f'["{RUNS}/nothing/*.yaml"]', f'"{RUNS}/nothing', "no file matches this pattern"),
    (f"    rigs: {RIG}\n", "", "one:\n", "missing key 'rigs'"),
    (RIG, f"[{RIGS}/loopbak.yaml]", f"{RIGS}/loopbak", "no such file"),
    (RIG, f"[{RIGS}/trainer.yaml, {RIGS}/trainer.yaml]", "", "expected each once"),
    (
        f"    rigs: {RIG}",
        f"    without: [{RUNS}/short_curve.yaml]\n    rigs: {RIG}",
        f"{RUNS}/short_curve.yaml]\n",
        "no such file or folder",
    ),
    (
        f"    rigs: {RIG}",
        f"    without: [{RUNS}]\n    rigs: {RIG}",
        f"[{RUNS}]",
        "expected some scenarios to be left over",
    ),
    (SEEDS, f"{SEEDS}\n    robots: [mine.py]", "mine.py", "expected FILE:CLASS"),
    (SEEDS, f"{SEEDS}\n    robots: [mine.py:Rider]", "mine.py", "no such file"),
    (SEEDS, "seeds: 2", "2\n", "expected a mapping with the keys these, first, count, own"),
    (SEEDS, "seeds: {these: [1, 2], count: 2}", "2}", "expected no count beside these"),
    (SEEDS, "seeds: {these: [1, 1]}", "1]}", "expected each seed once"),
    (SEEDS, "seeds: {own: true, count: 3}", "3}", "every run has a seed of its own"),
    (SEEDS, "repeats: 0", "0\n", "from 1 to 1000"),
    (VALUES, "value: 4.0", "", "duplicate key"),
    (VALUES, "between: [2.0, 4.0]", "value: rig", ""),
    (VALUES, "between: [4.0, 2.0]\n        count: 3", "[4.0, 2.0]", "expected the least first"),
    (
        VALUES,
        "between: [2.0, 4.0]\n        count: 3\n        step: 1.0",
        "1.0\n",
        "expected either count or step",
    ),
    (
        VALUES,
        "between: [0.0, 4.0]\n        count: 3\n        spaced: by_ratio",
        "0.0, 4.0]\n",
        "a least above 0",
    ),
    (VALUES, "between: [2.0, 4.0]\n        step: 5.0", "5.0", "expected at most 2"),
    (VALUES, "values: [2.0, 2.0]", "2.0]", "expected each value once"),
    (VALUES, "values: []", "[]", "expected a list of at least 1"),
    (VALUES, f"{VALUES}\n        count: 2", "2\n      fault", "expected count only together with between"),
    (
        "value: rig.outputs",
        "value: rigs.outputs",
        "rigs.outputs",
        "begins with scenario, rig or vehicle, such as rig.outputs.imu_rates.latency_ms, got "
        "'rigs.outputs.imu_rates.latency_ms', did you mean 'rig'?",
    ),
    ("value: rig.outputs", "path: rig.outputs", "path: rig", "expected parameter or value or"),
    ("      late:", "      seed:", "", "expected another name: seed differs between runs anyway"),
    ("{kind: fault, effect", "{name: gap, kind: fault, effect", "gap", "expected no name"),
    ("duration_s: {values", "effect: {values", "{values: [0.05]}", "a key that event does not give already"),
    (
        "duration_s: {values",
        "at.time_s: {values",
        "{values: [0.05]}",
        "a key that event does not give already",
    ),
    ("duration_s: {values: [0.05]}", "duration_s: 0.05", "0.05\n", "expected a mapping with the keys values"),
    (
        "duration_s: {values: [0.05]}",
        "duration_s: {between: [0.1, 0.2]}",
        "{between",
        "expected count or step",
    ),
    (EXCLUDED, "- {falt: none}", "none}", "did you mean 'fault'?"),
    (EXCLUDED, "- {late: 3.0}", "3.0}", "expected a value of late (2.0, 4.0), got 3.0"),
    (EXCLUDED, "- {late: [2.0, 3.0]}", "3.0]}", "expected a value of late (2.0, 4.0), got 3.0"),
    (EXCLUDED, "- {late: [2.0, 4.0]}", "- {late", "expected some runs to be left, all are excluded"),
    (SEEDS, "combine: {kind: pairs}", "pairs", "expected one of every, cover, spread"),
    (SEEDS, "combine: {kind: cover, strength: 4}", "4}", "expected one of 2, 3, got 4"),
    (SEEDS, "combine: {kind: spread}", "combine: {kind", "missing key 'count'"),
    (SEEDS, "seeds: {count: 200000}", "", "expected at most 1000000 runs"),
]


@pytest.mark.parametrize(("right", "wrong", "told_at", "words"), MISTAKES, ids=[m[1][:60] for m in MISTAKES])
def test_a_mistake_is_told_at_its_place(
    tmp_path: Path, right: str, wrong: str, told_at: str, words: str
) -> None:
    assert PLAN.count(right) == 1
    text = PLAN.replace(right, wrong)
    with pytest.raises(ConfigError) as caught:
        planned(written(tmp_path, text))
    told = [str(p) for p in caught.value.problems]
    assert any(words in one for one in told), told
    if told_at:
        line, column = place(text, told_at)
        assert any(f"plan.yaml:{line}:{column}:" in one and words in one for one in told), (
            told,
            line,
            column,
        )
    assert len(told) <= 2, told


def test_the_plan_itself_is_right(tmp_path: Path) -> None:
    assert len(planned(written(tmp_path)).cases) == 20
