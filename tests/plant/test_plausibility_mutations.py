"""emulator/plant/plausibility.py broken on purpose, place by place: test_plausibility.py must see it."""

from __future__ import annotations

from pathlib import Path

import pytest

from emulator.plant import plausibility
from tests.support.mutation import unseen_by_the_tests_of

_BETWEEN = "no frame carries a command a billionth beyond its limit, which is where the bound lies"
SAME: dict[tuple[str, str], str] = {
    (name, f"{command} > {bound} -> {command} >= {bound}"): _BETWEEN
    for name, command, bound in (
        ("beyond_limit", "abs(robot[R_STEER_TORQUE])", "c.steer_limit * _ROUNDING"),
        ("beyond_limit", "robot[R_THROTTLE]", "_ROUNDING"),
        ("beyond_limit", "robot[R_FRONT_BRAKE]", "c.front_brake_limit * _ROUNDING"),
        ("beyond_limit", "robot[R_REAR_BRAKE]", "c.rear_brake_limit * _ROUNDING"),
        ("beyond_limit", "robot[R_CLUTCH]", "_ROUNDING"),
        ("beyond_rate", "abs(c.steer_gain * (commanded - torque))", "c.steer_step * _ROUNDING"),
    )
}
"""Mutants that say the same, and why."""


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")  # a mutant may divide by zero
def test_what_is_broken_is_seen():
    path = Path(__file__).with_name("test_plausibility.py")
    assert unseen_by_the_tests_of(plausibility, path, SAME) == []
