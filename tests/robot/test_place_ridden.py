"""Whole laps by the emulated signals alone: the reference robot knows where it is.

2.5 cm rms with whole ambiguities is a figure of the trade (common practice, no source).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from emulator.record.localisation import KNOWN_TO_M

SCENARIOS = Path(__file__).parents[2] / "scenarios"
RIG = SCENARIOS / "rigs" / "loopback.yaml"

pytestmark = pytest.mark.slow


@pytest.mark.parametrize(("run", "seed"), [("first_lap", 3), ("rough_lap", 0), ("fast_lap", 0)])
def test_it_knows_its_place_as_the_trade_does(ridden_once, tmp_path, run, seed):
    verdict = ridden_once(RIG, SCENARIOS / "runs" / f"{run}.yaml", seed=seed).judged(tmp_path / "run")
    assert verdict.result == "pass", verdict.reasons
    known = verdict.place
    assert known is not None
    assert known.fixed_rms_m is not None
    assert known.fixed_rms_m < KNOWN_TO_M, known.sentence
    assert known.estimates > 8_000  # a hundred a second of a lap, the fastest one in 83
    # in the virtual stage an estimate is one tick old when it is taken, and the robot knows its own time
    assert known.fitted_age_ms == pytest.approx(1.0, abs=0.5)
    assert known.outages == ()


def test_five_seconds_without_satellites_are_ridden_through_and_told(ridden_once, tmp_path):
    verdict = ridden_once(RIG, SCENARIOS / "runs" / "gnss_outage.yaml").judged(tmp_path / "run")
    assert verdict.result == "pass", verdict.reasons
    known = verdict.place
    assert known is not None
    (outage,) = known.outages
    # five seconds, and one until the first fix of the way back
    assert 5.9 < outage.to_s - outage.from_s < 6.3
    assert outage.before_m < 0.05
    assert outage.after_m <= outage.worst_m < 1.5
    assert f"without a fix for {outage.to_s - outage.from_s:.1f} s" in known.sentence
    assert known.fixed_rms_m is not None
    assert known.fixed_rms_m < KNOWN_TO_M < known.rms_m
