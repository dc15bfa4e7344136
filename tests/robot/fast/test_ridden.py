"""The fast mission whole: near the ideal lap from standstill, upright, on the line, its place known."""

from __future__ import annotations

from pathlib import Path

import pytest

from emulator.assembly.kept_laps import kept_laps
from emulator.assembly.kept_limits import limits_along
from emulator.assembly.session import load_session
from emulator.lap.ideal_lap import bike_of, grip_along
from emulator.runs.in_memory import ride_in_memory

SCENARIOS = Path(__file__).parents[3] / "scenarios"

pytestmark = pytest.mark.slow


@pytest.mark.parametrize(
    "seed", [0, 58, 98]
)  # the last two have the worst wandering GNSS of the first hundred
def test_a_standing_lap_is_within_a_tenth_of_the_ideal_one(seed):
    rig, scenario = SCENARIOS / "rigs" / "loopback.yaml", SCENARIOS / "runs" / "fast_lap.yaml"
    session = load_session(rig, scenario, seed=seed, stage="virtual")
    bike = bike_of(
        session.vehicle,
        limits_along(session.vehicle, [session.scenario.surface.grip]),
        steer_torque_Nm=session.rig.actuators.steering.limit_Nm,
    )
    _, standing = kept_laps(session.line, bike, grip_along(session.road, session.line))
    held = ride_in_memory(session)
    assert held.verdict.result == "pass", held.verdict.reasons
    ridden = held.verdict.ridden_s
    assert ridden is not None
    assert standing.time[-1] < ridden < 1.1 * standing.time[-1]
    assert len(held.verdict.criteria) == 4  # no fall, on the line, place known, quick into corners
