"""Sentences against an independent parser, widely published examples, and the receiver's own round trip."""

from __future__ import annotations

import datetime
import math
import random
import re
from functools import reduce
from operator import xor

import pynmea2
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from emulator.shared_memory.layout import BURST_BYTES
from emulator.wire.nmea import (
    LONGEST,
    LONGEST_BURST,
    LONGEST_SENTENCE,
    SENTENCES,
    Fix,
    KNOT_m_s,
    burst,
    burst_seconds,
    checksum,
    chosen,
)
from emulator.wire.nmea_reading import Gga, Rmc, Vtg, parse
from emulator.wire.utc import NO_LEAP_ms

HALF_MICROMINUTE_rad = math.radians(0.5e-6 / 60) * 1.000001 + 1e-15

FIX = Fix(
    utc_ns=1_700_000_000_123_000_000,  # 2023-11-14 22:13:20.123 UTC, by definition of the epoch
    latitude_rad=math.radians(48.1173),
    longitude_rad=math.radians(-11.5166667),
    altitude_msl_m=545.4,
    geoid_separation_m=46.9,
    fix_quality=4,
    satellites=12,
    hdop=0.7,
    speed_m_s=23.1,
    course_rad=1.2,
)

fixes = st.builds(
    Fix,
    utc_ns=st.integers(946_684_800 * 10**9, 3_124_223_000 * 10**9),  # 2000 to 2068: strptime's pivot
    latitude_rad=st.floats(-math.pi / 2, math.pi / 2),
    longitude_rad=st.floats(-math.pi, math.pi),
    altitude_msl_m=st.floats(-999, 9999),
    geoid_separation_m=st.floats(-110, 90),
    fix_quality=st.integers(1, 6),
    satellites=st.integers(0, 99),
    hdop=st.floats(0.1, 99),
    speed_m_s=st.floats(0, 200),
    course_rad=st.none() | st.floats(-7, 7),
    corrections_age_s=st.just(math.nan) | st.floats(0, 99),
    station=st.integers(0, 1023),
    leap_ms=st.just(NO_LEAP_ms),
)


def three(fix: Fix) -> tuple[Gga, Rmc, Vtg]:
    gga, rmc, vtg = (parse(s) for s in burst(fix).splitlines(keepends=True))
    assert isinstance(gga, Gga)
    assert isinstance(rmc, Rmc)
    assert isinstance(vtg, Vtg)
    return gga, rmc, vtg


def sealed(body: str) -> bytes:
    """The body with $ and a checksum worked out here."""
    return f"${body}*{reduce(xor, body.encode(), 0):02X}".encode()


# --- writing --------------------------------------------------------------------------------------------


def test_the_sentences_letter_by_letter() -> None:
    # Our own example, worked out by hand; common practice for the layout, no source.
    assert [s.split(b"*")[0].decode() for s in burst(FIX).split(b"\r\n")[:3]] == [
        "$GNGGA,221320.123,4807.038000,N,01131.000002,W,4,12,0.7,545.40,M,46.9,M,,",
        "$GNRMC,221320.123,A,4807.038000,N,01131.000002,W,44.903,68.75,141123,,,R",
        "$GNVTG,68.75,T,,M,44.903,N,83.160,K,R",
    ]


@given(fix=fixes)
@example(fix=FIX._replace(latitude_rad=math.radians(59.99999999999)))
@example(fix=FIX._replace(utc_ns=1_703_980_799_999_700_000))  # rounds into the next day
def test_an_independent_parser_reads_the_same(fix: Fix) -> None:
    sentences = burst(fix).decode("ascii").split("\r\n")
    assert sentences.pop() == ""
    gga, rmc, vtg = (pynmea2.parse(s, check=True) for s in sentences)
    when = datetime.datetime.fromtimestamp(0, datetime.UTC) + datetime.timedelta(
        milliseconds=(fix.utc_ns + 500_000) // 1_000_000
    )
    for sentence in (gga, rmc):
        assert sentence.latitude == pytest.approx(math.degrees(fix.latitude_rad), abs=0.51e-6 / 60)
        assert sentence.longitude == pytest.approx(math.degrees(fix.longitude_rad), abs=0.51e-6 / 60)
        assert sentence.timestamp.replace(tzinfo=None) == when.time()
    assert rmc.datestamp == when.date()
    assert rmc.status == "A"
    assert gga.gps_qual == fix.fix_quality
    assert int(gga.num_sats) == fix.satellites
    assert float(gga.horizontal_dil) == pytest.approx(fix.hdop, abs=0.0501)
    assert gga.altitude == pytest.approx(fix.altitude_msl_m, abs=0.00501)
    assert float(gga.geo_sep) == pytest.approx(fix.geoid_separation_m, abs=0.0501)
    for knots in (rmc.spd_over_grnd, float(vtg.spd_over_grnd_kts)):
        assert knots * 1852 / 3600 == pytest.approx(fix.speed_m_s, abs=0.000501 * 1852 / 3600)
    assert float(vtg.spd_over_grnd_kmph) == pytest.approx(fix.speed_m_s * 3.6, abs=0.000501)
    for course_deg in (rmc.true_course, vtg.true_track):
        if fix.course_rad is None:
            assert course_deg is None
        else:
            assert 0 <= course_deg < 360
            assert abs(math.remainder(course_deg - math.degrees(fix.course_rad), 360)) <= 0.00501


