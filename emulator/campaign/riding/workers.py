"""Workers on this machine: one process a core, each with one case at a time; who dies or hangs is replaced.

A case whose worker died is ridden again, in a fresh one, up to a limit; then the case has a row that says so.
What comes back is in the order it was done; whoever needs an order has the turns.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from types import TracebackType
from typing import Literal, NamedTuple, Protocol, TypeAlias

from emulator.campaign.riding.one_case import Ridden
from emulator.campaign.riding.row import row_of_error
from emulator.campaign.riding.worker import Job, OutOfMemory, Task, serve
from emulator.core.errors import StartFailed

START_LIMIT_S = 300.0
"""What a worker may take to load the compiled code."""
_GONE_WAIT_S = 5.0

Lost: TypeAlias = Literal["died", "hung", "memory"]


class Done(NamedTuple):
    """A task that has its row; ``lost`` workers it took."""

    task: Task
    ridden: Ridden
    lost: int = 0


class Riders(Protocol):
    """Whoever rides tasks: processes of this machine, of others, or a bench."""

    def idle(self) -> int:
        """How many more tasks could be begun at once."""
        ...

    def give(self, task: Task) -> None:
        """Begin a task, or put it down to be begun."""
        ...

    def done(self, timeout_s: float) -> Sequence[Done]:
        """What has its row since it was last asked; waits for the first at most so long."""
        ...

    def close(self) -> None:
        """End it all at once, whatever is being ridden."""
        ...


@dataclass
class _Worker:
    """One process; ``task`` is what it rides, ``since`` when it began [s, monotonic]."""

    number: int
    process: BaseProcess
    connection: Connection
    ready: bool = False
    task: Task | None = None
    since: float = field(default_factory=time.monotonic)


class Workers:
    """The processes of one machine, see :class:`Riders`; they are started when there is something to ride.

    limit_s   by the clock for a case; who takes longer is ended
    attempts  at a case before it is given up
    serve     what each process does
    """

    def __init__(
        self,
        job: Job,
        count: int,
        limit_s: float,
        attempts: int,
        serve: Callable[[Connection, Job, int, int], None] = serve,
    ) -> None:
        self._job, self._limit_s, self._attempts, self._serve = job, limit_s, attempts, serve
        self._context = multiprocessing.get_context("spawn")
        self._waiting: deque[Task] = deque()
        self._lost: dict[int, int] = {}
        self._count = count
        self._workers: list[_Worker] = []

    def __enter__(self) -> Workers:
        """Itself."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """End all of them."""
        self.close()

    def idle(self) -> int:
        """Workers without a task, but for those that have one waiting."""
        return self._count - sum(worker.task is not None for worker in self._workers) - len(self._waiting)

    def give(self, task: Task) -> None:
        """Give it to a worker, or to the first one that is free."""
        self._waiting.append(task)
        self._hand_out()

    def done(self, timeout_s: float) -> list[Done]:
        """What came back; deaths are seen to. Raises StartFailed for a worker that can't even begin."""
        watched = {item: w for w in self._workers for item in (w.connection, w.process.sentinel)}
        until = min([timeout_s, *(self._left_s(worker) for worker in self._workers)])
        found = wait(list(watched), max(0.0, until))
        came: list[Done] = []
        for worker in {id(watched[item]): watched[item] for item in found}.values():  # type: ignore[index]
            came += self._heard(worker)
        for worker in list(self._workers):
            if self._left_s(worker) <= 0.0:
                came += self._replace(worker, "hung")
        self._hand_out()
        return came

    def close(self) -> None:
        """Kill them: what they have written is whole or will be swept away."""
        for worker in self._workers:
            _kill(worker)
        for worker in self._workers:
            worker.process.join(_GONE_WAIT_S)
            worker.connection.close()
        self._workers = []

    def _left_s(self, worker: _Worker) -> float:
        """How long it may still take over what it is doing."""
        if worker.ready and worker.task is None:
            return float("inf")
        limit_s = self._limit_s if worker.ready else START_LIMIT_S
        return worker.since + limit_s - time.monotonic()

    def _started(self, number: int) -> _Worker:
        ours, theirs = self._context.Pipe()
        process = self._context.Process(
            target=self._serve,
            args=(theirs, self._job, number, os.getpid()),
            name=f"campaign worker {number}",
        )
        process.start()
        theirs.close()
        return _Worker(number, process, ours)

    def _hand_out(self) -> None:
        """Tasks to workers that are free; who is not there yet is started."""
        coming = sum(not worker.ready for worker in self._workers)
        while len(self._workers) < self._count and coming < len(self._waiting):
            self._workers.append(self._started(len(self._workers)))
            coming += 1
        for worker in self._workers:
            if not self._waiting:
                return
            if worker.ready and worker.task is None:
                worker.task, worker.since = self._waiting.popleft(), time.monotonic()
                with contextlib.suppress(OSError):  # it has just died, which the next look at it tells
                    worker.connection.send(worker.task)

    def _heard(self, worker: _Worker) -> list[Done]:
        """What a worker said, or that it is gone."""
        try:
            if not worker.connection.poll():
                return self._replace(worker, "died") if not worker.process.is_alive() else []
            said = worker.connection.recv()
        except (EOFError, OSError):
            return self._replace(worker, "died")
        if said is None:
            worker.ready = True
            return []
        if isinstance(said, OutOfMemory):
            return self._replace(worker, "memory")
        task, worker.task = worker.task, None
        assert task is not None
        return [Done(task, said, self._lost.pop(task.turn, 0))]

    def _replace(self, worker: _Worker, how: Lost) -> list[Done]:
        """A fresh process in its place; its case waits again, before all others, or is given up."""
        _kill(worker)
        worker.process.join(_GONE_WAIT_S)
        worker.connection.close()
        if not worker.ready:
            raise StartFailed(
                f"a worker could not begin: {_how(worker, how)}",
                advice="try emulator warm, and fewer --workers if memory is short",
            )
        task = worker.task
        self._workers[self._workers.index(worker)] = self._started(worker.number)
        if task is None:
            return []
        lost = self._lost[task.turn] = self._lost.get(task.turn, 0) + 1
        if lost < self._attempts:
            self._waiting.appendleft(task)
            return []
        del self._lost[task.turn]
        kind, text = _given_up(how, self._limit_s, lost, _how(worker, how))
        row = row_of_error(task.case, self._job.plan, kind, text, "unknown")
        return [Done(task, Ridden(row), lost)]


def _kill(worker: _Worker) -> None:
    """End it with all that it has started."""
    worker.process.kill()
    if worker.ready and worker.process.pid is not None:  # it leads a group of its own
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.killpg(worker.process.pid, signal.SIGKILL)


def _how(worker: _Worker, how: Lost) -> str:
    code = worker.process.exitcode
    if how == "hung" or code is None:
        return "it took too long"
    if how == "memory":
        return "memory ran out"
    return f"ended by {signal.Signals(-code).name}" if code < 0 else f"exit status {code}"


def _given_up(how: Lost, limit_s: float, times: int, ending: str) -> tuple[str, str]:
    """Kind and sentence of a case that no worker lived through."""
    again = f", {times} times" if times > 1 else ""
    if how == "hung":
        return "took too long", f"it took more than {limit_s:g} s by the clock{again}"
    if how == "memory":
        return "out of memory", f"memory ran out{again}"
    return "worker lost", f"the worker that rode it was lost{again}: {ending}"
