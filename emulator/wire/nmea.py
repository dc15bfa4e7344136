"""NMEA 0183 sentences of a GNSS receiver: GGA, RMC and VTG, written by the emulator, read by the robot.

Layout: $GN<type>,fields*hh CR LF, hh the XOR of all characters between $ and *; at most 82 characters a
sentence. Position in degrees and minutes with six decimals (1.9 mm), altitude in
centimetres, time in milliseconds: the finest that fits for every value.
Source: NMEA 0183 as in wide public use (standard not opened); checked against an independent parser.

Left out on purpose: age of corrections and station identity (GGA 13, 14), magnetic track and variation.
"""

from __future__ import annotations

import math
import re
from datetime import date
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.compiled import jit

LONGEST_SENTENCE = 82
"""Characters including $ and CR LF."""
LONGEST_BURST = 3 * LONGEST_SENTENCE
KNOT_m_s = 1852.0 / 3600.0
_MODES = "NADPRFEMS"
"""Mode indicator by fix quality 0..8."""
_EPOCH_DAY = date(1970, 1, 1).toordinal()
_DAY_ms = 86_400_000
_MICROMINUTES_A_DEGREE = 60_000_000


class Fix(NamedTuple):
    """One epoch of a receiver.

    utc_ns              time of validity since 1970-01-01, leap seconds not counted; integer, up to year 9999
    latitude_rad        -pi/2..pi/2, geodetic WGS-84
    longitude_rad       any, wrapped; east positive
    altitude_msl_m      above mean sea level; saturates at -999.99 and 9999.99
    geoid_separation_m  mean sea level above the ellipsoid; saturates at +-999.9
    fix_quality         as in GGA: 0 none, 1 single, 2 differential, 4 RTK fixed, 5 RTK float, ... 8
    satellites          0..99
    hdop                saturates at 99.9
    speed_m_s           over ground; saturates at 999.999 knots
    course_rad          clockwise from north, any, wrapped; None (or NaN) while undefined

    A non-finite position, altitude, separation or speed, or an unknown quality, is sent as no fix.
    """

    utc_ns: int
    latitude_rad: float
    longitude_rad: float
    altitude_msl_m: float
    geoid_separation_m: float
    fix_quality: int
    satellites: int
    hdop: float
    speed_m_s: float
    course_rad: float | None


def checksum(body: bytes) -> int:
    """XOR of the bytes between ``$`` and ``*`` (both excluded), 0..255."""
    # Folding one big integer in halves is ten times faster than going byte by byte.
    folded, bits = int.from_bytes(body, "big"), 1024
    while bits < 4 * len(body):
        bits *= 2
    while bits >= 8:
        folded = (folded >> bits) ^ (folded & ((1 << bits) - 1))
        bits //= 2
    return folded


def burst(fix: Fix) -> bytes:
    """GGA, RMC and VTG of one epoch, as sent (200 bytes or so). Fails: never for a Fix as described there."""
    out = np.empty(LONGEST_BURST, np.uint8)
    length = encode(
        out,
        (fix.utc_ns + 500_000) // 1_000_000,
        fix.latitude_rad,
        fix.longitude_rad,
        fix.altitude_msl_m,
        fix.geoid_separation_m,
        fix.fix_quality,
        fix.satellites,
        fix.hdop,
        fix.speed_m_s,
        math.nan if fix.course_rad is None else fix.course_rad,
    )
    return out[:length].tobytes()


# Writing is compiled because it happens inside a tick of the loop: in Python one epoch took longer than the
# whole rest of the tick. Every piece takes the place to write at and returns the next.

_MODE_CODES = np.frombuffer(_MODES.encode(), np.uint8)
_GGA, _RMC, _VTG = (np.frombuffer(b"$GN%b," % kind, np.uint8) for kind in (b"GGA", b"RMC", b"VTG"))
_GGA_EMPTY = np.frombuffer(b",,,,,0,", np.uint8)
_GGA_END_EMPTY = np.frombuffer(b",,,M,,M,,", np.uint8)
_RMC_EMPTY = np.frombuffer(b",V,,,,,,,", np.uint8)
_RMC_END_EMPTY = np.frombuffer(b",,,N", np.uint8)
_VTG_EMPTY = np.frombuffer(b",T,,M,,N,,K,N", np.uint8)
_ALTITUDE_UNIT = np.frombuffer(b",M,", np.uint8)
_GGA_END = np.frombuffer(b",M,,", np.uint8)
_VALID = np.frombuffer(b",A,", np.uint8)
_TRUE = np.frombuffer(b",T,,M,", np.uint8)
_KNOTS = np.frombuffer(b",N,", np.uint8)
_KMH = np.frombuffer(b",K,", np.uint8)
_NO_VARIATION = np.frombuffer(b",,,", np.uint8)
_HEX = np.frombuffer(b"0123456789ABCDEF", np.uint8)
_COMMA, _POINT, _MINUS, _STAR, _ZERO, _RETURN, _NEWLINE = 44, 46, 45, 42, 48, 13, 10
_NORTH, _SOUTH, _EAST, _WEST = 78, 83, 69, 87


