"""Reading NMEA 0183: GGA, RMC and VTG as a robot gets them, strictly; what writes them is ``nmea``.

Source: NMEA 0183 as in wide public use (standard not opened); checked against an independent parser.
"""

from __future__ import annotations

import math
import re
from datetime import date
from functools import lru_cache
from typing import NamedTuple

from emulator.wire.nmea import LONGEST_SENTENCE, MODES, KNOT_m_s, checksum

_EPOCH_DAY = date(1970, 1, 1).toordinal()
_DAY_ns = 86_400_000_000_000


class Gga(NamedTuple):
    """Fix data. Empty fields: NaN; time and station None. time_of_day_ns counts from midnight UTC.

    In a leap second (235960) it runs from 86,400 s on; utc_ns in Rmc is that of the next day's first second.
    """

    time_of_day_ns: int | None
    latitude_rad: float
    longitude_rad: float
    fix_quality: int
    satellites: int
    hdop: float
    altitude_msl_m: float
    geoid_separation_m: float
    corrections_age_s: float = math.nan
    station: int | None = None


class Rmc(NamedTuple):
    """Recommended minimum data. Empty fields: NaN; utc_ns None unless both date and time are there.

    ``valid`` is the status field (A); ``mode`` the mode indicator letter, '' in old sentences without it.
    """

    utc_ns: int | None
    valid: bool
    latitude_rad: float
    longitude_rad: float
    speed_m_s: float
    course_rad: float
    mode: str


class Vtg(NamedTuple):
    """Course over ground (clockwise from true north) and speed. Empty fields: NaN."""

    course_rad: float
    speed_m_s: float
    mode: str


_SENTENCE = re.compile(rb"\$([A-Z]{2}(GGA|RMC|VTG),[ -#%-)+-~]*)\*([0-9A-F]{2})(?:\r\n)?")
# Fields that may be empty; a whole sentence is one expression, since a field by itself costs as much.
_TIME = r"(?:([01]\d|2[0-3])([0-5]\d)([0-5]\d|(?<=2359)60)(?:\.(\d{1,9}))?)?"
_DATE = r"(?:(\d\d)(\d\d)(\d\d))?"
_LATITUDE = r"(?:(\d\d)([0-5]\d(?:\.\d{1,12})?),([NS])|,)"
_LONGITUDE = r"(?:(\d\d\d)([0-5]\d(?:\.\d{1,12})?),([EW])|,)"
_UNSIGNED = r"(\d{1,9}(?:\.\d{1,12})?)?"
_SIGNED = r"(-?\d{1,9}(?:\.\d{1,12})?)?"
_METRES = rf"(?:{_SIGNED},M|,)"
_GGA = re.compile(
    rf"..GGA,{_TIME},{_LATITUDE},{_LONGITUDE},([0-8]),(\d\d?)?,{_UNSIGNED},{_METRES},{_METRES},{_UNSIGNED},"
    r"(0\d\d\d|10[01]\d|102[0-3])?".encode()
)
_RMC = re.compile(
    rf"..RMC,{_TIME},([AV]),{_LATITUDE},{_LONGITUDE},{_UNSIGNED},{_UNSIGNED},{_DATE},{_UNSIGNED},[EW]?"
    r"(?:,([^,]*)(?:,[^,]*)?)?".encode()
)
_VTG = re.compile(
    rf"..VTG,(?:{_UNSIGNED},T|,),(?:{_UNSIGNED},M|,),(?:{_UNSIGNED},N|,),(?:{_UNSIGNED},K|,)(?:,([^,]*))?".encode()
)
_FIRST_YEAR = 80
"""Two-digit years from here on are 19xx; GPS time began in 1980."""


class _Malformed(Exception):
    """A field that NMEA 0183 does not allow."""


