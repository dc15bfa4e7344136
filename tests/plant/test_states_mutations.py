"""emulator/plant/states.py broken on purpose, place by place: test_states.py must see it."""

from __future__ import annotations

from pathlib import Path

import pytest

from emulator.plant import states
from tests.support.mutation import unseen_by_the_tests_of

SAME: dict[tuple[str, str], str] = {
    ("next_state", "0 -> 1 in r.start_tick > 0"): "a start that is known lies on the grid, 1000 at least",
}
"""Mutants that say the same, and why."""


@pytest.mark.timing  # for the ordinary run's length only
@pytest.mark.slow
@pytest.mark.timeout(1200)  # half a minute by itself, ten on a machine with fifteen others
@pytest.mark.filterwarnings("ignore")  # a mutant may divide by zero
def test_what_is_broken_is_seen():
    path = Path(__file__).with_name("test_states.py")
    assert unseen_by_the_tests_of(states, path, SAME, "test_explored_by_chance") == []
