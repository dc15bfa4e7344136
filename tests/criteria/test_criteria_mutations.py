"""Each criterion broken on purpose, place by place: its checks (criteria_checks) must see it.

What a mutant is: tests/support/mutation.py. Mutants that no check can see because they say the same are
listed one by one, with the reason.
"""

from __future__ import annotations

import importlib
import pkgutil
import time
from collections.abc import Iterator
from types import FunctionType, ModuleType

import pytest

from emulator import criteria
from emulator.criteria.kinds import KINDS
from emulator.record import occurrence
from tests.support.criteria_checks import ALL, CHECKS
from tests.support.mutation import Check, unseen

OTHERS = {
    "kinds": "a list",
    "temporal": "test_temporal",
    "condition": "test_condition",
    "consistency": "files",
}
"""Modules that judge nothing, and where they are tested."""
MODULES = [
    *(
        importlib.import_module(f"{criteria.__name__}.{module.name}")
        for module in pkgutil.iter_modules(criteria.__path__)
        if module.name not in OTHERS
    ),
    occurrence,
]
NOT_BROKEN = {"margin_text", "limit_text", "_shown", "margin_percent", "__pydantic_init_subclass__"}
"""Checked by tests of their own: words and figures for people, and what happens when a class is made."""
OF_FUNCTIONS = {
    "_rolling": ["slip_ratio", "slip_angle"],
    "_longest_silence": ["position_error"],
    "_slowest": ["lap_time", "sector_time"],
    "_closings": ["corner_entry"],
    "_corners": ["corner_entry"],
    "_steps": ["corner_entry"],
    "braking": ["stop_distance", "corner_entry"],
}


def written_in(module: ModuleType) -> Iterator[tuple[FunctionType, list[str]]]:
    """Functions, methods and properties of a module, and the kinds whose checks must see them broken.

    A method of a criterion is for its own kind; of all else the checks of every criterion are asked.
    """
    for name, item in vars(module).items():
        if getattr(item, "__module__", None) != module.__name__ or name in NOT_BROKEN:
            continue
        if isinstance(item, FunctionType):
            yield item, OF_FUNCTIONS.get(name, list(CHECKS))
        elif isinstance(item, type):
            kinds = [kind for kind, criterion in KINDS.items() if criterion is item] or list(CHECKS)
            for inner, member in vars(item).items():
                function = member.fget if isinstance(member, property) else member
                ours = isinstance(function, FunctionType) and function.__module__ == module.__name__
                # a dataclass's own methods have no source
                if ours and inner not in NOT_BROKEN and not inner.startswith("__"):
                    yield function, kinds


FUNCTIONS = [entry for module in MODULES for entry in written_in(module)]
KINDS_OF = {function.__qualname__: kinds for function, kinds in FUNCTIONS}

SAME: dict[tuple[str, str], str] = {
    ("WithinLimit.find", "1.0 -> 2.0 in -1.0"): "rows that are not looked at only have to lie below any size",
    (
        "StopDistance.find",
        "0.0 -> 1.0 in [0.0]",
    ): "the way to the first row is never told: it is faster there",
    (
        "CornerEntry.find",
        "roll[leaned_at] > 0.0 -> roll[leaned_at] >= 0.0",
    ): "it leans there, by a share of more",
    ("Window._where", "first > last -> first >= last"): "both the same are refused",
    ("_corners", "0 -> 1 in before = 0"): "a throttle that was open for a blip can't close in the first rows",
    ("active_bits", "mask >= 0.0 -> mask > 0.0"): "a mask of 0 has no bit, taken or replaced by 0",
    ("active_bits", "0.0 -> 1.0 in mask >= 0.0"): "nor has one below 1",
    ("active_bits", "mask < 2.0 ** EVENT_BITS -> mask <= 2.0 ** EVENT_BITS"): "nor one with a 53rd bit alone",
    ("JudgedRide.step_s", "2 -> 3 in :2"): "of what is cut out the first two are used",
}
"""Mutants that say the same, and why."""


EVERY = list(ALL)


def checks_of(name: str) -> list[Check]:
    kinds = KINDS_OF[name]
    if len(kinds) == len(CHECKS):
        return EVERY
    return list(dict.fromkeys(check for kind in kinds for check in CHECKS[kind]))


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")  # a mutant may divide by zero
def test_what_is_broken_is_seen():
    begun = time.perf_counter()
    survivors, count = unseen([function for function, _ in FUNCTIONS], checks_of, SAME)
    print(f"{count} mutants in {time.perf_counter() - begun:.1f} s, {len(SAME)} of them say the same")
    assert survivors == []
    assert count > 400
