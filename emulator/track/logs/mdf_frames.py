"""Frames of a bus in an MDF file, in columns, where they stand in one group's records.

Elsewhere they are left to python-can: in several groups, which it merges by time, or in blocks of their own.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from emulator.track.logs.gathered import EXTENDED, MOST_IDENTIFIER, Gathered
from emulator.track.logs.mdf import (
    BUS_CHANNEL,
    damaged_mdf,
    opened_mdf,
    records_of,
    rows_told,
)

_IDENTIFIER, _LENGTH, _BYTES = f"{BUS_CHANNEL}.ID", f"{BUS_CHANNEL}.DataLength", f"{BUS_CHANNEL}.DataBytes"
_IS_EXTENDED = f"{BUS_CHANNEL}.IDE"
_NEEDED = (_IDENTIFIER, _LENGTH, _BYTES)
_WHOLE_NUMBER, _BYTE_ARRAY = (0, 1), (10,)
_BUS_EVENT, _FROM_BUS, _CAN = 2, 2, 2
"""A flag of a group, a kind of its source, and a bus of that: ASAM MDF 4.1, as asammdf has them."""


class FramesMissing(Exception):
    """Fewer frames than the file tells, in words."""


def gather_mdf(path: Path, gathered: Gathered) -> bool:
    """Gather the frames of an MDF file; False: they are not where this looks, and none is gathered.

    Raises LogError, StartFailed without asammdf; FramesMissing; what was gathered before stays.
    """
    with opened_mdf(path) as file:
        groups = [at for at, group in enumerate(file.groups) if _holds_data_frames(group)]
        if len(groups) != 1 or (places := _places(file, groups[0])) is None:
            return False
        told, there = rows_told(path, file, groups[0]), 0
        started_s = file.header.start_time.timestamp()
        for piece in records_of(path, file, groups[0]):
            try:
                time_s = np.array(file.get_master(groups[0], data=piece, one_piece=True), np.float64)
                read = {
                    name: file.get(group=groups[0], index=at, data=piece, samples_only=True)[0]
                    for name, at in places.items()
                }
            except Exception as error:  # the library raises whatever a damaged block leads to
                raise damaged_mdf(path, error) from error
            keys = read[_IDENTIFIER].astype(np.int64) & MOST_IDENTIFIER
            # python-can takes identifiers for long ones where nothing is said
            extended = read[_IS_EXTENDED].astype(bool) if _IS_EXTENDED in read else np.ones(len(keys), bool)
            data = np.ascontiguousarray(read[_BYTES], np.uint8)
            length = np.minimum(read[_LENGTH].astype(np.int64), data.shape[1])
            gathered.add_many(
                time_s + started_s,
                keys | np.where(extended, EXTENDED, 0),
                data.ravel(),
                np.arange(len(keys)) * data.shape[1],
                length,
            )
            there += len(keys)
    if there < told:
        raise FramesMissing(f"{told:,} frames are told, {there:,} there")
    return True


def _holds_data_frames(group: Any) -> bool:
    """Whether a group is one of those that python-can reads data frames of."""
    block, source = group.channel_group, getattr(group.channel_group, "acq_source", None)
    return (
        bool(getattr(block, "flags", 0) & _BUS_EVENT)
        and block.cycles_nr > 0
        and source is not None
        and bool(source.source_type & _FROM_BUS)
        and source.bus_type == _CAN
        and any(channel.name == BUS_CHANNEL for channel in group.channels)
    )


def _places(file: Any, group: int) -> dict[str, int] | None:
    """Index of each part of a frame in its group; None: some do not stand in the records as they are."""
    of = file.groups[group]
    if file.version < "4.00" or of.uses_ld or of.channel_group.invalidation_bytes_nr:
        return None
    names = [channel.name for channel in of.channels]
    places = {name: names.index(name) for name in (*_NEEDED, _IS_EXTENDED) if names.count(name) == 1}
    if not set(_NEEDED) <= set(places) or names.count(_IS_EXTENDED) > 1:
        return None
    for name, at in places.items():
        channel = of.channels[at]
        kinds = _BYTE_ARRAY if name == _BYTES else _WHOLE_NUMBER
        end = channel.byte_offset + (channel.bit_offset + channel.bit_count) / 8
        if (
            channel.channel_type != 0
            or channel.data_type not in kinds
            or end > of.channel_group.samples_byte_nr
            or of.channel_dependencies[at]
        ):
            return None
    return places
