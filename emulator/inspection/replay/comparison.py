"""Was it the same ride? A record against a replay, block by block, bit for bit.

Compared are every recorded signal but those of the host's timing (``loop.*``), every frame to and from the
robot with its time of validity and, on the virtual bus, of arrival (not when the host sent it), every GNSS
sentence and every event of the plant, each with its tick.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from emulator.core.frame_buffer import NO_ARRIVAL
from emulator.core.signals import INDEX, SIGNALS
from emulator.record.frame_columns import RX, TX
from emulator.record.reader import Run
from emulator.shared_memory.layout import TEXT_BYTES
from emulator.stages.stepped_loop import ARRIVAL, Block

COMPARED = tuple(s.name for s in SIGNALS if not s.name.startswith("loop."))
_UNITS = {s.name: s.unit for s in SIGNALS}
_HOLD = 1 << 40  # [ticks] more than any ride: keeps countdowns that a hold put back apart
_NOWHERE = "nothing"


@dataclass
class Difference:
    """Where a record and its replay differ in one thing.

    what                a signal's name, or words such as "frame imu_rates to the robot"
    tick                scenario tick of the first difference
    recorded, replayed  both values there, in words
    count               how many differ: rows, frames, events or bursts
    largest, at_tick    of a signal: its largest difference where both are numbers, and when
    from_robot          whether it is of what the robot sent
    """

    what: str
    tick: int
    recorded: str
    replayed: str
    count: int = 1
    unit: str = ""
    largest: float = 0.0
    at_tick: int = 0
    from_robot: bool = False

    def __str__(self) -> str:
        unit = f" {self.unit}" if self.unit not in ("", "1") else ""
        return (
            f"tick {self.tick} ({self.tick / 1000:.3f} s): {self.what}: "
            f"recorded {self.recorded}{unit}, replayed {self.replayed}{unit}"
        )


@dataclass
class Replayed:
    """What a replay came to.

    differences    the first of each thing, by tick; empty: the same ride
    rows, frames, bursts, events  how many were compared and agree
    until_s        scenario time up to which was replayed, None if it never was armed
    notes          what the record does not allow to compare, and what may explain differences
    other_files    it was replayed with other files than it was ridden with
    """

    differences: list[Difference] = field(default_factory=list)
    rows: int = 0
    frames: int = 0
    bursts: int = 0
    events: int = 0
    until_s: float | None = None
    notes: list[str] = field(default_factory=list)
    other_files: bool = False

    @property
    def same(self) -> bool:
        """Whether everything that could be compared agrees."""
        return not self.differences


class _Sequence:
    """Frames of one direction, recorded and replayed, walked along side by side.

    Both are in the order of their ticks, but that a hold puts a countdown back: then a new one begins.
    """

    def __init__(self, run: Run, direction: int, *, arrivals: bool) -> None:
        f = run.frames
        mine = f.direction == direction
        self.tick = f.tick[mine]
        self._key, _ = _keys(self.tick, None)
        sent = direction == TX
        valid_ns = f.valid_ns[mine] if sent else np.zeros(len(self.tick), np.int64)
        arrival_ns = f.arrival_ns[mine] if arrivals else np.full(len(self.tick), NO_ARRIVAL)
        length = f.length[mine].astype(np.int64)
        self._words = np.column_stack([self._key, valid_ns, f.can_id[mine], length, arrival_ns])
        self._arrivals = arrivals
        self._data = f.data[mine]
        self._at = 0
        self._last: tuple[int, int] | None = None
        self._direction = direction
        self.same = 0
        self.differing: dict[int, list[Any]] = {}  # by identifier: first tick, both, count
        self.unsent: list[tuple[int, int, bytes]] = []  # replayed, not in the record: tick, identifier, bytes

    def feed(self, block: Block) -> None:
        mine = block.frames[:, 3] == self._direction
        f, data = block.frames[mine], block.data[mine]
        if not len(f):
            return
        key, self._last = _keys(f[:, 0], self._last)
        words = np.column_stack([key, f[:, 2], f[:, 4], f[:, 5], f[:, ARRIVAL]])
        if not self._arrivals:
            words[:, 4] = NO_ARRIVAL
        if self._direction == RX:
            # a record keeps as many bytes as its ring does, the same in both
            words[:, 1] = 0
        ahead = slice(self._at, self._at + len(words))
        if np.array_equal(self._words[ahead], words) and np.array_equal(self._data[ahead], data):
            self._at += len(words)
            self.same += len(words)
            return
        starts = np.flatnonzero(np.diff(key, prepend=key[0] - 1))
        for first, end in pairwise([*starts.tolist(), len(key)]):
            self._tick(int(f[first, 0]), words[first:end], data[first:end])

    def _tick(self, tick: int, words: NDArray[np.int64], data: NDArray[np.uint8]) -> None:
        """The frames of one tick; those of the same identifier stand for each other."""
        while self._at < len(self._words) and self._words[self._at, 0] < words[0, 0]:
            self._missing(self._at)
            self._at += 1
        first = self._at
        while self._at < len(self._words) and self._words[self._at, 0] == words[0, 0]:
            self._at += 1
        there = list(range(first, self._at))
        here = list(range(len(words)))

        def equal(at: int, i: int) -> bool:
            return np.array_equal(self._words[at], words[i]) and np.array_equal(self._data[at], data[i])

        while there and here and equal(there[0], here[0]):
            there, here = there[1:], here[1:]
            self.same += 1
        if not there:  # a link takes the first frames of a tick and refuses the rest
            self.unsent += [(tick, int(words[i, 2]), data[i, : words[i, 3]].tobytes()) for i in here]
            return
        for i in here:
            can_id = int(words[i, 2])
            at = next((at for at in there if self._words[at, 2] == can_id), None)
            shown = _hex(data[i], int(words[i, 3]))
            if at is None:
                self._note(can_id, tick, _NOWHERE, shown)
                continue
            if not equal(at, i):
                recorded = self._shown(at)
                if recorded == shown:  # what differs is the time of validity, or of arrival
                    recorded, shown = _times(self._words[at], words[i])
                self._note(can_id, tick, recorded, shown)
            elif at != there[0] and len(there) == len(here):
                self._note(can_id, tick, "later in its tick", "earlier")
            else:
                self.same += 1
            there.remove(at)
        for at in there:
            self._missing(at)

    def _missing(self, at: int) -> None:
        self._note(int(self._words[at, 2]), int(self.tick[at]), self._shown(at), _NOWHERE)

    def _shown(self, at: int) -> str:
        return _hex(self._data[at], int(self._words[at, 3]))

    def _note(self, can_id: int, tick: int, recorded: str, replayed: str) -> None:
        if can_id in self.differing:
            self.differing[can_id][3] += 1
        else:
            self.differing[can_id] = [tick, recorded, replayed, 1]

    def end(self, *, open_end: bool, may_be_unsent: int | None) -> int:
        """The rest. Returns how many replayed frames the record lacks because the link refused them.

        open_end       either may go on where the other ends
        may_be_unsent  how many the link refused by the certificate; None: not known, any number
        """
        if not open_end:
            for at in range(self._at, len(self._words)):
                self._missing(at)
        missing = self.unsent
        if open_end and len(self.tick):
            missing = [u for u in missing if u[0] < self.tick[-1]]
        elif open_end:
            missing = []
        if may_be_unsent is None or len(missing) <= may_be_unsent:
            return len(missing)
        for tick, can_id, data in missing:
            self._note(can_id, tick, _NOWHERE, data.hex(" "))
        return 0


def _keys(
    tick: NDArray[np.int64], last: tuple[int, int] | None
) -> tuple[NDArray[np.int64], tuple[int, int] | None]:
    """Ticks made rising by adding ``_HOLD`` wherever they fall; last: the tick and sum before, and after."""
    if not len(tick):
        return tick.copy(), last
    before, added = last if last is not None else (int(tick[0]), 0)
    falls = np.diff(tick, prepend=before) < 0
    sums = added + _HOLD * np.cumsum(falls)
    return tick + sums, (int(tick[-1]), int(sums[-1]))


def _times(*frames: NDArray[np.int64]) -> list[str]:
    """What differs of the times of two frames, in words."""
    if frames[0][1] != frames[1][1]:
        return [f"valid at {f[1] / 1e6:.6f} ms" for f in frames]
    return ["never arrived" if f[4] == NO_ARRIVAL else f"arrived at {f[4] / 1e6:.6f} ms" for f in frames]


def _hex(data: NDArray[np.uint8], length: int) -> str:
    return data[:length].tobytes().hex(" ") or "no bytes"


class Comparison:
    """Takes a replay block by block and finds where it differs from the record.

    names     of frames by identifier
    arrivals  whether the replay has the virtual bus of the record, so that times of arrival are compared
    """

    def __init__(self, run: Run, names: dict[int, str], *, arrivals: bool = False) -> None:
        self._run, self._names = run, names
        # where a record was cut, frames may be missing that were on the bus then
        arrivals = arrivals and not run.truncated
        self._signals = [name for name in COMPARED if name in run.signals]
        self._frames = {direction: _Sequence(run, direction, arrivals=arrivals) for direction in (TX, RX)}
        self._events = [
            (e.tick, e.kind, e.text) for e in run.events if e.name != "loop" and e.kind != "record_lost"
        ]
        self._found: dict[str, Difference] = {}
        self._result = Replayed()
        self._row = self._event = self._byte = 0
        self._gone: list[tuple[int, bytes]] = []  # bursts that are not in the record
        self._last_tick: int | None = None
        lost = {e.name for e in run.events if e.kind == "record_lost"}
        self._kept = {what: what not in lost for what in ("signal rows", "events", "GNSS records")}
        self._thin = bool(run.left_out)
        self._cut = run.truncated

    def feed(self, block: Block) -> None:
        """The next stretch of the replay."""
        if len(block.tick):
            self._last_tick = int(block.tick[-1])
            self._take_rows(block)
        for sequence in self._frames.values() if not self._thin else ():
            sequence.feed(block)
        for event in block.events:
            self._take_event(event)
        for tick, burst in block.bursts:
            self._take_burst(tick, burst)

    def _take_rows(self, block: Block) -> None:
        recorded = self._run.tick
        first = int(np.searchsorted(recorded, block.tick[0]))
        end = int(np.searchsorted(recorded, block.tick[-1], side="right"))
        if first > self._row:
            self._row_missing(int(recorded[self._row]), first - self._row, recorded_only=True)
        self._row = end
        here = np.isin(block.tick, recorded[first:end], assume_unique=True)
        there = np.isin(recorded[first:end], block.tick, assume_unique=True)
        if not there.all():
            self._row_missing(int(recorded[first:end][~there][0]), int((~there).sum()), recorded_only=True)
        beyond = not len(recorded) or block.tick > recorded[-1]
        absent = ~here & ~beyond if self._cut else ~here
        if absent.any() and self._kept["signal rows"] and not self._thin:
            self._row_missing(int(block.tick[absent][0]), int(absent.sum()), recorded_only=False)
        tick = block.tick[here]
        differing = np.zeros(len(tick), bool)
        for name in self._signals:
            left, right = self._run.signals[name][first:end][there], block.rows[here, INDEX[name]]
            differ = _bits(left) != _bits(right)
            if differ.any():
                differing |= differ
                self._take_signal(name, tick, left, right, differ)
        self._result.rows += int((~differing).sum())

    def _row_missing(self, tick: int, count: int, *, recorded_only: bool) -> None:
        both = ("there", _NOWHERE) if recorded_only else (_NOWHERE, "there")
        self._add(Difference("row of signals", tick, *both, count=count))

    def _take_signal(
        self,
        name: str,
        tick: NDArray[np.int64],
        left: NDArray[np.float64],
        right: NDArray[np.float64],
        differ: NDArray[np.bool_],
    ) -> None:
        k = int(np.argmax(differ))
        found = self._add(
            Difference(
                name,
                int(tick[k]),
                repr(float(left[k])),
                repr(float(right[k])),
                count=int(differ.sum()),
                unit=_UNITS[name],
            )
        )
        apart = np.nan_to_num(np.abs(left - right), nan=0.0, posinf=0.0)
        k = int(np.argmax(apart))
        if apart[k] > found.largest:
            found.largest, found.at_tick = float(apart[k]), int(tick[k])

    def _add(self, new: Difference) -> Difference:
        """Count it; the first of each thing is kept."""
        old = self._found.get(new.what)
        if old is None:
            self._found[new.what] = new
            return new
        old.count += new.count
        return old

    def _take_event(self, event: tuple[int, str, str]) -> None:
        if not self._kept["events"]:
            return
        if self._event >= len(self._events):
            if not self._cut:
                self._add(Difference("event", event[0], _NOWHERE, f"{event[1]}: {event[2]}"))
            return
        tick, kind, text = self._events[self._event]
        self._event += 1
        whole = len(text.encode()) < TEXT_BYTES - 3  # longer ones are cut on their way to the record
        if (tick, kind) == event[:2] and (text == event[2] if whole else event[2].startswith(text)):
            self._result.events += 1
        else:
            first = min(tick, event[0])
            self._add(
                Difference(
                    "event",
                    first,
                    f"{kind}: {text} (tick {tick})",
                    f"{event[1]}: {event[2]} (tick {event[0]})",
                )
            )

    def _take_burst(self, tick: int, burst: bytes) -> None:
        if not self._kept["GNSS records"]:
            return
        recorded = self._run.gnss
        if recorded.startswith(burst, self._byte):
            self._byte += len(burst)
            self._result.bursts += 1
            return
        rest = recorded[self._byte :]
        if self._cut and burst.startswith(rest):  # the record ends within it, or has ended
            self._byte = len(recorded)
            return
        # the port took another one than this, or not this one
        if _epoch(burst) != _epoch(rest):
            self._gone.append((tick, burst))
            return
        end = len(burst) if len(rest) >= len(burst) else len(rest)
        self._byte += end
        there, here = rest[:end].splitlines(), burst.splitlines()
        k = next((k for k in range(min(len(there), len(here))) if there[k] != here[k]), 0)
        recorded_line = there[k].decode("ascii", "replace") if there else _NOWHERE
        self._add(Difference("GNSS sentence", tick, recorded_line, here[k].decode("ascii", "replace")))

    def end(self, *, finished: bool) -> Replayed:
        """The result; ``finished`` as in Replay."""
        run, result = self._run, self._result
        open_end = self._cut or not finished
        refused = _refused(run)
        unsent = 0
        for direction, words in ((TX, "to the robot"), (RX, "from the robot")):
            sequence = self._frames[direction]
            may = refused["frames"] if direction == TX else 0
            unsent += sequence.end(open_end=open_end, may_be_unsent=may)
            result.frames += sequence.same
            for can_id, (tick, recorded, replayed, count) in sequence.differing.items():
                name = self._names.get(can_id, f"0x{can_id:X}")
                what = f"frame {name} {words}"
                self._add(Difference(what, tick, recorded, replayed, count, from_robot=direction == RX))
        may = refused["gnss"]
        if may is not None and len(self._gone) > may:
            tick, burst = self._gone[0]
            shown = burst.split(b"\r\n")[0].decode("ascii", "replace")
            self._add(Difference("GNSS sentence", tick, _NOWHERE, shown, count=len(self._gone)))
        else:
            unsent += len(self._gone)
        if not open_end:
            if self._row < len(run.tick):
                left = len(run.tick) - self._row
                self._row_missing(int(run.tick[self._row]), left, recorded_only=True)
            if self._event < len(self._events) and self._kept["events"]:
                tick, kind, text = self._events[self._event]
                count = len(self._events) - self._event
                self._add(Difference("event", tick, f"{kind}: {text}", _NOWHERE, count=count))
            if self._byte < len(run.gnss) and self._kept["GNSS records"]:
                line = run.gnss[self._byte :].split(b"\r\n")[0].decode("ascii", "replace")
                self._add(Difference("GNSS sentence", self._last_tick or 0, line, _NOWHERE))
        result.differences = sorted(self._found.values(), key=lambda d: (d.tick, _rank(d)))
        result.until_s = None if self._last_tick is None else self._last_tick * 1e-3
        result.notes = self._notes(open_end, finished, unsent)
        return result

    def _notes(self, open_end: bool, finished: bool, unsent: int) -> list[str]:
        run, notes = self._run, [*self._run.losses, *self._run.left_out]
        other = sorted({*COMPARED} ^ {n for n in run.signals if not n.startswith("loop.")})
        if other:
            notes.append(f"signals only one of both has, not compared: {', '.join(other)}")
        for what, kept in self._kept.items():
            if not kept:
                notes.append(f"{what} were lost while recording: those left out are not compared")
        if not finished:
            notes.append("what reached the plant is recorded up to there and not to the end of the ride")
        if unsent:
            notes.append(
                f"{unsent} frames or GNSS epochs were refused by the link then and are not in the record"
            )
        return notes


def _rank(difference: Difference) -> int:
    """Of things that differ in one tick, what the others may come from goes first."""
    if difference.from_robot:
        return 0
    return 1 if difference.what in _UNITS else 2


def _epoch(sentences: bytes) -> bytes:
    """Time of day of the first sentence: which epoch it is."""
    fields = sentences.split(b"\r\n")[0].split(b",")
    return fields[1] if len(fields) > 1 else b""


def _refused(run: Run) -> dict[str, int | None]:
    """How many frames and GNSS epochs the links refused by the certificate; None without one."""
    outputs = (run.certificate or {}).get("outputs")
    if not isinstance(outputs, dict):
        return {"frames": None, "gnss": None}
    lost = {name: int(o.get("lost", 0)) + int(o.get("lost_after", 0)) for name, o in outputs.items()}
    return {"frames": sum(n for name, n in lost.items() if name != "gnss"), "gnss": lost.get("gnss", 0)}


def _bits(values: NDArray[np.float64]) -> NDArray[np.int64]:
    return np.ascontiguousarray(values, dtype=np.float64).view(np.int64)
