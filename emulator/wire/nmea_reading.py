"""Reading NMEA 0183: GGA, RMC and VTG as a robot gets them, strictly; what writes them is ``nmea``.

Source: NMEA 0183 as in wide public use (standard not opened); checked against an independent parser.
"""

from __future__ import annotations

import math
import re
from datetime import date
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
_TIME = re.compile(r"([01]\d|2[0-3])([0-5]\d)([0-5]\d|(?<=2359)60)(?:\.(\d{1,9}))?")
_DATE = re.compile(r"(\d\d)(\d\d)(\d\d)")
_LATITUDE = re.compile(r"(\d\d)([0-5]\d(?:\.\d{1,12})?)")
_LONGITUDE = re.compile(r"(\d\d\d)([0-5]\d(?:\.\d{1,12})?)")
_UNSIGNED = re.compile(r"\d{1,9}(?:\.\d{1,12})?")
_SIGNED = re.compile(r"-?\d{1,9}(?:\.\d{1,12})?")
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
    if match is None or len(match[1]) + 6 > LONGEST_SENTENCE or checksum(match[1]) != int(match[3], 16):
        return None
    fields = match[1].decode("ascii").split(",")[1:]
    try:
        if match[2] == b"GGA":
            return _gga(fields)
        if match[2] == b"RMC":
            return _rmc(fields)
        return _vtg(fields)
    except _Malformed:
        return None


def _gga(fields: list[str]) -> Gga:
    if len(fields) != 14:
        raise _Malformed
    time, latitude, north, longitude, east, quality, satellites, hdop, altitude, m1, separation, m2 = fields[
        :12
    ]
    if not re.fullmatch(r"[0-8]", quality, re.ASCII) or not re.fullmatch(r"\d\d?|", satellites, re.ASCII):
        raise _Malformed
    _units((altitude, m1, "M"), (separation, m2, "M"))
    age, station = fields[12:]
    if not re.fullmatch(r"(0\d\d\d|10[01]\d|102[0-3])?", station, re.ASCII):
        raise _Malformed
    return Gga(
        time_of_day_ns=_time_of_day(time),
        latitude_rad=_angle(latitude, north, _LATITUDE, 90, "NS"),
        longitude_rad=_angle(longitude, east, _LONGITUDE, 180, "EW"),
        fix_quality=int(quality),
        satellites=int(satellites or "0"),
        hdop=_number(hdop, _UNSIGNED),
        altitude_msl_m=_number(altitude, _SIGNED),
        geoid_separation_m=_number(separation, _SIGNED),
        corrections_age_s=_number(age, _UNSIGNED),
        station=int(station) if station else None,
    )


def _rmc(fields: list[str]) -> Rmc:
    if not 11 <= len(fields) <= 13 or fields[1] not in ("A", "V"):
        raise _Malformed
    time, status, latitude, north, longitude, east, knots, course, ddmmyy, variation, side = fields[:11]
    _number(variation, _UNSIGNED)
    if side not in ("", "E", "W"):
        raise _Malformed
    since_midnight_ns, midnight_ns = _time_of_day(time), _midnight(ddmmyy)
    return Rmc(
        utc_ns=None if since_midnight_ns is None or midnight_ns is None else midnight_ns + since_midnight_ns,
        valid=status == "A",
        latitude_rad=_angle(latitude, north, _LATITUDE, 90, "NS"),
        longitude_rad=_angle(longitude, east, _LONGITUDE, 180, "EW"),
        speed_m_s=_number(knots, _UNSIGNED) * KNOT_m_s,
        course_rad=_track(course),
        mode=_mode(fields[11:12]),
    )


def _vtg(fields: list[str]) -> Vtg:
    if not 8 <= len(fields) <= 9:
        raise _Malformed
    course, t, magnetic, m, knots, n, km_h, k = fields[:8]
    _units((course, t, "T"), (magnetic, m, "M"), (knots, n, "N"), (km_h, k, "K"))
    _track(magnetic)
    _number(km_h, _UNSIGNED)
    return Vtg(_track(course), _number(knots, _UNSIGNED) * KNOT_m_s, _mode(fields[8:9]))


def _units(*triples: tuple[str, str, str]) -> None:
    """Each (value, letter, wanted letter): the letter must be right, and present if the value is."""
    for value, letter, wanted in triples:
        if letter != wanted and (letter or value):
            raise _Malformed


def _match(pattern: re.Pattern[str], text: str) -> re.Match[str]:
    match = pattern.fullmatch(text)
    if match is None:
        raise _Malformed
    return match


def _number(text: str, pattern: re.Pattern[str]) -> float:
    return float(_match(pattern, text)[0]) if text else math.nan


def _time_of_day(text: str) -> int | None:
    """Nanoseconds since midnight."""
    if not text:
        return None
    hours, minutes, seconds, decimals = _match(_TIME, text).groups(default="")
    whole_s = int(hours) * 3600 + int(minutes) * 60 + int(seconds)
    return whole_s * 1_000_000_000 + int(decimals.ljust(9, "0"))


def _midnight(ddmmyy: str) -> int | None:
    """Nanoseconds since 1970-01-01 of the day's beginning."""
    if not ddmmyy:
        return None
    day, month, year = (int(part) for part in _match(_DATE, ddmmyy).groups())
    try:
        ordinal = date(year + (1900 if year >= _FIRST_YEAR else 2000), month, day).toordinal()
    except ValueError:
        raise _Malformed from None
    return (ordinal - _EPOCH_DAY) * _DAY_ns


def _angle(text: str, side: str, pattern: re.Pattern[str], most_deg: int, sides: str) -> float:
    """Radians from degrees and minutes with a hemisphere letter; NaN if both are empty."""
    if not text and not side:
        return math.nan
    match = _match(pattern, text)
    degrees = int(match[1]) + float(match[2]) / 60.0
    if degrees > most_deg or len(side) != 1 or side not in sides:
        raise _Malformed
    return math.radians(-degrees if side == sides[1] else degrees)


def _track(text: str) -> float:
    """Radians 0..2 pi from degrees."""
    degrees = _number(text, _UNSIGNED)
    if degrees > 360.0:
        raise _Malformed
    return math.radians(degrees)


def _mode(optional: list[str]) -> str:
    if optional and optional[0] not in MODES:
        raise _Malformed
    return optional[0] if optional else ""
