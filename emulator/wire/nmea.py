"""NMEA 0183 sentences of a GNSS receiver: GGA, RMC, VTG, GSA, GST and ZDA, written by the emulator.

Layout: $GN<type>,fields*hh CR LF, hh the XOR of all characters between $ and *; at most 82 characters a
sentence. Position in degrees and minutes with six decimals (1.9 mm), altitude in
centimetres, time in milliseconds: the finest that fits for every value.
Source: NMEA 0183 as in wide public use (standard not opened); checked against an independent parser.

Left out on purpose: magnetic track and variation; GSA lists placeholder satellites 1, 2, ... (12 at most, the
sentence has no more room), because no satellites are modelled.

Age of corrections and station identity (GGA 13, 14) stand only beside a fix that uses corrections. With them
GGA mostly would pass 82 characters; then give way, in this order and only as far as needed: zeros at the
time's end, the age's decimal, the station, the age. Position and altitude keep their digits.

Time is UTC with the leap second the scenario inserts, if any (``wire.utc``): then, and only then, a sentence
says 235960.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import jit
from emulator.wire.utc import NO_LEAP_ms, day_and_time

LONGEST_SENTENCE = 82
"""Characters including $ and CR LF."""
SENTENCES = ("GGA", "RMC", "VTG", "GSA", "GST", "ZDA")
"""All that can be sent, in the order of a burst."""
LONGEST = {"GGA": 82, "RMC": 79, "VTG": 46, "GSA": 66, "GST": 80, "ZDA": 39}
"""Characters of each with the largest values, checked in the tests."""
LONGEST_BURST = len(SENTENCES) * LONGEST_SENTENCE
KNOT_m_s = 1852.0 / 3600.0
MODES = "NADPRFEMS"
"""Mode indicator by fix quality 0..8."""
_MICROMINUTES_A_DEGREE = 60_000_000


class Fix(NamedTuple):
    """One epoch of a receiver.

    utc_ns              time of validity since 1970-01-01, leap seconds before not counted; integer, up to
                        year 9999
    latitude_rad        -pi/2..pi/2, geodetic WGS-84
    longitude_rad       any, wrapped; east positive
    altitude_msl_m      above mean sea level; saturates at -999.99 and 9999.99
    geoid_separation_m  mean sea level above the ellipsoid; saturates at +-999.9
    fix_quality         as in GGA: 0 none, 1 single, 2 differential, 4 RTK fixed, 5 RTK float, ... 8
    satellites          0..99
    hdop                saturates at 99.9
    speed_m_s           over ground; saturates at 999.999 knots
    course_rad          clockwise from north, any, wrapped; None (or NaN) while undefined
    vdop                vertical dilution (GSA); NaN: not said, nor PDOP, the root of the squares of both
    position_sigma_m    one sigma of east and of north as the receiver states it (GST); NaN: not said
    height_sigma_m      the same upwards
    corrections_age_s   age of the corrections in use, saturates at 0 and 99; said with quality 2, 4, 5 only
    station             identity of the station they come from, held within 0..1023
    leap_ms             when a leap second begins, as in ``wire.utc``; utc_ns counts on through it

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
    vdop: float = math.nan
    position_sigma_m: float = math.nan
    height_sigma_m: float = math.nan
    corrections_age_s: float = math.nan
    station: int = 0
    leap_ms: int = NO_LEAP_ms


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


def chosen(sentences: Collection[str]) -> int:
    """The sentences as bits for ``encode``: 1 for GGA, 2 for RMC, 4 ... in the order of SENTENCES."""
    return sum(1 << i for i, kind in enumerate(SENTENCES) if kind in sentences)


def longest_burst(sentences: Collection[str]) -> int:
    """Characters of a burst of these sentences with the largest values."""
    return sum(LONGEST[kind] for kind in sentences)


def burst_seconds(sentences: Collection[str], baud: int) -> float:
    """Longest time [s] a burst of these sentences takes on a serial line, ten bits a character (8N1)."""
    return longest_burst(sentences) * 10.0 / baud


