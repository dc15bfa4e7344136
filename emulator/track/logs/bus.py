"""Logs of a bus, in every form that python-can reads, decoded by a DBC.

Those that are much used are read in columns, the others a frame at a time.
"""

from __future__ import annotations

import contextlib
from collections import defaultdict
from collections.abc import Sequence
from pathlib import Path

from emulator.core.errors import StartFailed
from emulator.track.logs.blf import gather_blf
from emulator.track.logs.frame_lines import gather_asc, gather_candump
from emulator.track.logs.gathered import EXTENDED, Gathered
from emulator.track.logs.log import Log, LogError, Series, Wanted
from emulator.track.on_disk import Shelf
from emulator.wire.dbc_file import DbcFrame, read_dbc

_IN_COLUMNS = {".blf": gather_blf, ".asc": gather_asc, ".log": gather_candump}
"""By their endings. python-can's own way with all others takes some microseconds for each frame."""


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
    held, told = path.stat().st_size, 0
    remarks = []
    try:
        told = _IN_COLUMNS.get(path.suffix.lower(), _gather_by_library)(path, gathered) or held
        gathered.decode()
    except (LogError, StartFailed):
        raise
    except Exception as error:  # python-can raises whatever its parsers do
        if not gathered.taken:
            raise _damaged(path, error) from error
        said = " ".join(str(error).split())[:120] or type(error).__name__
        frames = gathered.taken + gathered.others
        remarks.append(f"the log breaks off after {frames:,} frames: {said}")
    if told > held:
        remarks.append(f"the log was cut off: its head tells {told:,} bytes, {held:,} are there")
    if not gathered.taken:
        raise LogError(
            f"{path} has no frame with a wanted signal, and {gathered.others:,} others",
            advice="see that the DBC is this bus's, and that identifiers are 11 or 29 bits as there",
        )
    return remarks


def _gather_by_library(path: Path, gathered: Gathered) -> None:
    """A message of python-can for each frame. Raises what it raises, and what ``gathered`` does."""
    import can

    reader = can.LogReader(str(path))
    try:
        for message in reader:
            gathered.add_message(message)
    finally:
        with contextlib.suppress(Exception):
            reader.stop()


def _damaged(path: Path, error: Exception) -> LogError:
    said = " ".join(str(error).split())[:200] or type(error).__name__
    return LogError(
        f"{path} can't be read as a bus log: {said}", advice="see that it is whole, and its ending"
    )
