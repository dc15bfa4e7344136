"""MDF 4 (and 3) as a log, by asammdf: wanted channels with their own times."""

from __future__ import annotations

import contextlib
import gc
import io
import logging
import mmap
import sys
import traceback
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from emulator.track.logs.log import Log, LogError, Series, Wanted, too_large
from emulator.track.on_disk import Shelf, let_go
from emulator.track.out.mdf import asammdf_module

BUS_CHANNEL = "CAN_DataFrame"
_AT_ONCE = (
    1 << 22
)  # samples of a channel that the library reads by itself, from the group's beginning each time
_PIECE_BYTES = 4 << 20  # of a group that is read once
_PACKED = 1100  # times that deflate can make of a byte
_LAID_OUT = (0, 2, 4)  # values, masters and synchronisation lie in the records
_NUMBERS = range(6)  # whole numbers and floating ones, either byte order


def holds_frames(path: Path) -> bool:
    """Whether an MDF file is a log of bus frames. Raises LogError, StartFailed without asammdf."""
    with opened_mdf(path) as file:
        return any(name.startswith(BUS_CHANNEL) for name in file.channels_db)


def read_mdf(path: Path, wanted: Sequence[Wanted], shelf: Shelf) -> Log:
    """Wanted channels of an MDF file. Raises LogError, StartFailed without asammdf or room."""
    series: dict[Wanted, Series] = {}
    with opened_mdf(path) as file:
        names = sorted(name for name in file.channels_db if name)
        places = _places(path, file, wanted)
        total = 0
        for group, _ in places.values():
            total += rows_told(path, file, group)
            if (refused := too_large(path, total, 1)) is not None:
                raise refused
        for group in dict.fromkeys(group for group, _ in places.values()):
            of_group = {one: index for one, (at, index) in places.items() if at == group}
            series |= _series_of_group(path, file, group, of_group, shelf)
        remarks = [
            f"{one.channel}: {told:,} samples are told, {there:,} there"
            for one, (group, _) in places.items()
            if (there := len(series[one].values)) < (told := rows_told(path, file, group))
        ]
    return Log(path, "MDF", {one: series[one] for one in places}, names, remarks)


def _places(path: Path, file: Any, wanted: Sequence[Wanted]) -> dict[Wanted, tuple[int, int]]:
    """Group and index of each wanted channel that is there. Raises LogError for one that is in several."""
    places: dict[Wanted, tuple[int, int]] = {}
    for one in wanted:
        found = [at for at in file.channels_db.get(one.channel, ()) if one.group in (None, at[0])]
        groups = list(dict.fromkeys(group for group, _ in found))
        if len(groups) > 1:
            raise LogError(
                f"{path} has channel {one.channel!r} in groups {', '.join(map(str, groups))}",
                advice="say which with group: NUMBER",
            )
        if len(set(found)) > 1:
            raise LogError(
                f"{path} has channel {one.channel!r} twice in group {groups[0]}", advice="rename one"
            )
        if found:
            places[one] = found[0]
    return places


def rows_told(path: Path, file: Any, group: int) -> int:
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


def _series_of_group(
    path: Path, file: Any, group: int, wanted: Mapping[Wanted, int], shelf: Shelf
) -> dict[Wanted, Series]:
    """Wanted channels of a group by their index there, with one array of times. Raises LogError."""
    rows = rows_told(path, file, group)
    at_once = {one: index for one, index in wanted.items() if rows and _lies_in_records(file, group, index)}
    series = _from_records(path, file, group, at_once, shelf) if at_once else {}
    time_s = next((one.time_s for one in series.values()), None)
    for one in wanted:
        if one not in at_once:
            found = _alone(path, file, one.channel, group, rows, shelf)
            time_s = found.time_s if time_s is None else time_s
            if np.array_equal(time_s, found.time_s, equal_nan=True):
                found = found._replace(time_s=time_s)
            let_go(time_s, found.time_s)
            series[one] = found
    return series


