"""Reading NMEA 0183: GGA, RMC and VTG as a robot gets them, strictly; what writes them is ``nmea``.

Source: NMEA 0183 as in wide public use (standard not opened); checked against an independent parser.

:func:`parse` reads all there is. :func:`read_plain` is compiled and reads GGA and RMC with a fix in the form
that receivers usually send; whatever is otherwise it leaves to ``parse``, and what it reads is the same to
the bit.
"""

from __future__ import annotations

import math
import re
from datetime import date
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import jit
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


def parse(sentence: bytes, longest: int = LONGEST_SENTENCE) -> Gga | Rmc | Vtg | None:
    """Read one GGA, RMC or VTG sentence of any talker, with or without its CR LF.

    None for anything malformed: no or wrong checksum, longer than ``longest``, wrong number of fields,
    a number in any other notation, minutes or seconds of 60 or more (but for the leap second 235960), a date
    that does not exist, a value without its hemisphere or unit letter, another sentence type. Raises nothing
    for any bytes.
    """
    match = _SENTENCE.fullmatch(sentence)
    if match is None:
        return None
    body, kind, check = match.groups()
    if len(body) + 6 > longest or checksum(body) != int(check, 16):
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


# The compiled reader. Every piece takes the place to read at and returns the next, _NOT where it does not
# read on; text ends with a newline, so no piece looks beyond the end.

OTHER, GGA, RMC = range(3)
"""What :func:`read_plain` read; OTHER: nothing."""
LATITUDE, LONGITUDE, ALTITUDE, SEPARATION, SPEED, COURSE = range(6)
"""Numbers it reads, units as in Gga and Rmc."""
QUALITY, UTC_ns = range(2)
"""Whole numbers it reads."""

_NOT = -1
_EXACT = 1 << 53
"""Whole numbers below it are exact as floating point, and so is their quotient by a power of ten up to 10^22,
rounded once: what reading the decimal number gives (Clinger 1990, from memory)."""
_MODES = np.frombuffer(MODES.encode(), np.uint8)
_HEX = np.frombuffer(b"0123456789ABCDEF", np.uint8)
_COMMA, _POINT, _MINUS, _DOLLAR, _STAR, _ZERO, _NINE, _RETURN, _NEWLINE = 44, 46, 45, 36, 42, 48, 57, 13, 10
_A, _C, _E, _G, _M, _N, _R, _S, _W, _Z = 65, 67, 69, 71, 77, 78, 82, 83, 87, 90


@jit
def _char(text: NDArray[np.uint8], at: int, code: int) -> int:
    return at + 1 if at >= 0 and text[at] == code else _NOT


@jit
def _digits(text: NDArray[np.uint8], at: int, least: int, most: int) -> tuple[int, int]:
    """A whole number of so many digits at most, and the place behind it."""
    value, n = 0, 0
    if at < 0:
        return 0, _NOT
    while n < most and _ZERO <= text[at + n] <= _NINE:
        value = 10 * value + int(text[at + n]) - _ZERO
        n += 1
    return value, at + n if n >= least else _NOT


@jit
def _plain_number(text: NDArray[np.uint8], at: int, most: int) -> tuple[float, int]:
    """A number of so many digits and up to twelve decimals."""
    whole, at = _digits(text, at, 1, most)
    if at < 0 or text[at] != _POINT:
        return float(whole), at
    decimals, end = _digits(text, at + 1, 1, 12)
    if end < 0:
        return 0.0, _NOT
    scale = 10 ** (end - at - 1)
    if whole >= _EXACT // scale:
        return 0.0, _NOT
    return float(whole * scale + decimals) / float(scale), end


@jit
def _plain_metres(text: NDArray[np.uint8], at: int) -> tuple[float, int]:
    """Metres, perhaps below zero, with their unit."""
    below = at >= 0 and text[at] == _MINUS
    value, at = _plain_number(text, at + 1 if below else at, 9)
    return -value if below else value, _char(text, _char(text, at, _COMMA), _M)


@jit
def _plain_angle(
    text: NDArray[np.uint8], at: int, digits: int, most_deg: int, plus: int, minus: int
) -> tuple[float, int]:
    """Radians from degrees, minutes and side."""
    degrees, at = _digits(text, at, digits, digits)
    if at < 0 or text[at] > _ZERO + 5:
        return 0.0, _NOT
    minutes, end = _plain_number(text, at, 2)
    if end < at + 2 or (end > at + 2 and text[at + 2] != _POINT):
        return 0.0, _NOT
    end = _char(text, end, _COMMA)
    angle = degrees + minutes / 60.0
    if end < 0 or angle > most_deg or (text[end] != plus and text[end] != minus):
        return 0.0, _NOT
    return math.radians(-angle if text[end] == minus else angle), end + 1


@jit
def _plain_time(text: NDArray[np.uint8], at: int) -> tuple[int, int]:
    """Nanoseconds since midnight; no leap second."""
    hours, at = _digits(text, at, 2, 2)
    minutes, at = _digits(text, at, 2, 2)
    seconds, at = _digits(text, at, 2, 2)
    if at < 0 or hours > 23 or minutes > 59 or seconds > 59:
        return 0, _NOT
    since_ns = (hours * 3600 + minutes * 60 + seconds) * 1_000_000_000
    if text[at] != _POINT:
        return since_ns, at
    decimals, end = _digits(text, at + 1, 1, 9)
    return (since_ns + decimals * 10 ** (at + 10 - end), end) if end >= 0 else (0, _NOT)


