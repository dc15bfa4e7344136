"""What goes wrong on the CAN bus during a run: noticed, told with its tick, answered by the rig's rule.

The link counts, this module judges. A fault begins when it is first seen and is over when it has not been
seen for ``OVER_TICKS``; both are events. What a rig's rule says of it:

    trip   the rig trips, the signals go to rest
    mark   the ride goes on and can't count: a problem of the rig, so its verdict is invalid
    note   told in events and certificate only

Before arming nothing trips or marks: a robot that is switched on later leaves a bus without an answer until
then. A fault that is still there when the rig is armed is answered then. From stopping on they are only told.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntEnum
from typing import Any, Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import bound, jit
from emulator.core.frame_buffer import FrameBuffer, frame_buffer
from emulator.core.link_protocols import LinkCounts
from emulator.core.signals import in_the_ride

Answer: TypeAlias = Literal["trip", "mark", "note"]

OVER_TICKS = 200
"""A fault not seen for so many ticks is over. Bounds what a flapping bus can tell to ten events a second."""


class BusFault(IntEnum):
    """What can be wrong; also the index of its events."""

    BUS_OFF = 0  # the controller has left the bus (fault confinement, ISO 11898-1)
    INTERFACE_DOWN = 1
    TRANSMIT_FULL = 2  # frames of ours found no room in the transmit queue
    ERROR_FRAMES = 3  # more than BusRules.error_frames_per_s
    FLOOD = 4  # more frames received than BusRules.frames_per_s
    OWN_IDENTIFIER = 5  # another node sends frames that only we may send
    RECEIVE_LOST = 6  # frames for us were lost on the way in, or made no sense


TEXTS = (
    "bus off: the controller has left the bus",
    "the CAN interface is down",
    "the transmit queue is full",
    "error frames on the bus",
    "the bus is flooded",
    "another node sends identifiers of ours",
    "frames were lost on the way in",
)
"""In the order of BusFault."""
_UNITS = ("times", "times", "frames refused", "error frames", "frames received", "frames", "frames")
_N = len(BusFault)

DEFAULT_ANSWERS: Mapping[BusFault, Answer] = {
    BusFault.BUS_OFF: "trip",
    BusFault.INTERFACE_DOWN: "trip",
    BusFault.TRANSMIT_FULL: "mark",
    BusFault.ERROR_FRAMES: "mark",
    BusFault.FLOOD: "mark",
    BusFault.OWN_IDENTIFIER: "trip",
    BusFault.RECEIVE_LOST: "mark",
}


@dataclass(frozen=True)
class BusRules:
    """The rig's rules.

    answers             to each fault
    error_frames_per_s  [1/s]  error frames that are still no fault, on average; so many may come at once
    frames_per_s        [1/s]  frames received that are still no flood; likewise

    The figures are our own choice, no source: a healthy bus has no error frames, and 10,000 frames a second
    is about what 500 kbit/s carry of the shortest ones (47 bits, ISO 11898-1).
    """

    answers: Mapping[BusFault, Answer] = field(default_factory=lambda: DEFAULT_ANSWERS)
    error_frames_per_s: float = 10.0
    frames_per_s: float = 10_000.0


@dataclass
class FaultRecord:
    """What was seen of one fault since the rig was armed (before that: since the start).

    episodes    times it began
    ticks       it lasted altogether, to the eight ticks between two looks
    count       frames, or times for BUS_OFF and INTERFACE_DOWN
    first_tick  scenario tick of its first episode, None if there was none
    """

    episodes: int = 0
    ticks: int = 0
    count: int = 0
    first_tick: int | None = None


@jit
def count_own(ids: NDArray[np.int64], received: FrameBuffer) -> int:
    """How many of the received frames carry one of the identifiers ``ids`` (N,)."""
    found = 0
    for i in range(received.count[0]):
        for k in range(ids.shape[0]):
            if received.can_id[i] == ids[k]:
                found += 1
                break
    return found


class BusFaultChange:
    """A fault that began or was over: what an event tells."""

    __slots__ = ("begins", "fault", "text", "value")

    def __init__(self, fault: BusFault, begins: bool, value: float, text: str) -> None:
        self.fault, self.begins, self.value, self.text = fault, begins, value, text


class BusWatch:
    """Looks at a link's counts every few ticks.

    own_ids    identifiers that only the bench sends, as in FrameBuffer.can_id
    period_ns  [ns] of a tick
    """

    def __init__(self, rules: BusRules, own_ids: NDArray[np.int64], period_ns: int = 1_000_000) -> None:
        self._trips = frozenset(f for f, answer in rules.answers.items() if answer == "trip")
        self._marks = frozenset(f for f, answer in rules.answers.items() if answer != "note")
        self._answers = [rules.answers.get(fault, "note") for fault in BusFault]
        self._limits = (rules.error_frames_per_s, rules.frames_per_s)
        self._ticks_per_s = 1e9 / period_ns
        self._levels = [0.0, 0.0]  # of error and of other frames beyond what the limits let through
        self._present = 0
        self._ids = own_ids
        self._bind(frame_buffer(1))
        self._own = 0
        self._before = LinkCounts(0, 0, 0, 0, 0, alive=True)
        self._own_before = 0
        self._looked: int | None = None
        self._last_seen: list[int | None] = [None] * _N  # cycle; None: not there
        self._begun = [0] * _N
        self._answered: set[BusFault] = set()
        self.records = [FaultRecord() for _ in BusFault]
        self._nothing: list[BusFaultChange] = []

    def frames(self, received: FrameBuffer) -> None:
        """Look through a tick's frames for identifiers that are ours. The same buffer allocates nothing."""
        if received is not self._frames:
            self._bind(received)
        self._own += self._count_own()

    def _bind(self, received: FrameBuffer) -> None:
        """Look through this buffer."""
        self._frames = received
        self._count_own = bound(count_own, (self._ids, received))

    def restart(self) -> None:
        """The rig is armed now: what went before is not counted any more, what is still there begins anew."""
        self.records = [FaultRecord() for _ in BusFault]
        self._last_seen = [None] * _N
        self._present = 0
        self._levels = [0.0, 0.0]

    @property
    def present(self) -> int:
        """The faults that are there now: bit ``1 << BusFault``."""
        return self._present

    @property
    def own_frames(self) -> int:
        """Frames received so far with identifiers of ours."""
        return self._own

    def poll(self, cycle: int, tick: int, now: LinkCounts) -> list[BusFaultChange]:
        """Take in the link's counts; returns what began or was over since the last look, mostly nothing."""
        before, self._before = self._before, now
        elapsed = 0 if self._looked is None else cycle - self._looked
        first, self._looked = self._looked is None, cycle
        own, self._own_before = self._own - self._own_before, self._own
        # Taken apart at once, not by name: of what is carried out every eighth tick nothing is in the caches.
        _, received, _, lost, errors, _, full, offs, bus_off, downs, down = now
        _, received_0, _, lost_0, errors_0, _, full_0, offs_0, _, downs_0, _ = before
        lost -= lost_0
        errors -= errors_0
        received += lost - received_0
        if first:  # what waited in the kernel before the cycle began says nothing
            lost = received = 0
        offs -= offs_0
        downs -= downs_0
        full -= full_0
        seconds = elapsed / self._ticks_per_s
        noisy = self._over(0, errors, seconds)
        flooded = self._over(1, received, seconds)
        quiet = not (own or lost or errors or full or flooded or offs or downs or bus_off or down)
        if quiet and not self._present:
            return self._nothing
        present = self._last_seen
        seen = (
            offs > 0 or bus_off,
            downs > 0 or down,
            full > 0,
            noisy,
            flooded,
            own > 0,
            lost > 0,
        )
        counts = (offs, downs, full, errors, received, own, lost)
        told: list[BusFaultChange] = []
        for fault in BusFault:
            record, last = self.records[fault], present[fault]
            if seen[fault]:
                if last is None:
                    self._begun[fault] = cycle
                    record.episodes += 1
                    record.first_tick = tick if record.first_tick is None else record.first_tick
                    told.append(BusFaultChange(fault, True, float(counts[fault]), TEXTS[fault]))
                record.ticks += elapsed if last is not None else 0
                record.count += counts[fault]
                present[fault] = cycle
                self._present |= 1 << fault
            elif last is not None and cycle - last > OVER_TICKS:
                present[fault] = None
                self._present &= ~(1 << fault)
                lasted = (last - self._begun[fault]) / self._ticks_per_s
                told.append(
                    BusFaultChange(fault, False, lasted, f"over after {lasted:.3f} s: {TEXTS[fault]}")
                )
        return told

    def asks_for_trip(self) -> bool:
        """Answer what the last look saw, the ride being armed or on; whether a fault trips the rig."""
        trips = False
        for fault in BusFault:
            if fault in self._marks and self._looked is not None and self._last_seen[fault] == self._looked:
                self._answered.add(fault)
                trips = trips or fault in self._trips
        return trips

    def problems(self) -> list[str]:
        """A sentence for each fault that was answered with trip or mark."""
        return [self._sentence(fault) for fault in BusFault if fault in self._answered]

    def as_dict(self) -> dict[str, Any]:
        """Everything seen since arming, by the fault's name in small letters; for the certificate."""
        return {
            fault.name.lower(): {
                "answer": self._answers[fault],
                "episodes": r.episodes,
                "lasted_ms": round(r.ticks * 1e3 / self._ticks_per_s, 3),
                "count": r.count,
                "first_tick": r.first_tick,
            }
            for fault, r in zip(BusFault, self.records, strict=True)
        }

    def _over(self, which: int, new: int, seconds: float) -> bool:
        """Whether more come than the limit lets through, with one second's worth in hand."""
        limit = self._limits[which]
        left = self._levels[which] - limit * seconds
        level = left + new if left > 0.0 else float(new)
        most = 2.0 * limit + 1.0  # a flood that is over is forgotten in two seconds
        self._levels[which] = level if level < most else most
        return level > limit

    def _sentence(self, fault: BusFault) -> str:
        r = self.records[fault]
        at = "" if r.first_tick is None else f", first {in_the_ride(r.first_tick)}"
        return f"{TEXTS[fault]} ({max(r.count, r.episodes)} {_UNITS[fault]}{at})"
