"""How old what goes out is, and what has come in: by identifier, from the ring of frames."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from emulator.core.frame_buffer import UNTIMED
from emulator.core.signals import TICK_NS
from emulator.shared_memory.rings import RX, FrameRecords

RATE_OVER_S = 2.0
"""A rate is that of the last so many seconds."""


@dataclass
class _Counted:
    """Frames of one identifier and direction.

    seen           how many there were
    last_ns        scenario time of the last one [ns]
    age_ns         age of the content of the last one; None where that is not known
    worst_ns       oldest content in the ride
    window, rate   count at the beginning of the running window, and the rate of the last one [1/s]
    """

    seen: int = 0
    last_ns: int = 0
    age_ns: int | None = None
    worst_ns: int | None = None
    window: int = 0
    rate: float = 0.0


class FrameAges:
    """Counts every frame once; frames of before the ride have no scenario time and only count.

    Bits of an identifier's frames on the bus are not counted here: a bus's load is `emulator check`'s to say.
    """

    def __init__(self) -> None:
        self._sent: dict[int, _Counted] = {}
        self._received: dict[int, _Counted] = {}
        self._window_tick = 0
        self.lost = 0

    def add(self, frames: FrameRecords, *, riding: bool) -> None:
        """Frames as they were read; ``riding``: their ages count for the worst."""
        self.lost += frames.lost
        for direction, kept in ((RX, self._received), (1 - RX, self._sent)):
            rows = frames.direction == direction
            ids = frames.can_id[rows]
            times, valid = frames.time_ns[rows], frames.valid_ns[rows]
            for can_id in np.unique(ids):
                mine = ids == can_id
                counted = kept.setdefault(int(can_id), _Counted())
                counted.seen += int(mine.sum())
                counted.last_ns = int(times[mine][-1])
                if direction != RX:
                    self._age(counted, times[mine], valid[mine], riding=riding)

    @staticmethod
    def _age(counted: _Counted, times: Any, valid: Any, *, riding: bool) -> None:
        timed = valid != UNTIMED
        if not timed.any():
            return
        ages = times[timed] - valid[timed]
        counted.age_ns = int(ages[-1])
        if riding:
            counted.worst_ns = max(counted.worst_ns or 0, int(ages.max()))

    def turn(self, tick: int) -> None:
        """Rates anew once their window is over; a window in which scenario time jumped gives none."""
        over_s = (tick - self._window_tick) * TICK_NS * 1e-9
        if 0.0 <= over_s < RATE_OVER_S:
            return
        self._window_tick = tick
        for counted in (*self._sent.values(), *self._received.values()):
            if 0.0 < over_s < 2.0 * RATE_OVER_S:
                counted.rate = (counted.seen - counted.window) / over_s
            counted.window = counted.seen

    def shown(self, tick: int) -> dict[str, list[list[float | int | None]]]:
        """By direction, a row an identifier.

        sent      identifier, frames, rate [1/s], age of the last content [ms], oldest in the ride [ms]
        received  identifier, frames, rate [1/s], time since the last one [ms]
        """
        now_ns = tick * TICK_NS
        return {
            "sent": [
                [can_id, c.seen, round(c.rate, 1), _ms(c.age_ns), _ms(c.worst_ns)]
                for can_id, c in sorted(self._sent.items())
            ],
            "received": [
                [can_id, c.seen, round(c.rate, 1), _ms(max(0, now_ns - c.last_ns))]
                for can_id, c in sorted(self._received.items())
            ],
        }


def _ms(ns: int | None) -> float | None:
    return None if ns is None else round(ns * 1e-6, 2)
