"""What a record holds, in groups of one time base each: as recorded, nothing brought to another rate.

signals        every recorded column, a row a tick (1 kHz); an output is there as last sent, as recorded
frame NAME     a frame of the bus by the DBC of the record, a row a frame, at the instants it was sent
note NAME      numbers that the robot's own software noted, at their ticks
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.errors import ConfigError
from emulator.core.frame_buffer import NO_ARRIVAL
from emulator.core.outside.reading import is_inside
from emulator.core.signals import SIGNALS, TICK_NS
from emulator.record.reader import Frames, Run
from emulator.record.writer import COPIES_FOLDER
from emulator.track.bus_values import physical
from emulator.wire.dbc_file import DbcFrame, read_dbc

_EXTENDED = 1 << 31
_FROM_ROBOT = 0
_KNOWN = {signal.name: signal for signal in SIGNALS}


class Column(NamedTuple):
    """One value over the time of its group: (n,) float64."""

    name: str
    unit: str
    meaning: str
    values: NDArray[np.float64]


@dataclass(frozen=True)
class Group:
    """Columns of one time base.

    name     also that of its file, as far as a file may have it
    words    what its rows are
    time_ns  (n,) int64, scenario time [ns], never going back
    """

    name: str
    words: str
    time_ns: NDArray[np.int64]
    columns: tuple[Column, ...]

    @property
    def stem(self) -> str:
        """Its name as that of a file."""
        return re.sub(r"[^A-Za-z0-9_.-]+", "_", self.name)

    @property
    def step_s(self) -> float | None:
        """The usual time between two rows [s]; None with fewer than two."""
        return float(np.median(np.diff(self.time_ns))) / 1e9 if len(self.time_ns) > 1 else None

    @property
    def even(self) -> bool:
        """Whether all rows are equally far from each other."""
        steps = np.diff(self.time_ns)
        return bool(len(steps) == 0 or steps.min() == steps.max())


class Exported(NamedTuple):
    """The groups of a record, and sentences on what is in none of them."""

    groups: tuple[Group, ...]
    left_out: tuple[str, ...]


def groups_of(run: Run) -> Exported:
    """Everything in a record, by time base. Raises RecordError for a copy of a DBC outside of the record."""
    signals = Group(
        "signals",
        "every recorded signal, a row a tick; outputs and robot values as last sent",
        run.time_ns,
        tuple(
            Column(name, *_unit_and_meaning(name), np.asarray(run.signals[name], np.float64))
            for name in run.signals
        ),
    )
    left_out: list[str] = []
    frames = list(_frame_groups(run, left_out))
    notes = [
        Group(
            f"note {name}",
            "a number that the robot's own software noted",
            tick * TICK_NS,
            (Column(name, "1", "as the software noted it", value),),
        )
        for name, (tick, value) in run.notes.items()
    ]
    return Exported((signals, *frames, *notes), tuple(left_out))


def _unit_and_meaning(name: str) -> tuple[str, str]:
    known = _KNOWN.get(name)
    return (known.unit, known.meaning) if known else ("", "")


def _frame_groups(run: Run, left_out: list[str]) -> Iterator[Group]:
    frames = run.frames
    if not len(frames.tick):
        return
    taken = np.zeros(len(frames.tick), bool)
    for message in _messages(run, left_out):
        key = message.frame_id | (_EXTENDED if message.is_extended_frame else 0)
        rows = np.flatnonzero(frames.can_id == key)
        rows = rows[np.argsort(frames.time_ns[rows], kind="stable")]  # a late one stands behind its successor
        if not len(rows) or taken[rows].any():
            continue
        taken[rows] = True
        yield _frame_group(message, _rows_of(frames, rows))
    unknown = Counter(frames.can_id[~taken].tolist())
    if unknown:
        names = ", ".join(f"{key & ~_EXTENDED:#x}" for key in sorted(unknown)[:10])
        left_out.append(f"{sum(unknown.values()):,} frames that no DBC of the record knows: {names}")


def _rows_of(frames: Frames, rows: NDArray[np.int64]) -> Frames:
    return Frames(**{name: column[rows] for name, column in frames._asdict().items()})


def _frame_group(message: DbcFrame, frames: Frames) -> Group:
    values = physical(message, frames.data, frames.length)
    signals = tuple(
        Column(s.name, s.unit or "1", s.comment or f"{message.name}.{s.name} of the DBC", values[s.name])
        for s in message.signals
    )
    arrived = np.where(frames.arrival_ns == NO_ARRIVAL, np.nan, frames.arrival_ns / 1e9)
    valid = np.where(frames.valid_ns == 0, np.nan, frames.valid_ns / 1e9)
    about = (
        Column("frame.valid_s", "s", "scenario time that its content stands for", valid),
        Column("frame.arrival_s", "s", "scenario time at which its receiver had it", arrived),
        Column(
            "frame.from_robot",
            "1",
            "1: received from the robot, 0: sent to it",
            (frames.direction == _FROM_ROBOT).astype(np.float64),
        ),
    )
    return Group(
        f"frame {message.name}", "a frame of the bus, a row a frame", frames.time_ns, (*signals, *about)
    )


def _messages(run: Run, left_out: list[str]) -> Iterator[DbcFrame]:
    """Frames of every DBC that is kept in a record."""
    copies = run.manifest.get("copies") or {}
    places = sorted({place for place in copies.values() if Path(place).suffix.lower() == ".dbc"})
    if not places:
        left_out.append("values of bus frames: the record keeps no DBC")
    for place in places:
        path = run.folder / place
        if not is_inside(path, run.folder / COPIES_FOLDER):
            left_out.append(f"values of bus frames: {place} is not below {COPIES_FOLDER}/")
            continue
        try:
            yield from read_dbc(path).frames
        except ConfigError as error:
            left_out.append(f"values of bus frames: {error}")
