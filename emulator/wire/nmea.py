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

LONGEST_SENTENCE = 82
"""Characters including $ and CR LF."""
KNOT_m_s = 1852.0 / 3600.0
_MODES = {0: "N", 1: "A", 2: "D", 3: "P", 4: "R", 5: "F", 6: "E", 7: "M", 8: "S"}
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
    total_ms = (fix.utc_ns + 500_000) // 1_000_000
    day, ms = divmod(total_ms, _DAY_ms)
    seconds, ms = divmod(ms, 1000)
    time = f"{seconds // 3600:02d}{seconds // 60 % 60:02d}{seconds % 60:02d}.{ms:03d}"
    today = date.fromordinal(_EPOCH_DAY + day)
    ddmmyy = f"{today.day:02d}{today.month:02d}{today.year % 100:02d}"
    satellites = min(max(fix.satellites, 0), 99)
    numbers = (fix.latitude_rad, fix.longitude_rad, fix.altitude_msl_m, fix.geoid_separation_m, fix.speed_m_s)
    if fix.fix_quality not in _MODES or fix.fix_quality == 0 or not all(map(math.isfinite, numbers)):
        return (
            _sentence(f"GNGGA,{time},,,,,0,{satellites:02d},,,M,,M,,")
            + _sentence(f"GNRMC,{time},V,,,,,,,{ddmmyy},,,N")
            + _sentence("GNVTG,,T,,M,,N,,K,N")
        )
    mode = _MODES[fix.fix_quality]
    place = _latitude(fix.latitude_rad) + "," + _longitude(fix.longitude_rad)
    hdop = f"{min(max(fix.hdop, 0.0), 99.9):.1f}" if not math.isnan(fix.hdop) else ""
    altitude = min(max(fix.altitude_msl_m, -999.99), 9999.99)
    separation = min(max(fix.geoid_separation_m, -999.9), 999.9)
    knots = min(abs(fix.speed_m_s) / KNOT_m_s, 999.999)
    course = _course(fix.course_rad)
    return (
        _sentence(
            f"GNGGA,{time},{place},{fix.fix_quality},{satellites:02d},{hdop},"
            f"{altitude:.2f},M,{separation:.1f},M,,"
        )
        + _sentence(f"GNRMC,{time},A,{place},{knots:.3f},{course},{ddmmyy},,,{mode}")
        + _sentence(f"GNVTG,{course},T,,M,{knots:.3f},N,{knots * 1.852:.3f},K,{mode}")
    )


def _sentence(body: str) -> bytes:
    """The sentence with $, checksum and CR LF."""
    raw = body.encode("ascii")
    return b"$%b*%02X\r\n" % (raw, checksum(raw))


def _micro(angle_rad: float) -> tuple[int, int, int]:
    """Degrees, minutes and millionths of a minute of an angle's size; rounded once, so no part reaches 60."""
    total = round(abs(math.degrees(angle_rad)) * _MICROMINUTES_A_DEGREE)
    degrees, rest = divmod(total, _MICROMINUTES_A_DEGREE)
    return degrees, *divmod(rest, 1_000_000)


def _latitude(latitude_rad: float) -> str:
    degrees, minutes, millionths = _micro(min(max(latitude_rad, -math.pi / 2), math.pi / 2))
    return f"{degrees:02d}{minutes:02d}.{millionths:06d},{'S' if latitude_rad < 0 else 'N'}"


def _longitude(longitude_rad: float) -> str:
    wrapped_rad = math.remainder(longitude_rad, math.tau)
    degrees, minutes, millionths = _micro(wrapped_rad)
    return f"{degrees:03d}{minutes:02d}.{millionths:06d},{'W' if wrapped_rad < 0 else 'E'}"


def _course(course_rad: float | None) -> str:
    """Degrees 0.00..359.99, empty while undefined."""
    if course_rad is None or not math.isfinite(course_rad):
        return ""
    hundredths = round(math.degrees(math.remainder(course_rad, math.tau)) * 100) % 36000
    return f"{hundredths // 100}.{hundredths % 100:02d}"


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
    if optional and optional[0] not in _MODES.values():
        raise _Malformed
    return optional[0] if optional else ""