@jit
def _put_text(out: NDArray[np.uint8], n: int, codes: NDArray[np.uint8]) -> int:
    for i in range(codes.shape[0]):
        out[n + i] = codes[i]
    return int(n + codes.shape[0])


@jit
def _put_char(out: NDArray[np.uint8], n: int, code: int) -> int:
    out[n] = code
    return n + 1


@jit
def _put_padded(out: NDArray[np.uint8], n: int, value: int, digits: int) -> int:
    """A number from 0 up with exactly so many digits."""
    for i in range(digits - 1, -1, -1):
        out[n + i] = _ZERO + value % 10
        value //= 10
    return n + digits


@jit
def _put_decimal(out: NDArray[np.uint8], n: int, scaled: int, decimals: int) -> int:
    """scaled / 10^decimals with that many decimals and no leading zeros but one."""
    if scaled < 0:
        n = _put_char(out, n, _MINUS)
        scaled = -scaled
    unit = 10**decimals
    whole = scaled // unit
    digits, rest = 1, whole // 10
    while rest > 0:
        digits, rest = digits + 1, rest // 10
    n = _put_padded(out, n, whole, digits)
    n = _put_char(out, n, _POINT)
    return _put_padded(out, n, scaled % unit, decimals)


@jit
def _scaled(value: float, least: float, most: float, scale: float) -> int:
    """The value held within least..most, in units of 1/scale, rounded half to even."""
    return int(np.rint(min(max(value, least), most) * scale))


@jit
def _within_turn(angle: float) -> float:
    """The angle wrapped to -pi..pi [rad]; what is too large to wrap is held there."""
    wrapped = angle - 2.0 * math.pi * np.rint(angle / (2.0 * math.pi))
    return float(min(max(wrapped, -math.pi), math.pi))