@jit
def _plain_date(text: NDArray[np.uint8], at: int) -> tuple[int, int]:
    """Days since 1970-01-01; Gregorian, in years from March on."""
    day, at = _digits(text, at, 2, 2)
    month, at = _digits(text, at, 2, 2)
    year, at = _digits(text, at, 2, 2)
    if at < 0:
        return 0, _NOT
    year += 1900 if year >= _FIRST_YEAR else 2000
    leap = year % 4 == 0  # between 1980 and 2079 no century breaks the rule
    longest = 30 + (month + month // 8) % 2
    if month == 2:
        longest = 29 if leap else 28
    if not (1 <= month <= 12 and 1 <= day <= longest):
        return 0, _NOT
    march = (month + 9) % 12
    years = year - (1 if month < 3 else 0)
    days = 365 * years + years // 4 - years // 100 + years // 400 + (153 * march + 2) // 5 + day - 1
    return days - 719468, at


@jit
def _closed(text: NDArray[np.uint8], start: int, at: int, end: int) -> bool:
    """Whether the sentence from ``start`` on closes at ``at`` with its checksum, and is not too long."""
    if at < 0 or at + 5 != end or end - start > LONGEST_SENTENCE:
        return False
    total = 0
    for i in range(start + 1, at):
        total ^= int(text[i])
    return bool(
        text[at] == _STAR
        and text[at + 1] == _HEX[total >> 4]
        and text[at + 2] == _HEX[total & 15]
        and text[at + 3] == _RETURN
        and text[at + 4] == _NEWLINE
    )


@jit
def kind_of(text: NDArray[np.uint8], start: int, end: int) -> int:
    """Which sentence it says it is: GGA, RMC or OTHER; see :func:`read_plain`."""
    if end - start < 7:
        return OTHER
    a, b, c = text[start + 3], text[start + 4], text[start + 5]
    if a == _G and b == _G and c == _A:
        return GGA
    return RMC if a == _R and b == _M and c == _C else OTHER


@jit
def read_plain(
    text: NDArray[np.uint8],
    start: int,
    end: int,
    numbers: NDArray[np.float64],
    whole: NDArray[np.int64],
) -> int:
    """Read a GGA or RMC sentence with a fix; returns which it is, OTHER if it is not read here.

    text     bytes; a newline at ``end`` - 1 and none before it from ``start`` on
    numbers  (6,)  out: LATITUDE to SEPARATION of GGA, SPEED and COURSE of RMC; an undefined course is NaN
    whole    (2,)  out: QUALITY of GGA, UTC_ns of RMC
    """
    kind = kind_of(text, start, end)
    if kind == OTHER or text[start] != _DOLLAR:
        return OTHER
    for i in range(1, 3):
        if not _A <= text[start + i] <= _Z:
            return OTHER
    since_ns, at = _plain_time(text, _char(text, start + 6, _COMMA))
    at = _char(text, at, _COMMA)
    if kind == RMC:
        at = _char(text, _char(text, at, _A), _COMMA)
    latitude, at = _plain_angle(text, at, 2, 90, _N, _S)
    longitude, at = _plain_angle(text, _char(text, at, _COMMA), 3, 180, _E, _W)
    at = _char(text, at, _COMMA)
    if kind == GGA:
        numbers[LATITUDE], numbers[LONGITUDE] = latitude, longitude
        read = _plain_gga(text, at, numbers, whole)
    else:
        read = _plain_rmc(text, at, since_ns, numbers, whole)
    return kind if _closed(text, start, read, end) else OTHER


@jit
def _plain_gga(
    text: NDArray[np.uint8], at: int, numbers: NDArray[np.float64], whole: NDArray[np.int64]
) -> int:
    """Behind the position."""
    whole[QUALITY], at = _digits(text, at, 1, 1)
    if whole[QUALITY] > 8:
        return _NOT
    _, at = _digits(text, _char(text, at, _COMMA), 0, 2)
    at = _char(text, at, _COMMA)
    if at >= 0 and text[at] != _COMMA:
        _, at = _plain_number(text, at, 9)
    numbers[ALTITUDE], at = _plain_metres(text, _char(text, at, _COMMA))
    numbers[SEPARATION], at = _plain_metres(text, _char(text, at, _COMMA))
    at = _char(text, at, _COMMA)
    if at >= 0 and text[at] != _COMMA:
        _, at = _plain_number(text, at, 9)
    at = _char(text, at, _COMMA)
    if at >= 0 and text[at] != _STAR:
        station, at = _digits(text, at, 4, 4)
        if station > 1023:
            return _NOT
    return at


@jit
def _plain_rmc(
    text: NDArray[np.uint8],
    at: int,
    since_ns: int,
    numbers: NDArray[np.float64],
    whole: NDArray[np.int64],
) -> int:
    """Behind the position; ``since_ns`` midnight."""
    knots, at = _plain_number(text, at, 9)
    numbers[SPEED] = knots * KNOT_m_s
    at = _char(text, at, _COMMA)
    numbers[COURSE] = math.nan
    if at >= 0 and text[at] != _COMMA:
        degrees, at = _plain_number(text, at, 9)
        if degrees > 360.0:
            return _NOT
        numbers[COURSE] = math.radians(degrees)
    days, at = _plain_date(text, _char(text, at, _COMMA))
    whole[UTC_ns] = days * _DAY_ns + since_ns
    for _ in range(3):
        at = _char(text, at, _COMMA)
    if at < 0:
        return _NOT
    for i in range(_MODES.shape[0]):
        if text[at] == _MODES[i]:
            return at + 1
    return _NOT