def _lies_in_records(file: Any, group: int, index: int) -> bool:
    """Whether a channel is a number at a place of its own in every record, so that all are read in one go."""
    of, channel = file.groups[group], file.groups[group].channels[index]
    if file.version < "4.00" or of.uses_ld or of.channel_dependencies[index]:
        return False
    end = channel.byte_offset + (channel.bit_offset + channel.bit_count) / 8
    return (
        channel.channel_type in _LAID_OUT
        and channel.data_type in _NUMBERS
        and end <= of.channel_group.samples_byte_nr
    )


def _from_records(
    path: Path, file: Any, group: int, wanted: Mapping[Wanted, int], shelf: Shelf
) -> dict[Wanted, Series]:
    """Channels by their index in a group, whose records are unpacked once for all. Raises LogError."""
    time_s, columns = shelf.growing(), {one: shelf.growing() for one in wanted}
    for piece in records_of(path, file, group):
        try:
            instants = np.array(file.get_master(group, data=piece, one_piece=True), np.float64)
            values = {
                one: file.get(
                    group=group, index=index, data=piece, samples_only=True, ignore_invalidation_bits=True
                )
                for one, index in wanted.items()
            }
            file._mdf._invalidation_cache.clear()  # which belongs to the piece
        except Exception as error:  # the library raises whatever a damaged block leads to
            raise damaged_mdf(path, error) from error
        time_s.append(instants)
        for one, (samples, invalid) in values.items():
            columns[one].append(_numbers(path, one.channel, samples, invalid))
    instants = time_s.whole()
    units = {one: str(file.groups[group].channels[index].unit or "") for one, index in wanted.items()}
    return {one: Series(instants, column.whole(), units[one]) for one, column in columns.items()}


def records_of(path: Path, file: Any, group: int) -> Iterator[Any]:
    """Records of a group, some thousands at a time, unpacked. Raises LogError."""
    file.configure(read_fragment_size=_PIECE_BYTES)
    pieces = file._mdf._load_data(file.groups[group], record_count=rows_told(path, file, group))
    while True:
        try:
            piece = next(pieces, None)
        except Exception as error:  # as above
            raise damaged_mdf(path, error) from error
        if piece is None:
            return
        if piece.data:
            yield piece
        if isinstance(mapped := file._mdf._file, mmap.mmap):
            mapped.madvise(mmap.MADV_DONTNEED)  # what was read of the file counts as memory


def _numbers(path: Path, name: str, samples: Any, invalid: Any) -> NDArray[np.float64]:
    """Samples (n,) as numbers, NaN where the log says that one is not valid. Raises LogError."""
    samples = np.asarray(samples)
    if samples.ndim != 1 or samples.dtype.kind not in "fiub":
        raise LogError(f"{path}: channel {name!r} holds no numbers", advice="map another channel")
    numbers: NDArray[np.float64] = samples.astype(np.float64)
    if invalid is not None:
        numbers[np.asarray(invalid, bool)] = np.nan
    return numbers


def _alone(path: Path, file: Any, name: str, group: int, rows: int, shelf: Shelf) -> Series:
    """A channel that the library finds its own way to, in pieces. Raises LogError."""
    time_s, values, unit = shelf.growing(), shelf.growing(), ""
    filled = 0
    while filled < rows or not rows:
        count = min(_AT_ONCE, rows - filled)
        try:
            signal = file.get(
                name, group=group, record_offset=filled, record_count=count, ignore_invalidation_bits=True
            )
        except Exception as error:  # as above
            raise damaged_mdf(path, error) from error
        unit = str(signal.unit or "")
        piece = _numbers(path, name, signal.samples, signal.invalidation_bits)
        if not len(piece):
            break
        values.append(piece)
        time_s.append(np.array(signal.timestamps, np.float64))
        filled += len(piece)
        if len(piece) < count:
            break
    return Series(time_s.whole(), values.whole(), unit)


@contextlib.contextmanager
def opened_mdf(path: Path) -> Any:
    """An MDF file, without what the library says on the screen. Raises LogError, StartFailed."""
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
                damaged = damaged_mdf(path, error)
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


def damaged_mdf(path: Path, error: Exception) -> LogError:
    """Words for what the library raises."""
    said = " ".join(str(error).split())[:200] or type(error).__name__
    return LogError(
        f"{path} can't be read as MDF: {said}",
        advice="a file that was cut off or is damaged can be finalised by the logger's own software",
    )
