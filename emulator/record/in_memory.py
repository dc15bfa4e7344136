"""The record of a run that may not be worth a folder: kept in memory, judged there, written when it is.

It takes what a ``RunWriter`` takes and remembers it in the order it came, so that a folder written from it
later holds the bytes that it would have held at once.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from emulator.core.frame_buffer import MAX_DATA
from emulator.core.signals import INDEX, SIGNALS, TICK_NS
from emulator.record.frame_columns import FrameColumns, frame_columns, payloads
from emulator.record.reader import Event, Frames, Run
from emulator.record.writer import RunWriter

_NOWHERE = Path("in memory")


class RideRecord(Protocol):
    """What a ride on the stepped clock is recorded by; see ``RunWriter`` for what each takes."""

    def append_signals(self, ticks: ArrayLike, rows: ArrayLike) -> None:
        """Samples."""

    def append_frames(
        self,
        tick: ArrayLike,
        time_ns: ArrayLike,
        valid_ns: ArrayLike,
        direction: ArrayLike,
        can_id: ArrayLike,
        length: ArrayLike,
        data: ArrayLike,
        arrival_ns: ArrayLike | None = None,
    ) -> None:
        """Bus frames."""

    def append_frame_inputs(
        self,
        cycle: ArrayLike,
        can_id: ArrayLike,
        length: ArrayLike,
        data: NDArray[np.uint8],
        sent: ArrayLike | None = None,
    ) -> None:
        """Frames as the plant got them."""

    def append_command_input(self, cycle: int, code: int, argument: float) -> None:
        """A command."""

    def append_input_mark(self, cycle: int) -> None:
        """That all inputs up to there are in."""

    def append_event(self, tick: int, kind: str, name: str, text: str) -> None:
        """A line of the event log."""

    def append_gnss(self, tick: int, burst: bytes) -> None:
        """The bytes of an epoch."""

    def append_notes(self, tick: int, notes: Mapping[str, float]) -> None:
        """Numbers that the robot's own software noted."""


class RowColumns(Mapping[str, NDArray[np.float64]]):
    """Columns of recorded rows by name, each laid out by itself when it is first asked for.

    rows  (n, len(SIGNALS))
    """

    def __init__(self, rows: NDArray[np.float64]) -> None:
        self.rows = rows
        self._columns: dict[str, NDArray[np.float64]] = {}

    def __getitem__(self, name: str) -> NDArray[np.float64]:
        """(n,) one column. Raises KeyError."""
        column = self._columns.get(name)
        if column is None:
            column = self._columns[name] = np.ascontiguousarray(self.rows[:, INDEX[name]])
        return column

    def __contains__(self, name: object) -> bool:
        """Without laying it out."""
        return name in INDEX

    def __iter__(self) -> Iterator[str]:
        """Names in the order recorded."""
        return (signal.name for signal in SIGNALS)

    def __len__(self) -> int:
        """How many columns."""
        return len(SIGNALS)


