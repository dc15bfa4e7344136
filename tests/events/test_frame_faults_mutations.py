"""emulator/events/frame_faults.py broken on purpose, place by place: test_frame_faults.py must see it."""
# ruff: noqa: E501 - a change is a line here

from __future__ import annotations

from pathlib import Path

import pytest

from emulator.events import frame_faults
from tests.support.mutation import unseen_by_the_tests_of

_NO_BELOW = "any number below zero is no identifier, and no row"
_NEVER = "a draw of 53 bits is not the share itself, and zero once in 2^53 frames"
_NO_MORE = "there are no more bits to flip than these"
SAME: dict[tuple[str, str], str] = {
    ("frame_fault_table", "1 -> 2 in -1"): _NO_BELOW,
    ("_append", "1 -> 2 in -1"): _NO_BELOW,
    (
        "_flip_bits",
        "uniform(streams, stream) * (bits - bit) < left -> uniform(streams, stream) * (bits - bit) <= left",
    ): _NEVER,
    ("_flip_bits", "8 -> 9 in 8 * length"): _NO_MORE,
    ("apply_frame_fault", "uniform(streams, chance) < share -> uniform(streams, chance) <= share"): _NEVER,
    ("apply_frame_fault", "n >= 0 -> n > 0"): "a copy is never in the first row: what it is of is before it",
    ("apply_frame_fault", "0 -> 1 in n >= 0"): "nor is it there",
    ("burst_faults", "uniform(streams, e.chance) >= e.share -> uniform(streams, e.chance) > e.share"): _NEVER,
    (
        "burst_faults",
        "uniform(streams, e.stream) * (7 * length - bit) < left -> uniform(streams, e.stream) * (7 * length - bit) <= left",
    ): _NEVER,
    ("burst_faults", "7 -> 8 in 7 * length"): _NO_MORE,
}
"""Mutants that say the same, and why."""


STATISTICS = ("test_every_bit_is_as_likely_to_flip", "test_a_share_of_the_frames_is_hit")
"""Tests by thousands of frames, seconds in Python; others see the same by a few."""
OF_FILES = ("fill_frame_fault", "_fill", "_rules", "_unmet")
"""What a file may say of frames: tests/config/scenario, tests/plant/test_faults_on_the_wire.py."""


@pytest.mark.timing  # for the ordinary run's length only
@pytest.mark.slow
@pytest.mark.timeout(1200)  # half a minute by itself, ten on a machine with fifteen others
@pytest.mark.filterwarnings("ignore")  # a mutant may divide by zero
def test_what_is_broken_is_seen():
    path = Path(__file__).with_name("test_frame_faults.py")
    assert unseen_by_the_tests_of(frame_faults, path, SAME, *STATISTICS, elsewhere=OF_FILES) == []