@given(fix=fixes)
def test_round_trip(fix: Fix) -> None:
    gga, rmc, vtg = three(fix)
    rounded_ns = (fix.utc_ns + 500_000) // 1_000_000 * 1_000_000
    assert rmc.utc_ns == rounded_ns
    assert gga.time_of_day_ns == rounded_ns % (86400 * 10**9)
    assert rmc.valid
    for sentence in (gga, rmc):
        assert abs(sentence.latitude_rad - fix.latitude_rad) <= HALF_MICROMINUTE_rad
        assert abs(sentence.longitude_rad - fix.longitude_rad) <= HALF_MICROMINUTE_rad
    assert gga[3:5] == (fix.fix_quality, fix.satellites)
    assert abs(gga.altitude_msl_m - fix.altitude_msl_m) <= 0.00501
    assert rmc.mode == vtg.mode == {1: "A", 2: "D", 3: "P", 4: "R", 5: "F", 6: "E"}[fix.fix_quality]
    for course_rad in (rmc.course_rad, vtg.course_rad):
        if fix.course_rad is None:
            assert math.isnan(course_rad)
        else:
            assert abs(math.remainder(course_rad - fix.course_rad, math.tau)) <= math.radians(0.00501)


everything = st.floats(allow_nan=True, allow_infinity=True)


@settings(max_examples=300)
@given(
    fix=st.builds(
        Fix,
        utc_ns=st.integers(0, 253_402_300_799 * 10**9),  # to the end of year 9999
        latitude_rad=everything,
        longitude_rad=everything,
        altitude_msl_m=everything,
        geoid_separation_m=everything,
        fix_quality=st.integers(-3, 12),
        satellites=st.integers(-5, 500),
        hdop=everything,
        speed_m_s=everything,
        course_rad=st.none() | everything,
        corrections_age_s=everything,
        station=st.integers(-5, 99_999),
        leap_ms=st.integers(0, 2**62),
    )
)
@example(
    fix=FIX._replace(
        latitude_rad=-1.5, longitude_rad=-3.1, altitude_msl_m=-5e4, geoid_separation_m=-5e4, hdop=1e4,
        speed_m_s=1e4, course_rad=6.28, corrections_age_s=1e9, station=9999,
    )
)  # fmt: skip
@example(
    fix=FIX._replace(
        latitude_rad=-1.5, longitude_rad=-3.1, altitude_msl_m=-5e4, geoid_separation_m=-5e4, hdop=1e4,
        speed_m_s=1e4, course_rad=6.28,
    )
)  # fmt: skip
def test_whatever_comes_in_legal_sentences_go_out(fix: Fix) -> None:
    sent = burst(fix, SENTENCES)
    assert sent.isascii()
    sentences = sent.splitlines(keepends=True)
    assert [s[3:6].decode() for s in sentences] == list(SENTENCES)
    for sentence in sentences:
        assert sentence.endswith(b"\r\n")
        assert len(sentence) <= LONGEST_SENTENCE
        assert not {b"nan", b"inf", b"e+"} & {sentence[i : i + n].lower() for n in (2, 3) for i in range(80)}
        assert parse(sentence) is not None or sentence[3:6] in (b"GSA", b"GST", b"ZDA")
        assert pynmea2.parse(sentence.decode(), check=True).sentence_type == sentence[3:6].decode()


@pytest.mark.parametrize("degrees", [0.0, 0.99999999999, 47.999999999, 59.9999999999, 89.99999999999, 90.0])
def test_minutes_never_print_60(degrees: float) -> None:
    for sign in (1, -1):
        gga, rmc, _ = burst(
            FIX._replace(
                latitude_rad=math.radians(sign * degrees), longitude_rad=math.radians(2 * sign * degrees)
            )
        ).split(b"\r\n")[:3]
        for fields in (gga.split(b",")[2:5:2], rmc.split(b",")[3:6:2]):
            assert float(fields[0][2:]) < 60
            assert float(fields[1][3:]) < 60
            read = float(fields[0][:2]) + float(fields[0][2:]) / 60
            assert read == pytest.approx(degrees, abs=1e-8)


