"""MDF 4 (and 3) as a log, by asammdf: wanted channels with their own times."""

from __future__ import annotations

import contextlib
import gc
import io
import logging
import sys
import traceback
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from emulator.track.logs.log import Log, LogError, Series, Wanted, too_large
from emulator.track.on_disk import Shelf, let_go
from emulator.track.out.mdf import asammdf_module

_BUS_CHANNEL = "CAN_DataFrame"
_AT_ONCE = 1 << 22  # samples of a channel: the library reads a group anew from its beginning for each piece
_PACKED = 1100  # times that deflate can make of a byte


def holds_frames(path: Path) -> bool:
    """Whether an MDF file is a log of bus frames. Raises LogError, StartFailed without asammdf."""
    with _opened(path) as file:
        return any(name.startswith(_BUS_CHANNEL) for name in file.channels_db)


def read_mdf(path: Path, wanted: Sequence[Wanted], shelf: Shelf) -> Log:
    """Wanted channels of an MDF file. Raises LogError, StartFailed without asammdf or room."""
    remarks: list[str] = []
    series: dict[Wanted, Series] = {}
    times: dict[int, NDArray[np.float64]] = {}
    with _opened(path) as file:
        names = sorted(name for name in file.channels_db if name)
        total = 0
        for one in wanted:
            places = list(dict.fromkeys(group for group, _ in file.channels_db.get(one.channel, ())))
            if one.group is not None:
                places = [group for group in places if group == one.group]
            if not places:
                continue
            if len(places) > 1:
                raise LogError(
                    f"{path} has channel {one.channel!r} in groups {', '.join(map(str, places))}",
                    advice="say which with group: NUMBER",
                )
            described = _rows(path, file, places[0])
            total += described
            if (refused := too_large(path, total, 1)) is not None:
                raise refused
            found = _series(path, file, one.channel, places[0], described, shelf)
            time_s = times.setdefault(places[0], found.time_s)
            if np.array_equal(time_s, found.time_s, equal_nan=True):
                found = found._replace(time_s=time_s)
            let_go(time_s, found.time_s)
            series[one] = found
            if len(series[one].values) < described:
                remarks.append(
                    f"{one.channel}: {described:,} samples are told, {len(series[one].values):,} there"
                )
    return Log(path, "MDF", series, names, remarks)


def _rows(path: Path, file: Any, group: int) -> int:
    """Samples of a group as its header says. Raises LogError where the file can't hold them."""
    block = file.groups[group].channel_group
    rows, size = int(block.cycles_nr), int(getattr(block, "samples_byte_nr", 1))
    held = path.stat().st_size
    if rows * max(size, 1) > held * _PACKED:
        raise LogError(
            f"{path} says that group {group} holds {rows:,} samples of {size} bytes; it has {held:,} itself",
            advice="its header is damaged or the file was cut off; export the log again",
        )
    return rows


def _series(path: Path, file: Any, name: str, group: int, rows: int, shelf: Shelf) -> Series:
    """A channel, read in pieces: a group is read with all of its channels whenever one is asked for."""
    time_s, values, unit = shelf.growing(), shelf.growing(), ""
    filled = 0
    while filled < rows or not rows:
        count = min(_AT_ONCE, rows - filled)
        try:
            signal = file.get(name, group=group, record_offset=filled, record_count=count)
        except Exception as error:  # the library raises whatever a damaged block leads to
            raise _damaged(path, error) from error
        samples = np.asarray(signal.samples)
        if samples.ndim != 1 or samples.dtype.kind not in "fiub":
            raise LogError(f"{path}: channel {name!r} holds no numbers", advice="map another channel")
        if not len(samples):
            break
        piece, unit = samples.astype(np.float64), str(signal.unit or "")
        if signal.invalidation_bits is not None:
            piece[np.asarray(signal.invalidation_bits, bool)] = np.nan
        values.append(piece)
        time_s.append(np.array(signal.timestamps, np.float64))
        filled += len(samples)
        if len(samples) < count:
            break
    return Series(time_s.whole(), values.whole(), unit)


@contextlib.contextmanager
def _opened(path: Path) -> Any:
    """The file, without what the library says on the screen. Raises LogError, StartFailed."""
    asammdf = asammdf_module()
    logger = logging.getLogger("asammdf")
    level = logger.level
    logger.setLevel(logging.CRITICAL + 1)
    with contextlib.redirect_stdout(io.StringIO()):
        try:
            damaged = None
            try:
                file = asammdf.MDF(path)
            except Exception as error:  # as above
                damaged = _damaged(path, error)
                _let_go(error)
            if damaged is not None:
                raise damaged
            with file:
                yield file
        finally:
            logger.setLevel(level)


def _let_go(error: Exception) -> None:
    """Let a file that was opened by half end in silence: the library's own end of it fails and says so."""
    hook, sys.unraisablehook = sys.unraisablehook, lambda _: None
    try:
        traceback.clear_frames(error.__traceback__)
        error.__traceback__ = None
        gc.collect()
    finally:
        sys.unraisablehook = hook


def _damaged(path: Path, error: Exception) -> LogError:
    said = " ".join(str(error).split())[:200] or type(error).__name__
    return LogError(
        f"{path} can't be read as MDF: {said}",
        advice="a file that was cut off or is damaged can be finalised by the logger's own software",
    )
