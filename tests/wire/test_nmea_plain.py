"""What the compiled reader reads is to the bit what the one in Python reads, whatever the bytes are."""

from __future__ import annotations

import math
from datetime import date

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from emulator.wire.nmea import burst
from emulator.wire.nmea_reading import (
    ALTITUDE,
    COURSE,
    GGA,
    LATITUDE,
    LONGITUDE,
    OTHER,
    QUALITY,
    RMC,
    SEPARATION,
    SPEED,
    Gga,
    Rmc,
    UTC_ns,
    parse,
    read_plain,
)
from tests.wire.test_nmea import FIX, fixes, sealed


def read(sentence: bytes) -> tuple[int, list[float], list[int]]:
    numbers, whole = np.full(6, -1.0), np.full(2, -1)
    text = np.frombuffer(b"??" + sentence, np.uint8)
    kind = read_plain(text, 2, len(text), numbers, whole)
    return kind, numbers.tolist(), whole.tolist()


def agree(sentence: bytes) -> int:
    """Which sentence is read; what is read has to be what ``parse`` says."""
    kind, numbers, whole = read(sentence)
    said = parse(sentence)
    if kind == GGA:
        assert isinstance(said, Gga)
        assert said.time_of_day_ns is not None
        assert whole[QUALITY] == said.fix_quality
        read_so = [numbers[k] for k in (LATITUDE, LONGITUDE, ALTITUDE, SEPARATION)]
        # by their digits, which tell -0.0 from 0.0
        assert repr(read_so) == repr(
            [said.latitude_rad, said.longitude_rad, said.altitude_msl_m, said.geoid_separation_m]
        )
    elif kind == RMC:
        assert isinstance(said, Rmc)
        assert said.valid
        assert whole[UTC_ns] == said.utc_ns
        assert repr([numbers[SPEED], numbers[COURSE]]) == repr([said.speed_m_s, said.course_rad])
    return kind


@given(fix=fixes)
@example(fix=FIX._replace(latitude_rad=0.0, longitude_rad=math.pi, course_rad=None))
@example(fix=FIX._replace(corrections_age_s=98.96, station=1023))
@example(fix=FIX._replace(altitude_msl_m=-0.004, geoid_separation_m=-0.04))
def test_every_fix_that_is_sent_is_read(fix) -> None:
    assert [agree(s) for s in burst(fix).splitlines(keepends=True)] == [GGA, RMC, OTHER]


@given(fix=fixes, change=st.data())
def test_a_changed_sentence_is_read_alike_or_not_at_all(fix, change) -> None:
    """Bytes put in place of others, cut out or put in, with the right checksum: fields of all kinds."""
    for sentence in burst(fix).splitlines(keepends=True)[:2]:
        body = bytearray(sentence[1:-5])
        for _ in range(change.draw(st.integers(1, 3))):
            at = change.draw(st.integers(0, len(body) - 1))
            there = change.draw(st.integers(0, 1))
            put = change.draw(
                st.binary(max_size=2) | st.text("0123456789.,-*NSEWAVM", max_size=2).map(str.encode)
            )
            body[at : at + there] = put.replace(b"\n", b"")
        agree(sealed(body.decode("latin-1")).replace(b"\n", b"") + b"\r\n") if body.isascii() else None


@pytest.mark.parametrize(
    "body",
    [
        "GPGGA,120000,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,",
        "GNGGA,235959.999999999,0000.0,S,00000.0,W,8,,,-0.0,M,0,M,9.9,0000",
        "GNGGA,000000.5,9000.000,N,18000.000,E,4,9,,1,M,-1.25,M,3,1023",
        "GPRMC,225446,A,4916.45,N,12311.12,W,000.5,054.7,290280,,,D",
        "GPRMC,225446,A,4916.45,N,12311.12,W,000.5,360.0,310179,,,A",
        "GPRMC,225446.123456789,A,4916.45,N,12311.12,W,0,,010100,,,N",
    ],
)
def test_other_usual_forms_are_read(body: str) -> None:
    assert agree(sealed(body) + b"\r\n") in (GGA, RMC)


@pytest.mark.parametrize(
    "body",
    [
        "GNGGA,235960,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,",  # a leap second
        "GNGGA,120000,,,,,0,00,,,M,,M,,",  # no fix
        "GNGGA,120000,4807.038,N,01131.000,E,9,08,0.9,545.4,M,46.9,M,,",
        "GNGGA,120000,9000.001,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,",
        "GNGGA,120000,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,1024",
        "GNRMC,120000,V,4916.45,N,12311.12,W,000.5,054.7,191194,,,A",
        "GNRMC,120000,A,4916.45,N,12311.12,W,000.5,360.1,191194,,,A",
        "GNRMC,120000,A,4916.45,N,12311.12,W,000.5,054.7,300201,,,A",
        "GNRMC,120000,A,4916.45,N,12311.12,W,000.5,054.7,290201,,,A",
        "GNRMC,120000,A,4916.45,N,12311.12,W,000.5,054.7,311101,,,A",
        "GNRMC,120000,A,4916.45,N,12311.12,W,000.5,054.7,191194,020.3,E",
        "GNVTG,68.75,T,,M,44.903,N,83.160,K,R",
    ],
)
def test_the_rest_is_left_to_python(body: str) -> None:
    assert read(sealed(body) + b"\r\n")[0] == OTHER


def test_a_number_of_more_digits_than_are_exact_is_left_to_python() -> None:
    """123456789123456789012 is beyond 2^53: it would be rounded twice."""
    sentence = sealed("GNGGA,120000,4807.0,N,01131.0,E,1,8,,123456789.123456789012,M,46.9,M,,") + b"\r\n"
    assert isinstance(parse(sentence), Gga)
    assert read(sentence)[0] == OTHER
    fewer = sealed("GNGGA,120000,4807.0,N,01131.0,E,1,8,,123456789.1234,M,46.9,M,,") + b"\r\n"
    assert agree(fewer) == GGA


def test_a_wrong_checksum_or_end_is_not_read() -> None:
    good = burst(FIX).splitlines(keepends=True)[0]
    assert read(good)[0] == GGA
    assert read(good.replace(b"*", b"*0"))[0] == OTHER
    assert read(good[:-4] + bytes([good[-4] ^ 1]) + good[-3:])[0] == OTHER
    assert read(good[:-2] + b"\n")[0] == OTHER


@given(day=st.dates(min_value=date(1980, 1, 1), max_value=date(2079, 12, 31)))
def test_days_are_the_calendars(day) -> None:
    sentence = sealed(f"GPRMC,000000,A,4916.45,N,12311.12,W,1,1,{day:%d%m%y},,,A") + b"\r\n"
    assert agree(sentence) == RMC
