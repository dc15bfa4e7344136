"""Logs of a bus, in every form that python-can reads, decoded by a DBC.

All are read in columns; what there is no reader of columns for is left to python-can, by line, rows or file.
"""

from __future__ import annotations

import contextlib
import logging
from collections import defaultdict
from collections.abc import Iterator, Sequence
from pathlib import Path

from emulator.core.errors import StartFailed
from emulator.track.logs.blf import gather_blf
from emulator.track.logs.frame_lines import gather_asc, gather_candump, gather_columns, gather_rows
from emulator.track.logs.gathered import EXTENDED, Gathered
from emulator.track.logs.log import Log, LogError, Series, Wanted
from emulator.track.logs.mdf_frames import gather_mdf
from emulator.track.logs.packed import ending, is_packed, unpacked
from emulator.track.logs.sqlite_frames import gather_sqlite
from emulator.track.on_disk import Shelf
from emulator.wire.dbc_file import DbcFrame, read_dbc

_OF_ENDING = {
    ".blf": gather_blf,
    ".asc": gather_asc,
    ".log": gather_candump,
    ".trc": gather_columns,
    ".csv": gather_rows,
    ".db": gather_sqlite,
}
_OF_FIRST_BYTES = {
    b"LOGG": gather_blf,
    b"SQLite format 3\0": gather_sqlite,
    b"timestamp,arbitration_id,": gather_rows,
}
_MDF = (b"MDF     ", b"UnFinMF ")


def read_bus(path: Path, wanted: Sequence[Wanted], dbc: Path, shelf: Shelf) -> Log:
    """Wanted signals of a bus log, ``SIGNAL`` or ``FRAME.SIGNAL``.

    Raises LogError, ConfigError, StartFailed.
    """
    messages = list(read_dbc(dbc).frames)
    of_name: dict[str, list[tuple[DbcFrame, str]]] = defaultdict(list)
    for message in messages:
        for signal in message.signals:
            of_name[signal.name].append((message, signal.name))
            of_name[f"{message.name}.{signal.name}"].append((message, signal.name))
    places: dict[Wanted, tuple[DbcFrame, str]] = {}
    for one in wanted:
        if len(found := of_name.get(one.channel, [])) > 1:
            either = " or ".join(f"{message.name}.{name}" for message, name in found)
            raise LogError(f"{dbc} has signal {one.channel!r} in several frames", advice=f"write {either}")
        if found:
            places[one] = found[0]
    if not places:  # who wants them says so, and which names come near
        return Log(path, "bus log", {}, sorted(of_name), ["the map takes no channel of its DBC"])
    names: dict[int, list[str]] = defaultdict(list)
    for message, name in places.values():
        names[_key(message)].append(name)
    gathered = Gathered(
        {_key(message): (message, names[_key(message)]) for message, _ in places.values()}, shelf
    )
    remarks = _gather(path, gathered)
    decoded = gathered.series()
    series = {}
    for one, (message, name) in places.items():
        units = {signal.name: signal.unit or "" for signal in message.signals}
        time_s, values = decoded[_key(message)]
        series[one] = Series(time_s, values[name], units[name])
    return Log(path, "bus log", series, sorted(of_name), remarks)


def _key(message: DbcFrame) -> int:
    return int(message.frame_id) | (EXTENDED if message.is_extended_frame else 0)


def _gather(path: Path, gathered: Gathered) -> list[str]:
    """Put each frame to its kind; returns remarks. Raises LogError, StartFailed."""
    remarks = []
    with _what_the_library_says() as said:
        try:
            told = gather_frames(path, gathered)
            gathered.decode()
            if told and told > (held := path.stat().st_size) and not is_packed(path):
                remarks.append(f"the log was cut off: its head tells {told:,} bytes, {held:,} are there")
        except (LogError, StartFailed):
            raise
        except Exception as error:  # python-can raises whatever its parsers do
            frames = gathered.taken + gathered.others
            if not frames:
                raise _damaged(path, error) from error
            remarks.append(f"the log breaks off after {frames:,} frames: {_in_a_line(error)[:120]}")
    if said.count:
        lines = "line" if said.count == 1 else "lines"
        remarks.append(f"python-can warns of {said.count:,} {lines}, the first time: {said.first}")
    if not gathered.taken + gathered.others:
        raise LogError(
            f"{path} has no frame of a bus, read as {ending(path) or 'its beginning tells'}",
            advice="see that its ending is that of its form, and that there are frames in it",
        )
    if not gathered.taken:
        raise LogError(
            "; ".join(
                [f"{path} has no frame with a wanted signal, and {gathered.others:,} others", *remarks]
            ),
            advice="see that the DBC is this bus's, and that identifiers are 11 or 29 bits as there",
        )
    return remarks


def gather_frames(path: Path, gathered: Gathered) -> int | None:
    """Gather a log's frames by the reader of its form; returns the size that it says to have [bytes].

    Raises what that does, and what ``gathered`` does.
    """
    with unpacked(path) as file:
        head = file.read(32)
    if head.startswith(_MDF):
        if not gather_mdf(path, gathered):
            _gather_by_library(path, gathered)
        return None
    by_bytes = [gather for first, gather in _OF_FIRST_BYTES.items() if head.startswith(first)]
    by_ending = _OF_ENDING.get(ending(path))
    if (gather := next(iter(by_bytes), by_ending)) is not None:
        return gather(path, gathered)
    raise LogError(
        f"{path} is no bus log of a known form",
        advice=f"name it by its form: {', '.join(_OF_ENDING)}, or .mf4",
    )


def _gather_by_library(path: Path, gathered: Gathered) -> None:
    """A message of python-can for each frame of an MDF file. Raises what that and ``gathered`` raise."""
    import can

    reader = can.MF4Reader(path)
    try:
        for message in reader:
            gathered.add_message(message)
    finally:
        with contextlib.suppress(Exception):
            reader.stop()


class _Said(logging.Handler):
    """How often python-can warns, and of what the first time."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.count, self.first = 0, ""

    def emit(self, record: logging.LogRecord) -> None:
        """One warning."""
        self.first = self.first or " ".join(record.getMessage().split())[:120]
        self.count += 1


@contextlib.contextmanager
def _what_the_library_says() -> Iterator[_Said]:
    """What python-can warns of, counted instead of shown."""
    logger, said = logging.getLogger("can.io"), _Said()
    propagates, logger.propagate = logger.propagate, False
    logger.addHandler(said)
    try:
        yield said
    finally:
        logger.removeHandler(said)
        logger.propagate = propagates


def _in_a_line(error: Exception) -> str:
    return " ".join(str(error).split()) or type(error).__name__


def _damaged(path: Path, error: Exception) -> LogError:
    return LogError(
        f"{path} can't be read as a bus log: {_in_a_line(error)[:200]}",
        advice="see that it is whole, and its ending",
    )
