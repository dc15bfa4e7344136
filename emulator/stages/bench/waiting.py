"""How long processes of this host wait for a core: what tells a robot that stopped from one that was not let.

Linux' pressure stall information says for how long at least one task waited (``/proc/pressure/cpu``, line
``some``; kernel documentation, accounting/psi). Where a kernel does not have it, ``/proc/schedstat`` says for
how long all tasks together waited (kernel documentation, scheduler/sched-stats: the eighth figure of a core).
"""

from __future__ import annotations

from collections import deque
from pathlib import Path

_FINE = 400
"""Samples kept as they are: twenty seconds at the supervisor's pace. A silence that trips is over sooner."""
_COARSE_NS = 1_000_000_000
"""Older ones are put together to stretches of at least so long."""


class Waiting:
    """Looks at the host each time it is asked, and remembers: of late finely, of before in stretches.

    root  where ``proc`` lies
    """

    def __init__(self, root: Path | str = "/") -> None:
        self._pressure = Path(root) / "proc/pressure/cpu"
        self._schedule = Path(root) / "proc/schedstat"
        self._last: tuple[int, float] | None = None
        self._fine: deque[tuple[int, int, float]] = deque()
        self._coarse: list[tuple[int, int, float]] = []

    def look(self, now_ns: int) -> None:
        """Take a sample at ``now_ns`` (CLOCK_MONOTONIC). Nothing where the kernel tells nothing."""
        waited_ns = self._waited_ns()
        if waited_ns is None:
            return
        if self._last is not None and now_ns > self._last[0]:
            share = (waited_ns - self._last[1]) / (now_ns - self._last[0])
            self._fine.append((self._last[0], now_ns, min(1.0, max(0.0, share))))
            if len(self._fine) > _FINE:
                self._put_away(self._fine.popleft())
        self._last = (now_ns, waited_ns)

    @property
    def samples(self) -> list[tuple[int, int, float]] | None:
        """(begin, end, share of that time in which something waited) [ns, ns, 1]; None: it can't be told."""
        return [*self._coarse, *self._fine] if self._last is not None else None

    def _put_away(self, sample: tuple[int, int, float]) -> None:
        """Into the last stretch, as long as that is short."""
        if self._coarse and self._coarse[-1][1] - self._coarse[-1][0] < _COARSE_NS:
            begin, end, share = self._coarse[-1]
            waited = (end - begin) * share + (sample[1] - sample[0]) * sample[2]
            self._coarse[-1] = (begin, sample[1], waited / (sample[1] - begin))
        else:
            self._coarse.append(sample)

    def _waited_ns(self) -> float | None:
        try:
            some = self._pressure.read_text().split("\n", 1)[0]
            return float(some.rpartition("total=")[2]) * 1e3
        except (OSError, ValueError):
            pass
        try:
            cores = [
                line.split() for line in self._schedule.read_text().splitlines() if line.startswith("cpu")
            ]
            return float(sum(int(core[8]) for core in cores))
        except (OSError, ValueError, IndexError):
            return None
