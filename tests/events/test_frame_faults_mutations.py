"""emulator/events/frame_faults.py broken on purpose, place by place: test_frame_faults.py must see it."""

from __future__ import annotations

from pathlib import Path

import pytest

from emulator.events import frame_faults
from tests.support.mutation import unseen_by_the_tests_of

SAME: dict[tuple[str, str], str] = {}
"""Mutants that say the same, and why."""


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")  # a mutant may divide by zero
def test_what_is_broken_is_seen():
    path = Path(__file__).with_name("test_frame_faults.py")
    assert unseen_by_the_tests_of(frame_faults, path, SAME, "test_every_bit_is_as_likely_to_flip") == []