def parse(sentence: bytes) -> Gga | Rmc | Vtg | None:
    """Read one GGA, RMC or VTG sentence of any talker, with or without its CR LF.

    None for anything malformed: no or wrong checksum, longer than 82 characters, wrong number of fields,
    a number in any other notation, minutes or seconds of 60 or more (but for the leap second 235960), a date
    that does not exist, a value without its hemisphere or unit letter, another sentence type. Raises nothing
    for any bytes.
    """
    match = _SENTENCE.fullmatch(sentence)
    if match is None:
        return None
    body, kind, check = match.groups()
    if len(body) + 6 > LONGEST_SENTENCE or checksum(body) != int(check, 16):
        return None
    try:
        if kind == b"GGA":
            return _gga(_fields(_GGA, body))
        if kind == b"RMC":
            return _rmc(_fields(_RMC, body))
        return _vtg(_fields(_VTG, body))
    except _Malformed:
        return None


def _fields(pattern: re.Pattern[bytes], body: bytes) -> tuple[bytes | None, ...]:
    match = pattern.fullmatch(body)
    if match is None:
        raise _Malformed
    return match.groups()


def _gga(fields: tuple[bytes | None, ...]) -> Gga:
    quality, satellites, hdop, altitude, separation, age, station = fields[10:]
    assert quality is not None
    return Gga(
        time_of_day_ns=_time_of_day(*fields[:4]),
        latitude_rad=_angle(90, *fields[4:7]),
        longitude_rad=_angle(180, *fields[7:10]),
        fix_quality=int(quality),
        satellites=int(satellites or b"0"),
        hdop=_number(hdop),
        altitude_msl_m=_number(altitude),
        geoid_separation_m=_number(separation),
        corrections_age_s=_number(age),
        station=int(station) if station else None,
    )


def _rmc(fields: tuple[bytes | None, ...]) -> Rmc:
    knots, course, day, month, year, _variation, mode = fields[11:]
    since_midnight_ns, midnight_ns = _time_of_day(*fields[:4]), _midnight(day, month, year)
    return Rmc(
        utc_ns=None if since_midnight_ns is None or midnight_ns is None else midnight_ns + since_midnight_ns,
        valid=fields[4] == b"A",
        latitude_rad=_angle(90, *fields[5:8]),
        longitude_rad=_angle(180, *fields[8:11]),
        speed_m_s=_number(knots) * KNOT_m_s,
        course_rad=_track(course),
        mode=_mode(mode),
    )


def _vtg(fields: tuple[bytes | None, ...]) -> Vtg:
    course, magnetic, knots, _km_h, mode = fields
    _track(magnetic)
    return Vtg(_track(course), _number(knots) * KNOT_m_s, _mode(mode))


def _number(text: bytes | None) -> float:
    return float(text) if text else math.nan


def _time_of_day(
    hours: bytes | None, minutes: bytes | None, seconds: bytes | None, decimals: bytes | None
) -> int | None:
    """Nanoseconds since midnight."""
    if hours is None or minutes is None or seconds is None:
        return None
    whole_s = int(hours) * 3600 + int(minutes) * 60 + int(seconds)
    return whole_s * 1_000_000_000 + (int(decimals.ljust(9, b"0")) if decimals else 0)


@lru_cache(maxsize=4)
def _midnight(day: bytes | None, month: bytes | None, year: bytes | None) -> int | None:
    """Nanoseconds since 1970-01-01 of the day's beginning."""
    if day is None or month is None or year is None:
        return None
    try:
        century = 1900 if int(year) >= _FIRST_YEAR else 2000
        ordinal = date(int(year) + century, int(month), int(day)).toordinal()
    except ValueError:
        raise _Malformed from None
    return (ordinal - _EPOCH_DAY) * _DAY_ns


def _angle(most_deg: int, degrees: bytes | None, minutes: bytes | None, side: bytes | None) -> float:
    """Radians from degrees and minutes with a hemisphere letter; NaN if all are empty."""
    if degrees is None or minutes is None:
        return math.nan
    angle = int(degrees) + float(minutes) / 60.0
    if angle > most_deg:
        raise _Malformed
    return math.radians(-angle if side in (b"S", b"W") else angle)


def _track(text: bytes | None) -> float:
    """Radians 0..2 pi from degrees."""
    degrees = _number(text)
    if degrees > 360.0:
        raise _Malformed
    return math.radians(degrees)


def _mode(letter: bytes | None) -> str:
    """The mode indicator; older sentences have none."""
    mode = (letter or b"").decode("ascii")
    if mode not in MODES:
        raise _Malformed
    return mode