class HeldRecord:
    """A record in memory: about 0.8 MB a second of riding."""

    def __init__(self) -> None:
        self._ticks: list[NDArray[np.int64]] = []
        self._rows: list[NDArray[np.float64]] = []
        self._frames: list[FrameColumns] = []
        self._inputs: list[tuple[str, tuple[Any, ...]]] = []
        self._events: list[tuple[int, str, str, str]] = []
        self._gnss: list[tuple[int, bytes]] = []
        self._notes: list[tuple[int, dict[str, float]]] = []

    def append_signals(self, ticks: ArrayLike, rows: ArrayLike) -> None:
        """See ``RunWriter``; what is given may be used again."""
        self._ticks.append(np.array(ticks, np.int64))
        self._rows.append(np.array(rows, np.float64))

    def append_frames(
        self,
        tick: ArrayLike,
        time_ns: ArrayLike,
        valid_ns: ArrayLike,
        direction: ArrayLike,
        can_id: ArrayLike,
        length: ArrayLike,
        data: ArrayLike,
        arrival_ns: ArrayLike | None = None,
    ) -> None:
        """See ``RunWriter``."""
        self._frames.append(
            frame_columns(tick, time_ns, valid_ns, direction, can_id, length, data, arrival_ns)
        )

    def append_frame_inputs(
        self,
        cycle: ArrayLike,
        can_id: ArrayLike,
        length: ArrayLike,
        data: NDArray[np.uint8],
        sent: ArrayLike | None = None,
    ) -> None:
        """See ``RunWriter``."""
        given = (np.array(cycle), np.array(can_id), np.array(length), np.array(data))
        self._inputs.append(("append_frame_inputs", (*given, None if sent is None else np.array(sent))))

    def append_command_input(self, cycle: int, code: int, argument: float) -> None:
        """See ``RunWriter``."""
        self._inputs.append(("append_command_input", (cycle, code, argument)))

    def append_input_mark(self, cycle: int) -> None:
        """See ``RunWriter``."""
        self._inputs.append(("append_input_mark", (cycle,)))

    def append_event(self, tick: int, kind: str, name: str, text: str) -> None:
        """See ``RunWriter``."""
        self._events.append((int(tick), kind, name, text))

    def append_gnss(self, tick: int, burst: bytes) -> None:
        """See ``RunWriter``."""
        self._gnss.append((tick, burst))

    def append_notes(self, tick: int, notes: Mapping[str, float]) -> None:
        """See ``RunWriter``."""
        self._notes.append((tick, dict(notes)))

    def write_to(self, writer: RunWriter) -> None:
        """Put all of it into a folder's record. Raises RunFailed as the writer does."""
        for ticks, rows in zip(self._ticks, self._rows, strict=True):
            writer.append_signals(ticks, rows)
        for frames in self._frames:
            f = frames
            writer.append_frames(
                *(f.tick, f.time_ns, f.valid_ns, f.direction, f.can_id, f.length, f.data, f.arrival_ns)
            )
        for method, arguments in self._inputs:
            getattr(writer, method)(*arguments)
        for event in self._events:
            writer.append_event(*event)
        for tick, burst in self._gnss:
            writer.append_gnss(tick, burst)
        for tick, notes in self._notes:
            writer.append_notes(tick, notes)

    def run(self, manifest: dict[str, Any], certificate: dict[str, Any]) -> Run:
        """The run as reading its folder would give it, whole.

        manifest, certificate  as they would be written
        """
        tick = _joined(self._ticks, np.zeros(0, np.int64))
        return Run(
            folder=_NOWHERE,
            manifest=manifest,
            tick=tick,
            time_ns=tick * TICK_NS,
            signals=RowColumns(_joined(self._rows, np.zeros((0, len(SIGNALS))))),
            frames=self._all_frames(),
            events=[Event(tick, tick / 1000, kind, name, text) for tick, kind, name, text in self._events],
            gnss=b"".join(burst for _, burst in self._gnss),
            certificate=certificate,
            notes=self._all_notes(),
        )

    def _all_frames(self) -> Frames:
        none: tuple[int, ...] = ()
        parts = self._frames or [
            frame_columns(none, none, none, none, none, none, np.zeros((0, 1), np.uint8))
        ]
        parts = [part._replace(data=payloads(part.data, part.length, MAX_DATA)) for part in parts]
        f = FrameColumns(*(np.concatenate(c) for c in zip(*parts, strict=True)))
        return Frames(
            f.tick,
            f.time_ns,
            f.valid_ns,
            f.direction.astype(np.uint8),
            f.can_id,
            f.length.astype(np.uint8),
            f.data,
            f.arrival_ns,
        )

    def _all_notes(self) -> dict[str, tuple[NDArray[np.int64], NDArray[np.float64]]]:
        by_name: dict[str, tuple[list[int], list[float]]] = {}
        for tick, notes in self._notes:
            for name, value in notes.items():
                ticks, values = by_name.setdefault(name, ([], []))
                ticks.append(tick)
                values.append(value)
        return {
            name: (np.array(ticks, np.int64), np.array(values, np.float64))
            for name, (ticks, values) in sorted(by_name.items())
        }


def _joined(parts: list[NDArray[Any]], none: NDArray[Any]) -> NDArray[Any]:
    if len(parts) == 1:
        return parts[0]
    return np.concatenate(parts) if parts else none
