"""The receiver's sentences: what is in the epoch is what a parser of its own reads from them."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import numpy as np
import pynmea2
import pytest
from scipy.stats import chi2, norm

from emulator.core.random_streams import stream_start
from emulator.core.signals import (
    OUTPUT_VALUES,
    V_GNSS_COURSE,
    V_GNSS_FIX,
    V_GNSS_IN_USE,
    V_GNSS_SATELLITES,
    V_GNSS_SPEED,
    V_GNSS_X,
    V_GNSS_Y,
    V_GNSS_Z,
)
from emulator.events.table import EVENT_DTYPE
from emulator.plant.gnss_receiver import ReceiverConfig, sentences
from emulator.plant.outputs import N_SENSES, S_ANTENNA, S_ANTENNA_VELOCITY, STREAM_NAMES, measure_gnss
from emulator.plant.records import RIG_DTYPE, RUN_DTYPE
from emulator.sensors.gnss import Accuracy, reported_sigma
from emulator.sensors.gnss_fix import QUALITY_OF_RANK, RANKS
from emulator.wire.geodesy import Origin
from emulator.wire.nmea import LONGEST_BURST, SENTENCES, chosen
from emulator.wire.nmea_reading import Gga, parse
from emulator.wire.utc import NO_LEAP_ms

ORIGIN = Origin(0.6, -1.1, 210.0)
UTC_NS = round(datetime(2031, 5, 4, 11, 59, 58, 700_000, UTC).timestamp() * 1000) * 1_000_000


SIGMA_m = np.array([[10.0 * quality + 1.0, 10.0 * quality + 2.0] for quality in range(6)])
SAID = ReceiverConfig(14, 0.8, 1.2, SIGMA_m, 7, 0.0, 0.5, 3, NO_LEAP_ms)


def said_in(epoch: np.ndarray, utc_ns: int, said: ReceiverConfig) -> bytes:
    out = np.zeros(LONGEST_BURST, np.uint8)
    return out[: sentences(epoch, utc_ns, ORIGIN.frame, said, out)].tobytes()


def epoch_of(**values: float) -> np.ndarray:
    epoch = np.zeros(V_GNSS_COURSE + 9)
    given = {"x": 120.0, "y": -45.0, "z": 2.5, "fix": 4.0, "speed": 33.0, "course": 2.0} | values
    given = {"in_use": given["fix"], "satellites": 14.0} | given
    for name, index in (
        ("x", V_GNSS_X),
        ("y", V_GNSS_Y),
        ("z", V_GNSS_Z),
        ("fix", V_GNSS_FIX),
        ("speed", V_GNSS_SPEED),
        ("course", V_GNSS_COURSE),
        ("in_use", V_GNSS_IN_USE),
        ("satellites", V_GNSS_SATELLITES),
    ):
        epoch[index] = given[name]
    return epoch


def lines(
    sentences_said: tuple[str, ...] = ("GGA", "RMC", "VTG"), **values: float
) -> list[pynmea2.NMEASentence]:
    said = SAID._replace(sentences=chosen(sentences_said))
    sent = said_in(epoch_of(**values), UTC_NS, said)
    return [pynmea2.parse(line) for line in sent.decode().splitlines()]


def test_position_time_and_motion_are_those_of_the_epoch() -> None:
    gga, rmc, vtg = lines()
    east, north, up = ORIGIN.geodetic_to_enu(
        math.radians(gga.latitude), math.radians(gga.longitude), float(gga.altitude)
    )
    # six decimals of a minute are 1.9 mm, altitude in centimetres
    assert (east, north) == (pytest.approx(120.0, abs=2e-3), pytest.approx(-45.0, abs=2e-3))
    assert up == pytest.approx(2.5, abs=6e-3)
    assert (gga.gps_qual, int(gga.num_sats), float(gga.horizontal_dil)) == (4, 14, 0.8)
    assert rmc.datetime == datetime(2031, 5, 4, 11, 59, 58, 700_000, UTC)
    assert float(rmc.spd_over_grnd) * 1852.0 / 3600.0 == pytest.approx(33.0, abs=3e-4)
    assert float(vtg.true_track) == pytest.approx(math.degrees(2.0), abs=0.006)


@pytest.mark.parametrize("lost", ["x", "y", "fix"])
def test_a_lost_position_or_quality_is_no_fix(lost: str) -> None:
    gga, rmc, _ = lines(**{"in_use": 4.0, lost: math.nan})
    assert (gga.gps_qual, int(gga.num_sats), rmc.status) == (0, 0, "V")
    assert gga.lat == ""


def test_an_undefined_course_is_left_out_and_no_speed_is_none() -> None:
    assert lines(course=math.nan)[2].true_track is None
    unknown = lines(speed=math.nan)
    assert float(unknown[1].spd_over_grnd) == 0.0
    assert unknown[2].true_track is None


@pytest.mark.parametrize(("fix", "row"), [(1.0, 1), (2.0, 2), (4.0, 4), (5.0, 5), (8.0, 5)])
def test_the_stated_accuracy_is_that_of_the_fix(fix: float, row: int) -> None:
    gst = lines(("GST",), fix=fix)[0]
    assert float(gst.std_dev_latitude) == float(gst.std_dev_longitude) == 10.0 * row + 1.0
    assert float(gst.std_dev_altitude) == 10.0 * row + 2.0


def test_without_a_fix_nothing_but_the_clock_is_said() -> None:
    _, _, _, gsa, gst, zda = lines(SENTENCES, x=math.nan)
    assert gsa.mode_fix_type == "1"
    assert gst.std_dev_latitude is None
    assert zda.datetime == datetime(2031, 5, 4, 11, 59, 58, 700_000, UTC)


def test_what_is_left_of_the_satellites_dilutes() -> None:
    """7 of 14: sqrt(2) of everything; PDOP is the root of the squares of the others."""
    gga, gsa, gst = lines(("GGA", "GSA", "GST"), satellites=7.0)
    assert (int(gga.num_sats), float(gga.horizontal_dil)) == (7, 1.1)  # 0.8 sqrt(2) = 1.131
    assert [float(d) for d in (gsa.pdop, gsa.hdop, gsa.vdop)] == [2.0, 1.1, 1.7]  # 1.2 sqrt(2) = 1.697
    assert float(gst.std_dev_latitude) == pytest.approx(41.0 * math.sqrt(2.0), abs=6e-4)
    assert float(gst.std_dev_altitude) == pytest.approx(42.0 * math.sqrt(2.0), abs=6e-4)
    for satellites in range(4, 15):
        gsa = lines(("GSA",), satellites=float(satellites))[0]
        # each of the three is rounded to a tenth
        assert abs(float(gsa.pdop) - math.hypot(float(gsa.hdop), float(gsa.vdop))) <= 0.05 * (
            1.0 + math.sqrt(2.0)
        )


def test_a_quality_that_is_said_but_not_had_changes_what_is_said_only() -> None:
    gga, rmc, gst = lines(("GGA", "RMC", "GST"), fix=1.0, in_use=4.0)
    assert (gga.gps_qual, rmc.mode_indicator, gga.age_gps_data) == (1, "A", "")
    assert float(gst.std_dev_latitude) == 41.0
    assert int(gga.num_sats) == 14


def test_altitude_is_above_the_sea_and_the_separation_is_said() -> None:
    for separation in (48.0, -33.9):
        sent = said_in(epoch_of(), UTC_NS, SAID._replace(sentences=1, separation_m=separation))
        gga, ours = pynmea2.parse(sent.decode()), parse(sent)
        assert isinstance(ours, Gga)
        assert float(gga.geo_sep) == ours.geoid_separation_m == separation
        # with the origin 210 m above the ellipsoid, and the earth curved by 1 mm over 128 m
        assert float(gga.altitude) + float(gga.geo_sep) == pytest.approx(212.5, abs=6.3e-3)


def test_corrections_come_with_each_second() -> None:
    second = UTC_NS // 1_000_000_000 * 1_000_000_000
    low = epoch_of()
    for after_ms, age in ((0, 0.5), (100, 0.6), (900, 1.4), (1000, 0.5)):
        # a sea level at the ellipsoid's leaves room for the age's decimal
        said = SAID._replace(sentences=1, separation_m=205.0)
        gga = parse(said_in(low, second + after_ms * 1_000_000, said))
        assert isinstance(gga, Gga)
        assert gga.corrections_age_s == pytest.approx(age, abs=0.051 if after_ms != 900 else 0.45)
        assert gga.station == 3
    for fix in (1.0, 0.0):
        gga = parse(said_in(epoch_of(fix=fix), second, SAID._replace(sentences=1)))
        assert isinstance(gga, Gga)
        assert gga.station is None


def test_a_leap_second_of_the_ride_is_said() -> None:
    midnight_ms = 1_940_803_200_000 + 86_400_000  # whole days since 1970
    assert midnight_ms % 86_400_000 == 0
    said = SAID._replace(sentences=chosen(SENTENCES), leap_ms=midnight_ms)
    times = [
        said_in(epoch_of(), (midnight_ms + ms) * 1_000_000, said).splitlines()[1].split(b",")[1]
        for ms in (-100, 0, 900, 1000, 1100)
    ]
    assert times == [b"235959.900", b"235960.000", b"235960.900", b"000000.000", b"000000.100"]


# --- errors of the fix in use, from what is sent -------------------------------------------------------

EPOCHS = 2500
ERRORS = {
    "single": Accuracy(1.5, 2.5, 0.4, 0.5, 0.8, 0.05),
    "differential": Accuracy(0.4, 0.7, 0.3, 0.3, 0.5, 0.04),
    "float": Accuracy(0.15, 0.25, 0.2, 0.1, 0.2, 0.03),
    "fixed": Accuracy(0.03, 0.05, 0.5, 0.02, 0.03, 0.02),
}
"""With short correlation times, so that one run has many of them."""
CHECKS = 5 * 2 * len(ERRORS)


def sent_errors(fix: str, satellites: int) -> np.ndarray:
    """(EPOCHS, 5) east, north, up [m], speed [m/s] and stated sigma [m] of sentences at 10 Hz."""
    rig, run, values = np.zeros(1, RIG_DTYPE), np.zeros(1, RUN_DTYPE), np.zeros(len(OUTPUT_VALUES))
    senses, events = np.zeros(N_SENSES), np.zeros(0, EVENT_DTYPE)
    c, r = rig[0], run[0]
    for name, errors in ERRORS.items():
        c["gnss_errors"][QUALITY_OF_RANK[RANKS.index(name)]] = errors
    c["gnss_satellites"], c["gnss_fix"], c["gnss_course_from"] = 16, 4.0, 0.3
    r["gnss_rank"], r["gnss_in_use"], r["gnss_drift_ns"] = RANKS.index(fix), satellites, -1
    senses[S_ANTENNA : S_ANTENNA + 3] = 300.0, -200.0, 4.0
    senses[S_ANTENNA_VELOCITY : S_ANTENNA_VELOCITY + 2] = 30.0, 0.0
    streams = np.array([stream_start(11 + satellites, f"{fix}/{n}") for n in STREAM_NAMES], np.uint64)
    sigma = np.array([reported_sigma(c["gnss_errors"][quality]) for quality in range(6)])
    said = ReceiverConfig(16, 0.8, 1.2, sigma, chosen(("GGA", "RMC", "GST")), 48.0, 0.5, 3, NO_LEAP_ms)
    rows = np.zeros((EPOCHS, 5))
    for n in range(EPOCHS):
        measure_gnss(c, r, senses, streams, n * 100_000_000, events, values)
        gga, rmc, gst = (pynmea2.parse(x) for x in said_in(values, UTC_NS, said).decode().splitlines())
        height = float(gga.altitude) + float(gga.geo_sep)
        rows[n, :3] = ORIGIN.geodetic_to_enu(math.radians(gga.latitude), math.radians(gga.longitude), height)
        rows[n, 3] = float(rmc.spd_over_grnd) * 1852.0 / 3600.0
        rows[n, 4] = float(gst.std_dev_latitude)
    return rows - (300.0, -200.0, 4.0, 30.0, 0.0)


@pytest.mark.parametrize("satellites", [16, 8])
@pytest.mark.parametrize("fix", ERRORS)
def test_errors_sent_are_those_of_the_fix_in_use_and_of_its_satellites(fix: str, satellites: int) -> None:
    """Size, memory and stated sigma, all of them together within their 95 % interval."""
    a, factor = ERRORS[fix], math.sqrt(16 / satellites)
    rows = sent_errors(fix, satellites)
    phi = math.exp(-0.1 / a.correlation_time_s)
    tail = 0.05 / (2 * CHECKS)
    for column, own_drift, own_noise, step in (
        (0, a.drift_m, a.noise_m, 1.9e-3),
        (1, a.drift_m, a.noise_m, 1.9e-3),
        (2, a.drift_height_m, a.noise_height_m, 1e-2),
        (3, 0.0, a.velocity_m_s, 5.2e-4),
    ):
        x = rows[:, column]
        drift, noise = own_drift * factor, own_noise * factor
        white = noise**2 + step**2 / 12.0
        variance = drift**2 + white
        # autocorrelation at lag k: rho = share phi^k; sums of it over all lags make the effective number
        # of a mean square, n / (1 + 2 sum rho^2) (Bayley and Hammersley 1946, from memory)
        share = drift**2 / variance
        n = EPOCHS / (1.0 + 2.0 * share**2 * phi**2 / (1.0 - phi**2))
        low, high = chi2.ppf(tail, n) / n, chi2.ppf(1.0 - tail, n) / n
        assert low < np.mean(x**2) / variance < high
    e = rows[:, 0]
    share = a.drift_m**2 / (a.drift_m**2 + a.noise_m**2)
    seen = np.mean(e[1:] * e[:-1]) / np.mean(e**2)
    assert abs(seen - share * phi) < norm.ppf(1.0 - tail) * _spread(share, phi)
    # GST is in millimetres
    assert rows[0, 4] == pytest.approx(factor * math.hypot(a.drift_m, a.noise_m), abs=6e-4)


def _spread(share: float, phi: float) -> float:
    """One sigma of the estimated autocorrelation at lag 1 (Bartlett's formula, from memory)."""
    rho = {k: share * phi ** abs(k) if k else 1.0 for k in range(-200, 201)}
    total = sum((rho[k + 1] + rho[k - 1] - 2.0 * rho[1] * rho[k]) ** 2 for k in range(1, 199))
    return math.sqrt(total / EPOCHS)
