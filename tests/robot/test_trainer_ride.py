"""The reference robot on another bike than the one it was tuned on: a whole lap, nothing changed in it."""

from __future__ import annotations

from pathlib import Path

import pytest

SCENARIOS = Path(__file__).parents[2] / "scenarios"
PATHS = (SCENARIOS / "rigs" / "trainer.yaml", SCENARIOS / "runs" / "trainer_lap.yaml")


@pytest.mark.slow
def test_the_reference_robot_rides_a_lap_on_the_light_trainer(ridden_once, tmp_path):
    once = ridden_once(*PATHS)
    assert once.session.warnings == []
    verdict = once.judged(tmp_path / "run")
    assert verdict.result == "pass", verdict.reasons
    laps = verdict.laps
    assert laps is not None
    (lap,) = laps.laps
    assert lap.start == "standing"
    ideal = laps.ideal_of(lap)
    assert ideal is not None
    assert lap.time_s is not None
    assert ideal.time_s < lap.time_s
    assert sum(s or 0.0 for s in lap.sectors_s) == pytest.approx(lap.time_s, abs=1e-9)
    # the lap event of the plant is the tick after the passage
    (event,) = [e for e in once.run.events if e.kind == "lap"]
    assert event.time_s - 0.002 <= lap.time_s <= event.time_s