def test_seconds_never_print_60_and_the_date_follows() -> None:
    end_of_2023_ns = 1_704_067_200 * 10**9  # 2024-01-01 00:00:00 UTC
    before = burst(FIX._replace(utc_ns=end_of_2023_ns - 500_001)).split(b"\r\n")[1].split(b",")
    after = burst(FIX._replace(utc_ns=end_of_2023_ns - 499_999)).split(b"\r\n")[1].split(b",")
    assert (before[1], before[9]) == (b"235959.999", b"311223")
    assert (after[1], after[9]) == (b"000000.000", b"010124")


def test_without_a_fix_position_speed_and_course_are_empty() -> None:
    for fix in (
        FIX._replace(fix_quality=0),
        FIX._replace(latitude_rad=math.nan),
        FIX._replace(speed_m_s=math.inf),
        FIX._replace(fix_quality=9),
    ):
        gga, rmc, vtg = three(fix)
        assert (gga.fix_quality, rmc.valid, rmc.mode, vtg.mode) == (0, False, "N", "N")
        numbers = (gga.latitude_rad, gga.longitude_rad, gga.altitude_msl_m, gga.hdop, rmc.latitude_rad)
        assert all(map(math.isnan, (*numbers, rmc.longitude_rad, rmc.speed_m_s, *vtg[:2])))
        assert rmc.utc_ns == fix.utc_ns  # the receiver's clock goes on


def test_course_wraps_to_zero() -> None:
    for course_rad in (math.tau - 1e-7, -1e-7, 0.0, math.tau, 1e-7):
        assert burst(FIX._replace(course_rad=course_rad)).split(b"\r\n")[2].startswith(b"$GNVTG,0.00,T,")


@given(body=st.binary(max_size=300))
@example(body=bytes(range(256)) * 5 + b"x")
def test_checksum_is_the_xor_of_all_bytes(body: bytes) -> None:
    assert checksum(body) == reduce(xor, body, 0)


# --- all sentences --------------------------------------------------------------------------------------

FULL = FIX._replace(vdop=1.1, position_sigma_m=0.0141, height_sigma_m=0.0196)


def test_the_other_sentences_letter_by_letter() -> None:
    # Our own example, worked out by hand; common practice for the layout, no source. HDOP 0.7 and VDOP 1.1
    # make PDOP 1.304; sqrt(2) 14.1 mm over 0.7 is 28.5 mm of the ranges.
    assert [s.split(b"*")[0].decode() for s in burst(FULL, ("GSA", "GST", "ZDA")).split(b"\r\n")[:3]] == [
        "$GNGSA,A,3,01,02,03,04,05,06,07,08,09,10,11,12,1.3,0.7,1.1",
        "$GNGST,221320.123,0.028,0.014,0.014,0.0,0.014,0.014,0.020",
        "$GNZDA,221320.123,14,11,2023,00,00",
    ]


_SHORT_TIME = r"(?:[01]\d|2[0-3])[0-5]\d[0-5]\d\.\d{1,3}"
_TIME = r"(?:[01]\d|2[0-3])[0-5]\d[0-5]\d\.\d{3}"
_PLACE = (
    r"(?:[0-8]\d[0-5]\d\.\d{6}|9000\.0{6}),[NS],"
    r"(?:(?:0\d\d|1[0-7]\d)[0-5]\d\.\d{6}|18000\.0{6}),[EW]"
)
_COURSE = r"(?:(?:[12]?\d?\d|3[0-5]\d)\.\d\d)?"
_DOP = r"\d?\d\.\d"
_METRES = r"\d{1,4}\.\d{3}"
GRAMMAR = {
    "GGA": (
        rf"{_SHORT_TIME},{_PLACE},[1-8],\d\d,{_DOP},-?\d{{1,4}}\.\d\d,M,-?\d{{1,3}}\.\d,M,"
        r"(?:\d{1,2}(?:\.\d)?)?,(?:[01]\d{3})?"
    ),
    "RMC": rf"{_TIME},A,{_PLACE},\d{{1,3}}\.\d{{3}},{_COURSE},[0-3]\d[01]\d\d\d,,,[ADPRFEMS]",
    "VTG": rf"{_COURSE},T,,M,\d{{1,3}}\.\d{{3}},N,\d{{1,4}}\.\d{{3}},K,[ADPRFEMS]",
    "GSA": rf"A,3(?:,\d\d){{0,12}},*,{_DOP},{_DOP},{_DOP}",
    "GST": rf"{_TIME},{_METRES},{_METRES},{_METRES},0\.0,{_METRES},{_METRES},{_METRES}",
    "ZDA": rf"{_TIME},[0-3]\d,[01]\d,\d{{4}},00,00",
}
"""The second reader: what the fields may look like, written down apart from the writer (from memory)."""
CORRECTED = (2, 4, 5)
FIELDS = {"GGA": 14, "RMC": 12, "VTG": 9, "GSA": 17, "GST": 8, "ZDA": 6}


