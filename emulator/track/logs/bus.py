"""Logs of a bus, in every form that python-can reads, decoded by a DBC.

Frames are gathered by identifier and decoded some thousands at a time; those of others are counted only.
"""

from __future__ import annotations

import contextlib
from array import array
from collections import defaultdict
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from emulator.core.errors import StartFailed
from emulator.track.bus_values import physical
from emulator.track.logs.log import MOST_VALUES, Log, LogError, Series, Wanted
from emulator.track.on_disk import Shelf
from emulator.wire.dbc_file import DbcFrame, read_dbc

_EXTENDED = 1 << 31
_BYTES = 64
_AT_ONCE = 1 << 15
_MOST_FRAMES = MOST_VALUES // 4  # each has a time and a signal or more


class _Frames:
    """Frames of one identifier as signals over time; those not decoded yet as they came.

    names  signals that are wanted
    """

    def __init__(self, message: DbcFrame, names: Sequence[str], shelf: Shelf) -> None:
        self._message, self._size = message, min(max(message.length, 1), _BYTES)
        self._time_s, self._length, self._data = array("d"), array("B"), bytearray()
        self._instants = shelf.growing()
        self._columns = {name: shelf.growing() for name in names}

    def add(self, time_s: float, data: bytes) -> None:
        """One frame, filled up to the size of its kind; what is beyond is cut."""
        self._time_s.append(time_s)
        self._length.append(min(len(data), self._size))
        self._data += data[: self._size].ljust(self._size, b"\0")
        if len(self._time_s) == _AT_ONCE:
            self._decode()

    def series(self) -> tuple[NDArray[np.float64], dict[str, NDArray[np.float64]]]:
        """Instants (n,), and values (n,) of the wanted signals."""
        self._decode()
        return self._instants.whole(), {name: column.whole() for name, column in self._columns.items()}

    def _decode(self) -> None:
        data = np.frombuffer(bytes(self._data), np.uint8).reshape(-1, self._size)
        values = physical(self._message, data, np.frombuffer(self._length, np.uint8))
        for name, column in self._columns.items():
            column.append(values[name])
        self._instants.append(np.frombuffer(self._time_s, np.float64))
        self._time_s, self._length, self._data = array("d"), array("B"), bytearray()


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
    of_key = {_key(message): message for message, _ in places.values()}
    kept = {key: _Frames(message, names[key], shelf) for key, message in of_key.items()}
    remarks = _gather(path, kept)
    decoded = {key: frames.series() for key, frames in kept.items()}
    series = {}
    for one, (message, name) in places.items():
        units = {signal.name: signal.unit or "" for signal in message.signals}
        time_s, values = decoded[_key(message)]
        series[one] = Series(time_s, values[name], units[name])
    return Log(path, "bus log", series, sorted(of_name), remarks)


def _key(message: DbcFrame) -> int:
    return int(message.frame_id) | (_EXTENDED if message.is_extended_frame else 0)


def _gather(path: Path, kept: dict[int, _Frames]) -> list[str]:
    """Put each frame to its kind; returns remarks. Raises LogError, StartFailed."""
    import can

    taken = others = 0
    remarks = []
    held = path.stat().st_size
    try:
        reader = can.LogReader(str(path))
    except Exception as error:  # python-can raises whatever its parsers do
        raise _damaged(path, error) from error
    with contextlib.closing(_stoppable(reader)):
        try:
            for message in reader:
                if message.is_error_frame or message.is_remote_frame:
                    continue
                place = kept.get(message.arbitration_id | (_EXTENDED if message.is_extended_id else 0))
                if place is None:
                    others += 1
                    continue
                place.add(message.timestamp, bytes(message.data))
                taken += 1
                if taken > _MOST_FRAMES:
                    raise LogError(f"{path} holds more than {_MOST_FRAMES:,} frames", advice="cut the log")
        except (LogError, StartFailed):
            raise
        except Exception as error:
            if not taken:
                raise _damaged(path, error) from error
            said = " ".join(str(error).split())[:120] or type(error).__name__
            remarks.append(f"the log breaks off after {taken + others:,} frames: {said}")
    if (told := getattr(reader, "file_size", held)) > held:
        remarks.append(f"the log was cut off: its head tells {told:,} bytes, {held:,} are there")
    if not taken:
        raise LogError(
            f"{path} has no frame with a wanted signal, and {others:,} others",
            advice="see that the DBC is this bus's, and that identifiers are 11 or 29 bits as there",
        )
    return remarks


class _stoppable:  # noqa: N801 - closes what python-can calls stop
    def __init__(self, reader: Any) -> None:
        self._reader = reader

    def close(self) -> None:
        """Close the file, whatever became of it."""
        with contextlib.suppress(Exception):
            self._reader.stop()


def _damaged(path: Path, error: Exception) -> LogError:
    said = " ".join(str(error).split())[:200] or type(error).__name__
    return LogError(
        f"{path} can't be read as a bus log: {said}", advice="see that it is whole, and its ending"
    )
