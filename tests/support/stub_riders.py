"""Riders that ride nothing: rows by a rule, in whatever order a test wants them back."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from emulator.campaign.riding.one_case import Ridden
from emulator.campaign.riding.worker import Task
from emulator.campaign.riding.workers import Done
from emulator.campaign.store.schema import Row


class StubRiders:
    """Takes ``at_once`` tasks at a time and gives back one of them whenever asked.

    row    of a task
    which  of the tasks under way comes back next, by index
    """

    def __init__(
        self,
        row: Callable[[Task], Row],
        at_once: int = 3,
        which: Callable[[Sequence[Task]], int] = lambda _tasks: 0,
    ) -> None:
        self._row, self._at_once, self._which = row, at_once, which
        self._under_way: list[Task] = []
        self.given: list[Task] = []
        self.closed = False

    def idle(self) -> int:
        """How many more it takes."""
        return self._at_once - len(self._under_way)

    def give(self, task: Task) -> None:
        """Take one."""
        assert self.idle() > 0
        self._under_way.append(task)
        self.given.append(task)

    def done(self, timeout_s: float) -> list[Done]:
        """One of them."""
        task = self._under_way.pop(self._which(self._under_way))
        return [Done(task, Ridden(self._row(task)))]

    def close(self) -> None:
        """Note that it was closed."""
        self.closed = True