def strictly(sentence: bytes) -> tuple[str, list[str]]:
    """Type and fields of a sentence after framing, checksum and grammar."""
    framed = re.fullmatch(rb"\$GN([A-Z]{3}),([^*$]*)\*([0-9A-F]{2})\r\n", sentence)
    assert framed is not None, sentence
    assert reduce(xor, sentence[1 : sentence.index(b"*")], 0) == int(framed[3], 16)
    kind, body = framed[1].decode(), framed[2].decode()
    assert len(body.split(",")) == FIELDS[kind]
    return kind, body.split(",")


full_fixes = st.builds(
    lambda fix, *more: fix._replace(vdop=more[0], position_sigma_m=more[1], height_sigma_m=more[2]),
    fixes,
    st.floats(0.1, 99),
    st.floats(0, 9999),
    st.floats(0, 9999),
)


@example(fix=FULL._replace(latitude_rad=-math.pi / 2, longitude_rad=math.pi), sentences={"GGA", "RMC"})
@given(fix=full_fixes, sentences=st.sets(st.sampled_from(SENTENCES), min_size=1))
def test_two_parsers_read_every_choice_of_sentences(fix: Fix, sentences: set[str]) -> None:
    sent = burst(fix, sentences).splitlines(keepends=True)
    assert [s[3:6].decode() for s in sent] == [kind for kind in SENTENCES if kind in sentences]
    millis = datetime.timedelta(milliseconds=(fix.utc_ns + 500_000) // 1_000_000)
    when = datetime.datetime.fromtimestamp(0, datetime.UTC) + millis
    clock = when.strftime("%H%M%S.") + f"{when.microsecond // 1000:03d}"
    for sentence in sent:
        kind, fields = strictly(sentence)
        assert re.fullmatch(GRAMMAR[kind], ",".join(fields), re.ASCII), sentence
        theirs = pynmea2.parse(sentence.decode(), check=True)
        assert theirs.sentence_type == kind
        assert theirs.talker == "GN"
        assert len(sentence) <= LONGEST[kind] <= LONGEST_SENTENCE
        if kind in ("GGA", "RMC", "GST", "ZDA"):
            assert fields[0] == clock[: len(fields[0])]
            assert not clock[len(fields[0]) :].strip("0")
            assert len(fields[0]) == 10 or (kind == "GGA" and fix.fix_quality in CORRECTED)
            assert theirs.timestamp.replace(tzinfo=None) == when.time()
        if kind == "GSA":
            used = min(fix.satellites, 12)
            assert fields[2:14] == [f"{i:02d}" if i <= used else "" for i in range(1, 13)]
            assert [theirs.pdop, theirs.hdop, theirs.vdop] == fields[14:17]
            assert float(theirs.hdop) == pytest.approx(fix.hdop, abs=0.0501)
            assert float(theirs.vdop) == pytest.approx(fix.vdop, abs=0.0501)
            pdop = min(99.9, math.sqrt(fix.hdop**2 + fix.vdop**2))
            assert float(theirs.pdop) == pytest.approx(pdop, abs=0.0501)
        elif kind == "GST":
            horizontal = (theirs.std_dev_major, theirs.std_dev_minor, theirs.std_dev_latitude)
            for value in (*horizontal, theirs.std_dev_longitude):
                assert float(value) == pytest.approx(fix.position_sigma_m, abs=0.000501)
            assert float(theirs.std_dev_altitude) == pytest.approx(fix.height_sigma_m, abs=0.000501)
            assert float(fields[1]) == pytest.approx(
                min(9999.999, fix.position_sigma_m * math.sqrt(2) / fix.hdop), abs=0.000501
            )
        elif kind == "ZDA":
            assert (theirs.year, theirs.month, theirs.day) == (when.year, when.month, when.day)


def test_without_a_fix_the_clock_goes_on_and_the_rest_is_empty() -> None:
    gsa, gst, zda = (
        strictly(s)[1]
        for s in burst(FULL._replace(fix_quality=0), ("GSA", "GST", "ZDA")).splitlines(keepends=True)
    )
    assert gsa == ["A", "1", *15 * [""]]
    assert gst == ["221320.123", *7 * [""]]
    assert zda == ["221320.123", "14", "11", "2023", "00", "00"]


def test_what_is_not_said_is_an_empty_field() -> None:
    gsa, gst = (strictly(s)[1] for s in burst(FIX, ("GSA", "GST")).splitlines(keepends=True))
    assert gsa[14:] == ["", "0.7", ""]
    assert gst == ["221320.123", "", "", "", "0.0", "", "", ""]


def test_corrections_are_said_with_a_fix_that_uses_them_and_position_and_altitude_keep_their_digits() -> None:
    # Worked out by hand: 87 characters in full, so the tenths' zeros, then the age's decimal give way.
    demo = FIX._replace(
        utc_ns=1_700_000_000_100_000_000, altitude_msl_m=245.4, corrections_age_s=0.6, station=7
    )
    sent = {q: burst(demo._replace(fix_quality=q), ("GGA",)).split(b"*")[0].decode() for q in range(7)}
    place = "4807.038000,N,01131.000002,W"
    assert sent[4] == f"$GNGGA,221320.1,{place},4,12,0.7,245.40,M,46.9,M,1,0007"
    for quality in (1, 3, 6):
        assert sent[quality] == f"$GNGGA,221320.100,{place},{quality},12,0.7,245.40,M,46.9,M,,"
    assert sent[0] == "$GNGGA,221320.100,,,,,0,12,,,M,,M,,"
    assert {sent[q].split(",", 7)[7] for q in CORRECTED} == {"12,0.7,245.40,M,46.9,M,1,0007"}
    for shorter, rest in (
        ({"altitude_msl_m": 5.4, "geoid_separation_m": 6.9}, "221320.100|5.40,M,6.9,M,0.6,0007"),
        ({"utc_ns": 1_700_000_000_123_000_000}, "221320.123|245.40,M,46.9,M,1,"),
        ({"altitude_msl_m": -1e4, "geoid_separation_m": -1e4, "hdop": 1e4}, "221320.1|-999.99,M,-999.9,M,1,"),
    ):
        fields = burst(demo._replace(**shorter), ("GGA",)).split(b"*")[0].decode().split(",")
        assert f"{fields[1]}|{','.join(fields[9:])}" == rest


@given(fix=fixes)
def test_age_and_station_come_back_where_there_was_room(fix: Fix) -> None:
    sentence = burst(fix, ("GGA",))
    theirs, ours = pynmea2.parse(sentence.decode(), check=True), parse(sentence)
    assert isinstance(ours, Gga)
    if fix.fix_quality not in CORRECTED or math.isnan(fix.corrections_age_s):
        assert (theirs.age_gps_data, theirs.ref_station_id) == ("", "")
        assert (math.isnan(ours.corrections_age_s), ours.station) == (True, None)
        return
    if theirs.ref_station_id:
        assert int(theirs.ref_station_id) == ours.station == fix.station
    if theirs.age_gps_data:
        assert float(theirs.age_gps_data) == ours.corrections_age_s
        assert abs(ours.corrections_age_s - fix.corrections_age_s) <= 0.500001
    else:
        assert len(sentence) > LONGEST_SENTENCE - 2  # another character of it would not fit


# --- a leap second --------------------------------------------------------------------------------------

# 2016 ended with one (IERS Bulletin C 52, from memory)
LEAP_ms = 1_483_228_800_000


@pytest.mark.parametrize(
    ("after_ms", "said"),
    [
        (-1, ("235959.999", "311216", "31,12,2016")),
        (0, ("235960.000", "311216", "31,12,2016")),
        (999, ("235960.999", "311216", "31,12,2016")),
        (1000, ("000000.000", "010117", "01,01,2017")),
        (1999, ("000000.999", "010117", "01,01,2017")),
        (86_401_000, ("000000.000", "020117", "02,01,2017")),
    ],
)
def test_a_leap_second_is_second_60_of_the_last_minute(after_ms: int, said: tuple[str, str, str]) -> None:
    fix = FIX._replace(utc_ns=(LEAP_ms + after_ms) * 1_000_000, leap_ms=LEAP_ms)
    sent = burst(fix, SENTENCES).splitlines(keepends=True)
    fields = dict(map(strictly, sent))
    assert (fields["RMC"][0], fields["RMC"][8], ",".join(fields["ZDA"][1:4])) == said
    assert fields["GGA"][0] == fields["GST"][0] == fields["ZDA"][0] == said[0]
    for sentence in sent:
        assert pynmea2.parse(sentence.decode(), check=True).sentence_type == sentence[3:6].decode()
    rmc, gga = parse(sent[1]), parse(sent[0])
    assert isinstance(rmc, Rmc)
    assert isinstance(gga, Gga)
    back_ms = after_ms if after_ms < 1000 else after_ms - 1000
    assert rmc.utc_ns == (LEAP_ms + back_ms) * 1_000_000
    of_day_ms = 86_400_000 + after_ms if after_ms < 1000 else back_ms % 86_400_000
    assert gga.time_of_day_ns == of_day_ms * 1_000_000


def test_second_60_is_read_in_the_last_minute_of_a_day_only() -> None:
    assert parse(sealed(GGA.replace("123519", "235960"))) is not None
    assert parse(sealed(GGA.replace("123519", "235960.999"))) is not None
    for time in ("225960", "235860", "235961", "123560"):
        assert parse(sealed(GGA.replace("123519", time))) is None


@pytest.mark.parametrize("station", ["1024", "9999", "12", "00001", "A"])
def test_no_other_station_than_0_to_1023_is_read(station: str) -> None:
    assert parse(sealed(GGA.removesuffix(",") + ",1023")) is not None
    assert parse(sealed(GGA.removesuffix(",") + f",{station}")) is None


def test_the_longest_sentences_are_as_long_as_said_and_fit_the_standard() -> None:
    longest = Fix(
        utc_ns=1_700_000_000_123_000_000, latitude_rad=-1.2, longitude_rad=-3.0, altitude_msl_m=1e6,
        geoid_separation_m=-1e6, fix_quality=4, satellites=99, hdop=1e9, speed_m_s=1e6, course_rad=6.2,
        vdop=1e9, position_sigma_m=1e9, height_sigma_m=1e9,
    )  # fmt: skip
    lengths = {kind: len(burst(longest, (kind,))) for kind in SENTENCES}
    lengths["GST"] = len(burst(longest._replace(hdop=0.1), ("GST",)))
    assert lengths == LONGEST
    assert max(LONGEST.values()) <= LONGEST_SENTENCE
    assert sum(LONGEST.values()) <= LONGEST_BURST <= BURST_BYTES  # one burst, one record of the snapshot


def test_a_burst_takes_ten_bits_a_character() -> None:
    assert burst_seconds(("GGA", "RMC"), 9600) == pytest.approx((82 + 79) * 10 / 9600)
    assert burst_seconds(SENTENCES, 115_200) == pytest.approx(0.034028, abs=1e-6)  # 392 characters


def test_the_choice_as_bits() -> None:
    assert [chosen((kind,)) for kind in SENTENCES] == [1, 2, 4, 8, 16, 32]
    assert chosen(["ZDA", "GGA"]) == 33


@pytest.mark.parametrize(
    ("moment", "after"),
    [
        ("2027-02-28T23:59:59.999", ("000000.000", "010327", "01,03,2027")),
        ("2028-02-28T23:59:59.999", ("000000.000", "290228", "29,02,2028")),  # leap year
        ("2028-12-31T23:59:59.999", ("000000.000", "010129", "01,01,2029")),
        # 2016 ended with a leap second (IERS Bulletin C 52, from memory): a POSIX clock has none
        ("2016-12-31T23:59:59.999", ("000000.000", "010117", "01,01,2017")),
        ("1981-01-01T00:00:00.000", ("000000.001", "010181", "01,01,1981")),
        ("2078-12-31T23:59:59.998", ("235959.999", "311278", "31,12,2078")),
    ],
)
def test_a_millisecond_later_over_the_end_of_a_day(moment: str, after: tuple[str, str, str]) -> None:
    start = datetime.datetime.fromisoformat(moment + "+00:00")
    since = start - datetime.datetime(1970, 1, 1, tzinfo=datetime.UTC)
    utc_ns = since // datetime.timedelta(milliseconds=1) * 1_000_000 + 1_000_000
    rmc, zda = (
        strictly(s)[1] for s in burst(FIX._replace(utc_ns=utc_ns), ("RMC", "ZDA")).splitlines(keepends=True)
    )
    assert (rmc[0], rmc[8], ",".join(zda[1:4])) == after
    assert zda[0] == after[0]


# --- reading --------------------------------------------------------------------------------------------


def test_published_examples() -> None:
    # Sentences in wide public circulation; the third is the example of the pynmea2 documentation.
    gga = parse(b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47")
    assert isinstance(gga, Gga)
    assert gga.time_of_day_ns == (12 * 3600 + 35 * 60 + 19) * 10**9
    assert math.degrees(gga.latitude_rad) == pytest.approx(48.1173, abs=5e-8)
    assert math.degrees(gga.longitude_rad) == pytest.approx(11.5166667, abs=5e-8)
    assert gga[3:8] == (1, 8, 0.9, 545.4, 46.9)
    assert math.isnan(gga.corrections_age_s)
    assert gga.station is None

    rmc = parse(b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A")
    assert isinstance(rmc, Rmc)
    assert rmc.utc_ns == datetime.datetime(1994, 3, 23, 12, 35, 19, tzinfo=datetime.UTC).timestamp() * 1e9
    assert rmc.valid
    assert rmc.speed_m_s == pytest.approx(11.523556, abs=5e-7)
    assert math.degrees(rmc.course_rad) == pytest.approx(84.4)
    assert rmc.mode == ""

    gga = parse(b"$GPGGA,184353.07,1929.045,S,02410.506,E,1,04,2.6,100.00,M,-33.9,M,,0000*6D\r\n")
    assert isinstance(gga, Gga)
    assert gga.time_of_day_ns == (18 * 3600 + 43 * 60 + 53) * 10**9 + 70_000_000
    assert math.degrees(gga.latitude_rad) == pytest.approx(-19.4840833, abs=5e-8)
    assert math.degrees(gga.longitude_rad) == pytest.approx(24.1751, abs=5e-8)
    assert gga.geoid_separation_m == -33.9
    assert gga.station == 0

    vtg = parse(b"$GPVTG,054.7,T,034.4,M,005.5,N,010.2,K*48")
    assert isinstance(vtg, Vtg)
    assert math.degrees(vtg.course_rad) == pytest.approx(54.7)
    assert vtg.speed_m_s == 5.5 * KNOT_m_s


@pytest.mark.parametrize("text", [
    "$GPGSA,A,3,04,05,,09,12,,,24,,,,,2.5,1.3,2.1*39",
    "$GPGLL,4916.45,N,12311.12,W,225444,A,*1D",
    "$GPZDA,201530.00,04,07,2002,00,00*60",
])  # fmt: skip
def test_other_sentence_types_are_none(text: str) -> None:
    # In wide public circulation; sound, but not ours to read.
    body, check = text[1:].split("*")
    assert checksum(body.encode()) == int(check, 16)
    assert parse(text.encode()) is None


GGA = "GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"
RMC = "GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,,,A"
VTG = "GPVTG,054.7,T,,M,005.5,N,010.2,K,A"


@pytest.mark.parametrize("body", [GGA, RMC, VTG])
def test_the_bodies_that_are_broken_below_are_sound(body: str) -> None:
    assert parse(sealed(body)) is not None
    assert parse(sealed(body) + b"\r\n") is not None


@pytest.mark.parametrize(
    ("body", "sound", "broken"),
    [
        (GGA, "123519", "245959"),
        (GGA, "123519", "126000"),
        (GGA, "123519", "123560"),
        (GGA, "123519", "12351"),
        (GGA, "123519", "1235190"),
        (GGA, "4807.038", "4860.000"),
        (GGA, "4807.038", "9000.001"),
        (GGA, "4807.038", "807.038"),
        (GGA, "4807.038", "48.1173"),
        (GGA, "4807.038", "4807.038.1"),
        (GGA, "4807.038", ""),
        (GGA, ",N,", ",,"),
        (GGA, ",N,", ",E,"),
        (GGA, ",N,", ",NS,"),
        (GGA, "01131.000", "18000.001"),
        (GGA, ",1,08", ",,08"),
        (GGA, ",1,08", ",9,08"),
        (GGA, ",1,08", ",1,-8"),
        (GGA, ",1,08", ",1,123"),
        (GGA, "0.9", "nan"),
        (GGA, "0.9", "1e3"),
        (GGA, "0.9", " 0.9"),
        (GGA, "0.9", "-0.9"),
        (GGA, "545.4", "+545.4"),
        (GGA, "545.4", "inf"),
        (GGA, "545.4", "5_4"),
        (GGA, "545.4,M", "545.4,F"),
        (GGA, "545.4,M", "545.4,"),
        (GGA, "M,,", "M,"),
        (GGA, "M,,", "M,,,"),
        (RMC, ",A,4807", ",B,4807"),
        (RMC, ",A,4807", ",,4807"),
        (RMC, "022.4", "-22.4"),
        (RMC, "084.4", "360.1"),
        (RMC, "230394", "300294"),
        (RMC, "230394", "231394"),
        (RMC, "230394", "000094"),
        (RMC, "230394", "2303"),
        (RMC, ",,,A", ",x,,A"),
        (RMC, ",,,A", ",,x,A"),
        (RMC, ",,,A", ",,,Q"),
        (RMC, ",,,A", ",,,A,V,"),
        (VTG, ",T,", ",M,"),
        (VTG, ",T,", ",,"),
        (VTG, ",K,A", ",K,A,"),
        (VTG, ",K,A", ""),
        (VTG, "010.2", "ten"),
        (VTG, "GPVTG", "GPVT"),
        (VTG, "GPVTG", "gpVTG"),
        (VTG, "GPVTG", "PVTG"),
    ],
)
def test_malformed_sentences_with_a_right_checksum_are_none(body: str, sound: str, broken: str) -> None:
    assert sound in body
    assert parse(sealed(body.replace(sound, broken, 1))) is None


def test_framing_is_strict() -> None:
    whole = sealed(VTG.replace("010.2", "010.7"))
    assert parse(whole) is not None
    assert whole[-2:].lower() != whole[-2:]  # so that its small letters can be refused below
    for broken in (
        whole[1:], whole[:-1], whole[:-3], whole + b"\n", whole + b"\r", whole + b"\r\n\r\n", b" " + whole,
        whole.lower(), whole + whole, whole.replace(b"T", b"\xff"), whole.replace(b"$", b"$$"), b"", b"$*00",
        whole[:-2] + b"%02x" % int(whole[-2:], 16),
        sealed(GGA.replace("545.4", "545.400000000001").replace("0.9", "0.900000000")),  # longer than 82
    ):  # fmt: skip
        assert parse(broken) is None, broken


def test_every_single_changed_bit_is_noticed() -> None:
    for sentence in burst(FIX).split(b"\r\n")[:3]:
        for bit in range(8 * len(sentence)):
            changed = bytearray(sentence)
            changed[bit // 8] ^= 1 << bit % 8
            assert parse(bytes(changed)) is None, bytes(changed)


def mutated(dice: random.Random, sentence: bytes) -> bytes:
    """A sentence with bytes changed, cut out or put in; half of them with the checksum made right again."""
    body = bytearray(sentence[1:-3])
    for _ in range(dice.randrange(1, 4)):
        at, kind = dice.randrange(len(body)), dice.randrange(4)
        if kind == 0:
            body[at] = dice.choice(b"0123456789.,-NSEWAVM*\x00\xff")
        elif kind == 1:
            del body[at : at + dice.randrange(1, 4)]
        elif kind == 2:
            body[at:at] = dice.choice((b",", b"-", b".", b"9", b"$", b"1e9", b"nan", b"\r\n"))
        else:  # a field left empty
            fields = bytes(body).split(b",")
            fields[dice.randrange(1, len(fields))] = b""
            body[:] = b",".join(fields)
        if len(body) < 8:
            break
    end = checksum(bytes(body)) if dice.random() < 0.5 else dice.randrange(256)
    return b"$%b*%02X" % (bytes(body), end)


@pytest.mark.slow
def test_a_hundred_thousand_mutated_sentences_are_none_or_say_what_can_be() -> None:
    dice = random.Random(20_270_504)
    sound = [s for s in burst(FIX).split(b"\r\n") if s[3:6] in (b"GGA", b"RMC", b"VTG")]
    read = 0
    for _ in range(100_000):
        said = parse(mutated(dice, dice.choice(sound)))
        read += said is not None
        if isinstance(said, Gga | Rmc):
            assert not abs(said.latitude_rad) > math.pi / 2, said  # NaN is an empty field
            assert not abs(said.longitude_rad) > math.pi, said
        if isinstance(said, Rmc | Vtg):
            assert not said.speed_m_s < 0.0, said
            assert math.isnan(said.course_rad) or 0.0 <= said.course_rad <= 2.0 * math.pi, said
        if isinstance(said, Gga):
            assert 0 <= said.fix_quality <= 8, said
            assert not math.isinf(said.altitude_msl_m), said
    assert 5_000 < read < 60_000  # both sides were tried


@settings(max_examples=300)
@given(
    noise=st.binary(max_size=90)
    | st.text(st.sampled_from("0123456789.,-NSEWAMTK*"), max_size=70).map(lambda t: sealed("GNGGA," + t))
    | st.lists(st.sampled_from(GGA.split(",") + RMC.split(",")), min_size=9, max_size=14).map(
        lambda fields: sealed("GNRMC," + ",".join(fields))
    )
)
def test_noise_raises_nothing(noise: bytes) -> None:
    read = parse(noise)
    assert read is None or isinstance(read, Gga | Rmc | Vtg)
