"""NMEA 0183 as a log: what a receiver said, an epoch at a time.

Channels: ``latitude`` and ``longitude`` [deg], ``altitude`` above mean sea level [m], ``speed`` [m/s],
``course`` from north clockwise [deg], ``fix`` and ``satellites``. The time is UTC since 1970 where a sentence
has the date, else since midnight; it goes on over midnight.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from emulator.core.errors import UnreadableError
from emulator.core.outside.reading import GNSS, read_whole
from emulator.track.logs.log import Log, LogError, Series, Wanted
from emulator.wire.nmea_reading import Gga, Rmc, parse

NAMES = ("latitude", "longitude", "altitude", "speed", "course", "fix", "satellites")
_UNITS = ("deg", "deg", "m", "m/s", "deg", "", "")
_DAY_ns = 86_400 * 10**9
_LONGEST = 120
"""Characters of a sentence. Receivers with more decimals go beyond NMEA's 82, and a log is not to lose them;
common practice, no source."""


def read_nmea(path: Path, wanted: Sequence[Wanted]) -> Log:
    """The receiver's epochs. Raises LogError."""
    try:
        content = read_whole(path, GNSS)
    except UnreadableError as error:
        raise LogError(f"{path}: {error.why}") from error
    parsed, bad = _sentences(content)
    epochs: dict[
        int, list[float]
    ] = {}  # by whole nanoseconds: a time in seconds has its last digit by its way
    dated = (s.utc_ns for s in parsed if isinstance(s, Rmc) and s.utc_ns is not None)
    first_ns = next(dated, 0)
    day_ns = before = first_ns - first_ns % _DAY_ns
    for sentence in parsed:
        if isinstance(sentence, Rmc):
            if sentence.utc_ns is None:
                continue
            time_ns = sentence.utc_ns
            day_ns = time_ns - time_ns % _DAY_ns
        elif sentence.time_of_day_ns is None:
            continue
        else:
            time_ns = day_ns + sentence.time_of_day_ns
            if time_ns < before - _DAY_ns // 2:  # midnight came before the sentence with the date
                time_ns += _DAY_ns
        before = time_ns
        _put(epochs.setdefault(time_ns, [math.nan] * len(NAMES)), sentence)
    if not epochs:
        raise LogError(f"{path} has no GGA or RMC sentence with a time", advice="log GGA and RMC")
    values = np.array(list(epochs.values()))
    time = np.array(list(epochs), np.int64) / 1e9
    columns = dict(zip(NAMES, values.T, strict=True))
    units = dict(zip(NAMES, _UNITS, strict=True))
    found = [w for w in wanted if w.channel in columns]
    series = {w: Series(time, columns[w.channel].copy(), units[w.channel]) for w in found}
    remarks = [f"{bad:,} sentences with a wrong checksum or field were left out"] if bad else []
    return Log(path, "NMEA", series, NAMES, remarks)


def _sentences(content: bytes) -> tuple[list[Gga | Rmc], int]:
    """GGA and RMC in their order, and how many of them were damaged."""
    found: list[Gga | Rmc] = []
    bad = 0
    for line in content.split(b"\n"):
        start = line.find(b"$")
        sentence = parse(line[start:].rstrip(b"\r"), _LONGEST) if start >= 0 else None
        if isinstance(sentence, Gga | Rmc):
            found.append(sentence)
        elif sentence is None and start >= 0:
            bad += line[start + 3 : start + 6] in (b"GGA", b"RMC")
    return found, bad


def _put(row: list[float], sentence: Gga | Rmc) -> None:
    if isinstance(sentence, Gga):
        if sentence.fix_quality:
            row[0], row[1] = math.degrees(sentence.latitude_rad), math.degrees(sentence.longitude_rad)
            row[2] = sentence.altitude_msl_m
        row[5], row[6] = sentence.fix_quality, sentence.satellites
    elif sentence.valid:
        if math.isnan(row[0]):
            row[0], row[1] = math.degrees(sentence.latitude_rad), math.degrees(sentence.longitude_rad)
        row[3], row[4] = sentence.speed_m_s, math.degrees(sentence.course_rad)
