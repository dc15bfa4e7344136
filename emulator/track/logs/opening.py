"""A log of any kind, by its first bytes and its ending."""

from __future__ import annotations

import os
import stat
import tempfile
import zlib
from collections.abc import Sequence
from pathlib import Path

from emulator.config.track.map_file import TextForm, TimeChannel
from emulator.track.logs.bus import read_bus
from emulator.track.logs.log import Log, LogError, Wanted
from emulator.track.logs.mdf import holds_frames, read_mdf
from emulator.track.logs.nmea import read_nmea
from emulator.track.logs.packed import ending, is_packed, unpacked
from emulator.track.logs.tables import read_csv, read_parquet
from emulator.track.on_disk import Shelf

BUS_ENDINGS = (".asc", ".blf", ".log", ".trc", ".db")
_PACKED_ENDINGS = (".asc", ".blf", ".log", ".trc")
_BUS_CSV = b"timestamp,arbitration_id,"
_BLF, _SQLITE = b"LOGG", b"SQLite format 3\0"
_HEAD = 4096


def read_log(
    path: Path,
    wanted: Sequence[Wanted],
    *,
    time: TimeChannel | None = None,
    form: TextForm | None = None,
    dbc: Path | None = None,
    shelf: Shelf | None = None,
) -> Log:
    """The wanted channels that a log has.

    shelf  where long ones are kept; None: where temporary files are
    Raises LogError; ConfigError for the DBC; StartFailed without asammdf, or room for what is kept.
    """
    shelf = shelf or Shelf(Path(tempfile.gettempdir()))
    head = _head(path)
    if not head:
        raise LogError(f"{path} is empty", advice="name a log with samples")
    if head.startswith(b"PAR1"):
        return read_parquet(path, wanted, time, shelf)
    if head.startswith((b"MDF     ", b"UnFinMF ")):
        if dbc is not None and holds_frames(path):
            return read_bus(path, wanted, dbc, shelf)
        return read_mdf(path, wanted, shelf)
    if is_packed(path):
        head = _unpacked_head(path)
        if not (ending(path) in _PACKED_ENDINGS or head.startswith((_BLF, _BUS_CSV))):
            raise LogError(
                f"{path} is packed by gzip", advice="unpack it; only bus logs are read as they are"
            )
    if ending(path) in BUS_ENDINGS or head.startswith((_BLF, _SQLITE, _BUS_CSV)):
        if dbc is None:
            raise LogError(f"{path} is a log of a bus, and the map names no DBC", advice="add dbc: FILE")
        return read_bus(path, wanted, dbc, shelf)
    if ending(path) in (".nmea", ".ubx") or head.lstrip().startswith(b"$G"):
        return read_nmea(path, wanted)
    return read_csv(path, wanted, time, form or TextForm(), shelf)


def _head(path: Path) -> bytes:
    """The first bytes of an ordinary file. Raises LogError."""
    try:
        if not stat.S_ISREG(os.stat(path).st_mode):
            raise LogError(f"{path} is no ordinary file", advice="name a log")
        with path.open("rb") as file:
            return file.read(_HEAD)
    except OSError as error:
        raise LogError(f"{path} can't be read: {error.strerror or error}") from error


def _unpacked_head(path: Path) -> bytes:
    """The first bytes of what is packed. Raises LogError."""
    try:
        with unpacked(path) as file:
            return file.read(_HEAD)
    except (OSError, EOFError, zlib.error) as error:
        raise LogError(f"{path} can't be unpacked: {error}", advice="see that it is whole") from error
