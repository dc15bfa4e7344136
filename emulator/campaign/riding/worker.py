"""A worker: a process that rides the cases it is sent, one at a time, until nobody sends any more.

It dies with who started it, leaves Ctrl-C to them, and is what the kernel ends first when memory runs out.
"""

from __future__ import annotations

import contextlib
import gc
import os
import resource
import signal
from collections.abc import Iterator, Mapping
from multiprocessing.connection import Connection
from pathlib import Path
from typing import NamedTuple, TypeAlias

from emulator.campaign.plan.case import Case
from emulator.campaign.riding.one_case import Cases, Keep, Ridden
from emulator.loop.host import die_with_parent
from emulator.record.thin import Extent

_SCORE = "500"
"""Of 1000: how much rather than others the kernel ends a worker when memory runs out (proc(5))."""


class Job(NamedTuple):
    """What workers need to know of a campaign.

    folder      where whole records are kept; None: nowhere
    hashes      SHA-256 by absolute path of the files that the cases were made of
    most_bytes  of memory that each may take
    extent      how much of each record stays; None: as its rig says
    """

    plan: Path
    folder: Path | None
    hashes: Mapping[str, str]
    most_bytes: int
    extent: Extent | None = None


class Task(NamedTuple):
    """A case to be ridden, and of which outcome its record is kept."""

    turn: int
    case: Case
    keep: Keep


class OutOfMemory(NamedTuple):
    """What a worker answers instead of a row; it has left then."""


Answer: TypeAlias = Ridden | OutOfMemory


def serve(connection: Connection, job: Job, number: int, parent: int) -> None:
    """What the process does: says that it is ready, then answers tasks, until None comes or nobody is there.

    number  stands in its rows
    parent  process id of who started it
    """
    os.setsid()  # what it starts can be ended together with it
    if not die_with_parent(parent, signal.SIGKILL):
        return
    for ignored in (signal.SIGINT, signal.SIGHUP):
        signal.signal(ignored, signal.SIG_IGN)
    with contextlib.suppress(OSError):
        Path("/proc/self/oom_score_adj").write_text(_SCORE)
    _limit_memory(job.most_bytes)
    with _robots_unheard():
        _ride(connection, Cases(job.plan, job.folder, number, job.hashes, job.extent))


def _ride(connection: Connection, cases: Cases) -> None:
    gc.collect()
    gc.freeze()  # the libraries' objects, half a million, are not looked through again
    with contextlib.suppress(EOFError, OSError):
        connection.send(None)
        while (task := connection.recv()) is not None:
            try:
                answer: Answer = cases.ride(task.case, task.keep)
            except MemoryError:
                connection.send(OutOfMemory())
                return
            connection.send(answer)


@contextlib.contextmanager
def _robots_unheard() -> Iterator[None]:
    """Lead standard output and standard error nowhere, so that what robots print is.

    Of rides at once nobody could tell whose words they are, and a night of them fills the disk its log is on.
    What ends this process with an exception is told again.
    """
    ours = [os.dup(descriptor) for descriptor in (1, 2)]
    nowhere = os.open(os.devnull, os.O_WRONLY)
    for descriptor in (1, 2):
        os.dup2(nowhere, descriptor)
    os.close(nowhere)
    try:
        yield
    finally:
        for descriptor, kept in zip((1, 2), ours, strict=True):
            os.dup2(kept, descriptor)
            os.close(kept)


def _limit_memory(most_bytes: int) -> None:
    """Refuse this process more address space than that, beyond what it has mapped already."""
    pages = int(Path("/proc/self/statm").read_text().split()[0])
    mapped = pages * os.sysconf("SC_PAGE_SIZE")
    _, hard = resource.getrlimit(resource.RLIMIT_AS)
    most = mapped + most_bytes
    if hard != resource.RLIM_INFINITY:
        most = min(most, hard)
    resource.setrlimit(resource.RLIMIT_AS, (most, hard))
