"""The same cases on other machines: the workers of a dask.distributed scheduler ride them.

Files go with the cases and are put down where they are not there already; versions are compared before a case
is ridden. What a lost worker was riding is given to another one by the scheduler; its first answer counts,
and there is one answer for a case. Rows are collected here, so whole records are, too: kept cases are ridden
once more on this machine.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from emulator.campaign.riding.files import Bundle, Unpacked
from emulator.campaign.riding.one_case import Cases, Ridden
from emulator.campaign.riding.row import model_key, row_of_error, tool_version
from emulator.campaign.riding.worker import Task
from emulator.campaign.riding.workers import Done
from emulator.core.errors import DeviceAbsent, StartFailed

_JOIN_S = 10.0
_LOOK_S = 2.0  # between two looks at how many workers there are
_ONE_AT_A_TIME = threading.Lock()  # a worker may have several threads; a ride wants the process to itself
_HERE: dict[str, tuple[Unpacked, Cases]] = {}


class Errand(NamedTuple):
    """What goes to a worker with each case, but for the files: those are scattered once."""

    plan: Path
    versions: Mapping[str, str]


def versions_here() -> dict[str, str]:
    """What has to be the same on every machine."""
    return {"tool": tool_version(), "model": model_key()}


def ride_there(errand: Errand, bundle: Bundle, task: Task) -> Ridden:
    """On a worker: ride a case. Raises StartFailed for another version, or files that can't be put down."""
    if versions_here() != dict(errand.versions):
        raise StartFailed(f"another version is installed there: {versions_here()}")
    with _ONE_AT_A_TIME:
        if bundle.key not in _HERE:
            unpacked = Unpacked(bundle)
            _HERE[bundle.key] = unpacked, Cases(unpacked.path(errand.plan), None)
        unpacked, cases = _HERE[bundle.key]
        return cases.ride(unpacked.case(task.case))


class Cluster:
    """The workers of a scheduler, see ``workers.Riders``.

    address  of the scheduler (tcp://HOST:PORT)
    Raises StartFailed without dask.distributed or for a worker of another version; DeviceAbsent if nobody is
    at the address.
    """

    def __init__(self, address: str, plan: Path, bundle: Bundle) -> None:
        try:
            import distributed
        except ImportError as error:
            raise StartFailed(
                "dask.distributed is not installed", advice="pip install 'emulator[cluster]'"
            ) from error
        self._library: Any = distributed
        self._plan = plan
        try:
            self._client: Any = self._library.Client(address, timeout=_JOIN_S, set_as_default=False)
        except (OSError, TimeoutError) as error:
            raise DeviceAbsent(
                f"no scheduler answers at {address}", advice="start one: dask scheduler; dask worker ADDRESS"
            ) from error
        here = versions_here()
        for worker, there in self._client.run(versions_here).items():
            if there != here:
                raise StartFailed(
                    f"worker {worker} has another version: {there}, here {here}",
                    advice="install the same on all machines",
                )
        self._errand = Errand(plan, here)
        self._bundle = self._client.scatter(bundle, broadcast=True, hash=False)
        self._under_way: dict[Any, Task] = {}
        self._threads, self._looked = 0, -_LOOK_S

    def idle(self) -> int:
        """One case for each worker's thread, and one more so that none waits for the line."""
        if time.monotonic() - self._looked > _LOOK_S:
            self._threads = sum(self._client.nthreads().values())
            self._looked = time.monotonic()
        return 2 * self._threads - len(self._under_way)

    def give(self, task: Task) -> None:
        """Hand it to the scheduler."""
        future = self._client.submit(ride_there, self._errand, self._bundle, task, pure=False)
        self._under_way[future] = task

    def done(self, timeout_s: float) -> Sequence[Done]:
        """What has come back."""
        if not self._under_way:
            time.sleep(timeout_s)
            return []
        try:
            with self._client.as_current():
                ready = self._library.wait(
                    list(self._under_way), timeout=timeout_s, return_when="FIRST_COMPLETED"
                ).done
        except TimeoutError:
            return []
        return [self._came(future) for future in ready]

    def _came(self, future: Any) -> Done:
        task = self._under_way.pop(future)
        error = future.exception()
        if error is None:
            return Done(task, future.result())
        lost = isinstance(error, self._library.scheduler.KilledWorker)
        kind = "worker lost" if lost else "could not be ridden"
        return Done(task, Ridden(row_of_error(task.case, self._plan, kind, str(error), "unknown")), int(lost))

    def close(self) -> None:
        """Take back what is not ridden and leave."""
        self._client.cancel(list(self._under_way), force=True)
        self._client.close()