def burst(fix: Fix, sentences: Collection[str] = SENTENCES[:3]) -> bytes:
    """One epoch as sent, in the order of SENTENCES. Fails: never for a Fix as described there."""
    out = np.empty(LONGEST_BURST, np.uint8)
    day, ms = day_and_time((fix.utc_ns + 500_000) // 1_000_000, fix.leap_ms)
    length = encode(
        out,
        day,
        ms,
        fix.latitude_rad,
        fix.longitude_rad,
        fix.altitude_msl_m,
        fix.geoid_separation_m,
        fix.fix_quality,
        fix.satellites,
        fix.hdop,
        fix.speed_m_s,
        math.nan if fix.course_rad is None else fix.course_rad,
        fix.vdop,
        fix.position_sigma_m,
        fix.height_sigma_m,
        fix.corrections_age_s,
        fix.station,
        chosen(sentences),
    )
    return out[:length].tobytes()


# Writing is compiled because it happens inside a tick of the loop: in Python one epoch took longer than the
# whole rest of the tick. Every piece takes the place to write at and returns the next.

_MODE_CODES = np.frombuffer(MODES.encode(), np.uint8)
_GGA, _RMC, _VTG, _GSA, _GST, _ZDA = (np.frombuffer(f"$GN{kind},".encode(), np.uint8) for kind in SENTENCES)
_GGA_EMPTY = np.frombuffer(b",,,,,0,", np.uint8)
_GGA_END_EMPTY = np.frombuffer(b",,,M,,M,,", np.uint8)
_RMC_EMPTY = np.frombuffer(b",V,,,,,,,", np.uint8)
_RMC_END_EMPTY = np.frombuffer(b",,,N", np.uint8)
_VTG_EMPTY = np.frombuffer(b",T,,M,,N,,K,N", np.uint8)
_GSA_EMPTY = np.frombuffer(b"A,1,,,,,,,,,,,,,,,", np.uint8)
_GSA_SOLVED = np.frombuffer(b"A,3,", np.uint8)
_GST_EMPTY = np.frombuffer(b",,,,,,,", np.uint8)
_ROUND = np.frombuffer(b",0.0,", np.uint8)
_LOCAL_ZONE = np.frombuffer(b",00,00", np.uint8)
_GSA_PLACES = 12
_ALTITUDE_UNIT = np.frombuffer(b",M,", np.uint8)
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
    """Time of day hhmmss.sss; what lies beyond 24 hours is second 60 of the last minute."""
    seconds = ms // 1000
    leap = seconds // 86400
    seconds -= leap
    n = _put_padded(out, n, seconds // 3600, 2)
    n = _put_padded(out, n, seconds // 60 % 60, 2)
    n = _put_padded(out, n, seconds % 60 + leap, 2)
    n = _put_char(out, n, _POINT)
    return _put_padded(out, n, ms % 1000, 3)


@jit
def _put_date(out: NDArray[np.uint8], n: int, day: int, long_form: bool) -> int:
    """ddmmyy, or dd,mm,yyyy, of a day since 1970-01-01; Gregorian, in eras of 400 years from March on."""
    shifted = day + 719468  # days from 0000-03-01
    era_day = shifted % 146097
    era_year = (era_day - era_day // 1460 + era_day // 36524 - era_day // 146096) // 365
    year_day = era_day - (365 * era_year + era_year // 4 - era_year // 100)
    month = (5 * year_day + 2) // 153
    year = shifted // 146097 * 400 + era_year + (1 if month >= 10 else 0)
    n = _put_padded(out, n, year_day - (153 * month + 2) // 5 + 1, 2)
    if long_form:
        n = _put_char(out, n, _COMMA)
    n = _put_padded(out, n, month + 3 if month < 10 else month - 9, 2)
    if long_form:
        n = _put_char(out, n, _COMMA)
        return _put_padded(out, n, year % 10000, 4)
    return _put_padded(out, n, year % 100, 2)


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
def _put_gga(
    out: NDArray[np.uint8],
    n: int,
    ms: int,
    latitude: float,
    longitude: float,
    altitude: float,
    separation: float,
    quality: int,
    in_use: int,
    hdop: float,
    age: float,
    station: int,
    shorter: int,
) -> int:
    """``quality`` 0: no fix; ``age`` NaN: no corrections; ``shorter`` 0..4: how much gives way."""
    start = n
    n = _put_text(out, n, _GGA)
    n = _put_time(out, n, ms)
    if quality > 0:
        if shorter > 0:
            while out[n - 1] == _ZERO and out[n - 2] != _POINT:
                n -= 1
        n = _put_char(out, n, _COMMA)
        n = _put_place(out, n, latitude, longitude)
        n = _put_char(out, n, _COMMA)
        n = _put_padded(out, n, quality, 1)
        n = _put_char(out, n, _COMMA)
        n = _put_padded(out, n, in_use, 2)
        n = _put_char(out, n, _COMMA)
        n = _put_dilution(out, n, hdop)
        n = _put_char(out, n, _COMMA)
        n = _put_decimal(out, n, _scaled(altitude, -999.99, 9999.99, 100.0), 2)
        n = _put_text(out, n, _ALTITUDE_UNIT)
        n = _put_decimal(out, n, _scaled(separation, -999.9, 999.9, 10.0), 1)
        n = _put_text(out, n, _ALTITUDE_UNIT)
        corrected = math.isfinite(age) and quality in (2, 4, 5)
        if corrected and shorter < 2:
            n = _put_decimal(out, n, _scaled(age, 0.0, 99.0, 10.0), 1)
        elif corrected and shorter < 4:
            whole = _scaled(age, 0.0, 99.0, 1.0)
            n = _put_padded(out, n, whole, 1 if whole < 10 else 2)
        n = _put_char(out, n, _COMMA)
        if corrected and shorter < 3:
            n = _put_padded(out, n, min(max(station, 0), 1023), 4)
    else:
        n = _put_text(out, n, _GGA_EMPTY)
        n = _put_padded(out, n, in_use, 2)
        n = _put_text(out, n, _GGA_END_EMPTY)
    return _closed(out, start, n)


@jit
def _put_rmc(
    out: NDArray[np.uint8],
    n: int,
    ms: int,
    day: int,
    latitude: float,
    longitude: float,
    quality: int,
    knots: float,
    course: float,
) -> int:
    start = n
    n = _put_text(out, n, _RMC)
    n = _put_time(out, n, ms)
    if quality > 0:
        n = _put_text(out, n, _VALID)
        n = _put_place(out, n, latitude, longitude)
        n = _put_char(out, n, _COMMA)
        n = _put_decimal(out, n, _scaled(knots, 0.0, 999.999, 1000.0), 3)
        n = _put_char(out, n, _COMMA)
        n = _put_course(out, n, course)
        n = _put_char(out, n, _COMMA)
        n = _put_date(out, n, day, False)
        n = _put_text(out, n, _NO_VARIATION)
        n = _put_char(out, n, _MODE_CODES[quality])
    else:
        n = _put_text(out, n, _RMC_EMPTY)
        n = _put_date(out, n, day, False)
        n = _put_text(out, n, _RMC_END_EMPTY)
    return _closed(out, start, n)


@jit
def _put_vtg(out: NDArray[np.uint8], n: int, quality: int, knots: float, course: float) -> int:
    start = n
    n = _put_text(out, n, _VTG)
    if quality > 0:
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


@jit
def _put_dilution(out: NDArray[np.uint8], n: int, dilution: float) -> int:
    """One decimal, nothing for NaN."""
    return n if math.isnan(dilution) else _put_decimal(out, n, _scaled(dilution, 0.0, 99.9, 10.0), 1)


@jit
def _put_sigma(out: NDArray[np.uint8], n: int, sigma: float) -> int:
    """Millimetres, nothing for NaN."""
    return n if math.isnan(sigma) else _put_decimal(out, n, _scaled(sigma, 0.0, 9999.999, 1000.0), 3)


@jit
def _put_gsa(out: NDArray[np.uint8], n: int, quality: int, in_use: int, hdop: float, vdop: float) -> int:
    start = n
    n = _put_text(out, n, _GSA)
    if quality > 0:
        n = _put_text(out, n, _GSA_SOLVED)
        for i in range(1, _GSA_PLACES + 1):
            if i <= in_use:
                n = _put_padded(out, n, i, 2)
            n = _put_char(out, n, _COMMA)
        n = _put_dilution(out, n, math.hypot(hdop, vdop) if math.isfinite(hdop * vdop) else math.nan)
        n = _put_char(out, n, _COMMA)
        n = _put_dilution(out, n, hdop)
        n = _put_char(out, n, _COMMA)
        n = _put_dilution(out, n, vdop)
    else:
        n = _put_text(out, n, _GSA_EMPTY)
    return _closed(out, start, n)


@jit
def _put_gst(
    out: NDArray[np.uint8], n: int, ms: int, quality: int, hdop: float, horizontal: float, vertical: float
) -> int:
    """A round error ellipse; the ranges' part is what the dilution makes sqrt(2) sigma of."""
    start = n
    n = _put_text(out, n, _GST)
    n = _put_time(out, n, ms)
    if quality > 0:
        n = _put_char(out, n, _COMMA)
        ranges = math.sqrt(2.0) * horizontal / hdop if hdop > 0.0 else math.nan
        n = _put_sigma(out, n, ranges)
        for _ in range(2):
            n = _put_char(out, n, _COMMA)
            n = _put_sigma(out, n, horizontal)
        n = _put_text(out, n, _ROUND)
        for _ in range(2):
            n = _put_sigma(out, n, horizontal)
            n = _put_char(out, n, _COMMA)
        n = _put_sigma(out, n, vertical)
    else:
        n = _put_text(out, n, _GST_EMPTY)
    return _closed(out, start, n)


@jit
def _put_zda(out: NDArray[np.uint8], n: int, ms: int, day: int) -> int:
    """The receiver's clock goes on without a fix."""
    start = n
    n = _put_text(out, n, _ZDA)
    n = _put_time(out, n, ms)
    n = _put_char(out, n, _COMMA)
    n = _put_date(out, n, day, True)
    n = _put_text(out, n, _LOCAL_ZONE)
    return _closed(out, start, n)


@jit
def encode(
    out: NDArray[np.uint8],
    day: int,
    ms: int,
    latitude: float,
    longitude: float,
    altitude: float,
    separation: float,
    quality: int,
    satellites: int,
    hdop: float,
    speed: float,
    course: float,
    vdop: float,
    position_sigma: float,
    height_sigma: float,
    age: float,
    station: int,
    wanted: int,
) -> int:
    """As in Fix (undefined course: NaN) into ``out`` (LONGEST_BURST,); returns the length of all.

    ``day`` and ``ms`` as ``wire.utc`` gives them; ``wanted`` are the sentences as :func:`chosen` gives them.
    """
    in_use = min(max(satellites, 0), 99)
    finite = math.isfinite(latitude) and math.isfinite(longitude) and math.isfinite(altitude)
    finite = finite and math.isfinite(separation) and math.isfinite(speed)
    kind = quality if finite and 0 < quality <= 8 else 0
    knots = min(abs(speed) / KNOT_m_s, 999.999)
    n = 0
    if wanted & 1:
        for shorter in range(5):
            n = _put_gga(
                out,
                0,
                ms,
                latitude,
                longitude,
                altitude,
                separation,
                kind,
                in_use,
                hdop,
                age,
                station,
                shorter,
            )
            if n <= LONGEST_SENTENCE:
                break
    if wanted & 2:
        n = _put_rmc(out, n, ms, day, latitude, longitude, kind, knots, course)
    if wanted & 4:
        n = _put_vtg(out, n, kind, knots, course)
    if wanted & 8:
        n = _put_gsa(out, n, kind, in_use, hdop, vdop)
    if wanted & 16:
        n = _put_gst(out, n, ms, kind, hdop, position_sigma, height_sigma)
    if wanted & 32:
        n = _put_zda(out, n, ms, day)
    return n