@jit
def _put_angle(out: NDArray[np.uint8], n: int, angle: float, digits: int, plus: int, minus: int) -> int:
    """Degrees, minutes with six decimals, side; rounded once, so no part reaches 60."""
    total = int(np.rint(abs(math.degrees(angle)) * _MICROMINUTES_A_DEGREE))
    n = _put_padded(out, n, total // _MICROMINUTES_A_DEGREE, digits)
    rest = total % _MICROMINUTES_A_DEGREE
    n = _put_padded(out, n, rest // 1_000_000, 2)
    n = _put_char(out, n, _POINT)
    n = _put_padded(out, n, rest % 1_000_000, 6)
    n = _put_char(out, n, _COMMA)
    return _put_char(out, n, minus if angle < 0.0 else plus)


@jit
def _put_place(out: NDArray[np.uint8], n: int, latitude: float, longitude: float) -> int:
    n = _put_angle(out, n, min(max(latitude, -0.5 * math.pi), 0.5 * math.pi), 2, _NORTH, _SOUTH)
    n = _put_char(out, n, _COMMA)
    return _put_angle(out, n, _within_turn(longitude), 3, _EAST, _WEST)


@jit
def _put_time(out: NDArray[np.uint8], n: int, ms: int) -> int:
    """Time of day hhmmss.sss."""
    seconds = ms // 1000
    n = _put_padded(out, n, seconds // 3600, 2)
    n = _put_padded(out, n, seconds // 60 % 60, 2)
    n = _put_padded(out, n, seconds % 60, 2)
    n = _put_char(out, n, _POINT)
    return _put_padded(out, n, ms % 1000, 3)


@jit
def _put_date(out: NDArray[np.uint8], n: int, day: int) -> int:
    """ddmmyy of a day since 1970-01-01, Gregorian: years counted from March, in eras of 400 years."""
    shifted = day + 719468  # days from 0000-03-01
    era_day = shifted % 146097
    year = (era_day - era_day // 1460 + era_day // 36524 - era_day // 146096) // 365
    year_day = era_day - (365 * year + year // 4 - year // 100)
    month = (5 * year_day + 2) // 153
    n = _put_padded(out, n, year_day - (153 * month + 2) // 5 + 1, 2)
    n = _put_padded(out, n, month + 3 if month < 10 else month - 9, 2)
    return _put_padded(out, n, (year + (1 if month >= 10 else 0)) % 100, 2)


@jit
def _put_course(out: NDArray[np.uint8], n: int, course: float) -> int:
    """Degrees 0.00..359.99, nothing while undefined."""
    if not math.isfinite(course):
        return n
    return _put_decimal(out, n, int(np.rint(math.degrees(_within_turn(course)) * 100.0)) % 36000, 2)


@jit
def _closed(out: NDArray[np.uint8], start: int, n: int) -> int:
    """Checksum and line end of the sentence that began at ``start``."""
    total = 0
    for i in range(start + 1, n):
        total ^= out[i]
    n = _put_char(out, n, _STAR)
    n = _put_char(out, n, _HEX[total >> 4])
    n = _put_char(out, n, _HEX[total & 15])
    n = _put_char(out, n, _RETURN)
    return _put_char(out, n, _NEWLINE)


@jit
def encode(
    out: NDArray[np.uint8],
    total_ms: int,
    latitude: float,
    longitude: float,
    altitude: float,
    separation: float,
    quality: int,
    satellites: int,
    hdop: float,
    speed: float,
    course: float,
) -> int:
    """As in Fix (undefined course: NaN) into ``out`` (LONGEST_BURST,); returns the length of all three."""
    ms, day = total_ms % _DAY_ms, total_ms // _DAY_ms
    in_use = min(max(satellites, 0), 99)
    finite = math.isfinite(latitude) and math.isfinite(longitude) and math.isfinite(altitude)
    finite = finite and math.isfinite(separation) and math.isfinite(speed)
    fixed = finite and 0 < quality <= 8

    n = _put_text(out, 0, _GGA)
    n = _put_time(out, n, ms)
    if fixed:
        n = _put_char(out, n, _COMMA)
        n = _put_place(out, n, latitude, longitude)
        n = _put_char(out, n, _COMMA)
        n = _put_padded(out, n, quality, 1)
        n = _put_char(out, n, _COMMA)
        n = _put_padded(out, n, in_use, 2)
        n = _put_char(out, n, _COMMA)
        if not math.isnan(hdop):
            n = _put_decimal(out, n, _scaled(hdop, 0.0, 99.9, 10.0), 1)
        n = _put_char(out, n, _COMMA)
        n = _put_decimal(out, n, _scaled(altitude, -999.99, 9999.99, 100.0), 2)
        n = _put_text(out, n, _ALTITUDE_UNIT)
        n = _put_decimal(out, n, _scaled(separation, -999.9, 999.9, 10.0), 1)
        n = _put_text(out, n, _GGA_END)
    else:
        n = _put_text(out, n, _GGA_EMPTY)
        n = _put_padded(out, n, in_use, 2)
        n = _put_text(out, n, _GGA_END_EMPTY)
    n = _closed(out, 0, n)

    start = n
    knots = min(abs(speed) / KNOT_m_s, 999.999)
    n = _put_text(out, n, _RMC)
    n = _put_time(out, n, ms)
    if fixed:
        n = _put_text(out, n, _VALID)
        n = _put_place(out, n, latitude, longitude)
        n = _put_char(out, n, _COMMA)
        n = _put_decimal(out, n, _scaled(knots, 0.0, 999.999, 1000.0), 3)
        n = _put_char(out, n, _COMMA)
        n = _put_course(out, n, course)
        n = _put_char(out, n, _COMMA)
        n = _put_date(out, n, day)
        n = _put_text(out, n, _NO_VARIATION)
        n = _put_char(out, n, _MODE_CODES[quality])
    else:
        n = _put_text(out, n, _RMC_EMPTY)
        n = _put_date(out, n, day)
        n = _put_text(out, n, _RMC_END_EMPTY)
    n = _closed(out, start, n)

    start = n
    n = _put_text(out, n, _VTG)
    if fixed:
        n = _put_course(out, n, course)
        n = _put_text(out, n, _TRUE)
        n = _put_decimal(out, n, _scaled(knots, 0.0, 999.999, 1000.0), 3)
        n = _put_text(out, n, _KNOTS)
        n = _put_decimal(out, n, _scaled(knots * 1.852, 0.0, 9999.0, 1000.0), 3)
        n = _put_text(out, n, _KMH)
        n = _put_char(out, n, _MODE_CODES[quality])
    else:
        n = _put_text(out, n, _VTG_EMPTY)
    return _closed(out, start, n)


# --- reading ----------------------------------------------------------------------------------------


class Gga(NamedTuple):
    """Fix data. Empty fields: NaN; time None. time_of_day_ns counts from midnight UTC."""

    time_of_day_ns: int | None
    latitude_rad: float
    longitude_rad: float
    fix_quality: int
    satellites: int
    hdop: float
    altitude_msl_m: float
    geoid_separation_m: float


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
_TIME = re.compile(r"([01]\d|2[0-3])([0-5]\d)([0-5]\d)(?:\.(\d{1,9}))?")
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
    a number in any other notation, minutes or seconds of 60 or more, a date that does not exist, a value
    without its hemisphere or unit letter, another sentence type. Raises nothing for any bytes.
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
    return Gga(
        time_of_day_ns=_time_of_day(time),
        latitude_rad=_angle(latitude, north, _LATITUDE, 90, "NS"),
        longitude_rad=_angle(longitude, east, _LONGITUDE, 180, "EW"),
        fix_quality=int(quality),
        satellites=int(satellites or "0"),
        hdop=_number(hdop, _UNSIGNED),
        altitude_msl_m=_number(altitude, _SIGNED),
        geoid_separation_m=_number(separation, _SIGNED),
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
    return (ordinal - _EPOCH_DAY) * _DAY_ms * 1_000_000


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
    if optional and optional[0] not in _MODES:
        raise _Malformed
    return optional[0] if optional else ""
