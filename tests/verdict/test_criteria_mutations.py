"""Each criterion broken on purpose, place by place: its checks (criteria_checks) must see it.

What a mutant is: tests/support/mutation.py. Mutants that no check can see because they say the same are
listed one by one, with the reason.
"""

from __future__ import annotations

import time
from types import FunctionType, ModuleType

import pytest

from emulator.record import occurrence
from emulator.verdict import judge as verdict
from emulator.verdict import limits, responses, sequences
from emulator.verdict import windows as window
from tests.support.criteria_checks import ALL, CHECKS
from tests.support.mutation import Check, unseen

# which criteria's checks must see a mutant of which function; of all others, those of every criterion
OF = {
    "no_fall": ["no_fall"],
    "place_error": ["place_error"],
    "_longest_silence": ["place_error"],
    "holds": ["holds"],
    "reaction": ["reaction_time"],
    "settle": ["settle_time"],
    "lap_time": ["lap_time", "sector_time"],
    "stop_distance": ["stop_distance"],
    "corner_entry": ["corner_entry"],
    "_closings": ["corner_entry"],
    "_corners": ["corner_entry"],
    "_steps": ["corner_entry"],
}
FUNCTIONS: list[tuple[ModuleType, str]] = [
    (module, name)
    for module in (limits, responses, sequences, window, occurrence)
    for name, item in vars(module).items()
    if isinstance(item, FunctionType) and item.__module__ == module.__name__
] + [(verdict, "judge_criterion"), (verdict, "_limit")]

SAME: dict[tuple[str, str], str] = {
    ("within", "1.0 -> 2.0 in -1.0"): "rows that are not looked at only have to lie below any size",
    ("stop_distance", "0.0 -> 1.0 in [0.0]"): "the way to the first row is never told: it is faster there",
    ("corner_entry", "roll[leaned_at] > 0.0 -> roll[leaned_at] >= 0.0"): "it leans there, by a share of more",
    ("_corners", "0 -> 1 in before = 0"): "a throttle that was open for a blip can't close in the first rows",
    ("active_bits", "mask >= 0.0 -> mask > 0.0"): "a mask of 0 has no bit, taken or replaced by 0",
    ("active_bits", "0.0 -> 1.0 in mask >= 0.0"): "nor has one below 1",
    ("active_bits", "mask < 2.0 ** EVENT_BITS -> mask <= 2.0 ** EVENT_BITS"): "nor one with a 53rd bit alone",
    ("step_s", "2 -> 3 in :2"): "of what is cut out the first two are used",
}
"""Mutants that say the same, and why."""


EVERY = list(ALL)


def checks_of(name: str) -> list[Check]:
    return [check for kind in OF[name] for check in CHECKS[kind]] if name in OF else EVERY


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")  # a mutant may divide by zero
def test_what_is_broken_is_seen():
    begun = time.perf_counter()
    survivors, count = unseen([getattr(module, name) for module, name in FUNCTIONS], checks_of, SAME)
    print(f"{count} mutants in {time.perf_counter() - begun:.1f} s, {len(SAME)} of them say the same")
    assert survivors == []
    assert count > 400
