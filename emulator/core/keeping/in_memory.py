"""What a process made and makes again and again, kept in its memory by all that it was made from.

For what the same input always makes and nobody changes. What it can't be made from raises each time.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Generic, TypeVar

V = TypeVar("V")


class Same:
    """Stands for one very object among what something was made from, and keeps it alive for that."""

    def __init__(self, it: object) -> None:
        self._it = it

    def __eq__(self, other: object) -> bool:
        """Whether it is of the same object, not of an equal one."""
        return isinstance(other, Same) and other._it is self._it

    def __hash__(self) -> int:
        """The object's own number."""
        return id(self._it)


class Remembered(Generic[V]):
    """The results that were asked for last, ``most`` of them. One thread at a time."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._kept: OrderedDict[Hashable, V] = OrderedDict()

    def get(self, made_from: Hashable, make: Callable[[], V]) -> V:
        """The result of ``make``, from memory if it was made from the same before."""
        if made_from in self._kept:
            self._kept.move_to_end(made_from)
            return self._kept[made_from]
        made = self._kept[made_from] = make()
        if len(self._kept) > self._most:
            self._kept.popitem(last=False)
        return made
