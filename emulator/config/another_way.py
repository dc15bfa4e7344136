"""Numbers that people tell in another way than the file: in metres, as a share, from the ground.

Where a number is out of its bounds and the other way would be within, a message says what to write.
"""

from __future__ import annotations

import operator
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import annotated_types


def figure(number: float) -> str:
    """A bound as people write it: 1000000, not 1e+06."""
    return str(int(number)) if number == int(number) and abs(number) < 1e10 else f"{number:g}"


@dataclass(frozen=True, eq=False)
class AnotherWay:
    """Metadata for a number that people also tell in another way: if only that fits, it is said.

    in_ours  the number from the other way
    words    what the other way is, with ``{ours}`` for what is then to be written
    """

    in_ours: Callable[[float], float]
    words: str


_OTHER_UNITS = {
    "mm": AnotherWay(lambda m: 1e3 * m, "in metres? then write {ours}"),
    "%": AnotherWay(lambda share: 1e2 * share, "a share? in per cent it is {ours}"),
}
"""By the unit of a key, what else its number is likely to be."""


def told_another_way(value: float, metadata: Sequence[Any], unit: str) -> str:
    """What to write, as a sentence goes on; empty where no other way fits.

    metadata  of the field, flat: bounds, and AnotherWay
    unit      of its key
    """
    ways = [item for item in metadata if isinstance(item, AnotherWay)]
    ways += [_OTHER_UNITS[unit]] if unit in _OTHER_UNITS else []
    for way in ways:
        ours = round(way.in_ours(value), 9)
        if _within_bounds(ours, metadata):
            return f"; {way.words.format(ours=figure(ours))}"
    return ""


_BOUNDS: tuple[tuple[type, str, Callable[[Any, Any], bool]], ...] = (
    (annotated_types.Ge, "ge", operator.ge),
    (annotated_types.Gt, "gt", operator.gt),
    (annotated_types.Le, "le", operator.le),
    (annotated_types.Lt, "lt", operator.lt),
)


def _within_bounds(number: float, metadata: Sequence[Any]) -> bool:
    """Whether a number keeps all bounds; False where there are none."""
    kept = [
        holds(number, getattr(item, key))
        for item in metadata
        for kind, key, holds in _BOUNDS
        if isinstance(item, kind)
    ]
    return bool(kept) and all(kept)
