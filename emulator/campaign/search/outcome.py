"""What a search hears of a ride, and whom it asks to ride.

A search asks for a generation of rides at once and hears all of them before it asks for the next, in the
order it asked. So what it asks for never depends on who was faster, nor on how many rode.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeAlias, TypeVar


@dataclass(frozen=True)
class Outcome:
    """How a ride came out.

    lost            None: the ride does not count, so nobody knows
    margin_percent  thinnest margin of what it had to show, in percent of its limit; below 0: missed; None:
                    nothing with a limit was judged
    why             what it was lost by, or why it does not count
    id              of the ridden case, for whoever looks it up
    """

    lost: bool | None
    margin_percent: float | None = None
    why: str = ""
    id: str = ""


Point = TypeVar("Point")
Generation: TypeAlias = Callable[[Sequence[Point]], Sequence[Outcome]]
"""Rides all of these points; as many outcomes as points, in their order."""
