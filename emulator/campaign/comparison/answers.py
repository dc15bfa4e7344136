"""Answers of two campaigns to the same questions, and of several nights: what the robot bears less of.

Edges and margins are compared in shares of what was searched. That one moved is a fact of its one ride; a
change within the resolution is none.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from emulator.campaign.store.answers import Answer

LEAST_FALL_POINTS = 2.0
"""Over the nights less is not told: in points of percent of what was searched."""


@dataclass(frozen=True)
class AnswerPair:
    """An edge or a margin then and now."""

    before: Answer
    now: Answer

    @property
    def change(self) -> float | None:
        """By how much more is borne now, in points of percent of what is searched; None: one is not known.

        0 where it moved by no more than the coarser resolution. What was lost at the mildest bears nothing.
        """
        then, now = self.before, self.now
        if then.borne is None or now.borne is None or now.mildest is None or now.harshest is None:
            return None
        moved = now.borne - then.borne
        if abs(moved) <= 1.000001 * max(then.resolution or 0.0, now.resolution or 0.0):
            return 0.0
        return 100.0 * moved / abs(now.harshest - now.mildest)


@dataclass(frozen=True)
class AnswerCourse:
    """What is borne, night after night, the latest last, where tonight's is the least."""

    label: str
    quantity: str
    unit: str
    borne: tuple[float, ...]


def pairs_of(before: Sequence[Answer], now: Sequence[Answer]) -> tuple[AnswerPair, ...]:
    """Edges and margins that are known in both, in the order of now."""
    then = {one.key: one for one in before}
    pairs = [AnswerPair(then[one.key], one) for one in now if one.key in then]
    return tuple(pair for pair in pairs if pair.change is not None)


def shrinking(nights: Sequence[Sequence[Answer]], tonight: Sequence[Answer]) -> tuple[AnswerCourse, ...]:
    """Edges and margins that are known on every night, and tonight below all others and well below the first.

    nights  those before, in their order
    """
    before = [{one.key: one for one in answers} for answers in nights]
    found = []
    for one in tonight if before else ():
        course = [of.get(one.key) for of in before] + [one]
        borne = [answer.borne for answer in course if answer is not None and answer.borne is not None]
        if len(borne) < len(course) or one.mildest is None or one.harshest is None:
            continue
        fall = 100.0 * (borne[0] - borne[-1]) / abs(one.harshest - one.mildest)
        if fall >= LEAST_FALL_POINTS and borne[-1] < min(borne[:-1]):
            found.append(AnswerCourse(one.label, one.quantity, one.unit, tuple(borne)))
    return tuple(found)
