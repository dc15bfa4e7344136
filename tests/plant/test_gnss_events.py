"""GNSS events in a ride: the fix in use, what is said of it, and that nothing else changes."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pynmea2
import pytest

from emulator.assembly.session import Session
from emulator.config.scenario.events import Trigger
from emulator.events.table import GNSS
from emulator.plant.states import EV_BEGAN, EV_ENDED
from tests.support.events import GnssEvent
from tests.support.scripted_robot import Ride, fault, variant, with_events

MS = 1_000_000
ALL = ("GGA", "RMC", "VTG", "GSA", "GST", "ZDA")
LADDER = {"single": 0.3, "differential": 0.7, "float": 1.1, "fixed": 2.0}


def gnss(effect: str, at_s: float, duration_s: float, name: str = "", **keys: object) -> GnssEvent:
    """A GNSS event by time."""
    text = name or f"{effect} at {at_s:g}"
    moment = Trigger(time_s=at_s)
    return GnssEvent(kind="gnss", name=text, effect=effect, at=moment, duration_s=duration_s, **keys)  # type: ignore[arg-type]


def receiver(session: Session, **keys: object) -> Session:
    """The session with other values of the receiver: no jitter, short times to come back."""
    given = {"jitter_ms": 0.0, "reacquisition_s": LADDER, "sentences": ALL, "satellites": 12}
    return variant(session, sensors={"gnss": given | keys})


def ridden(session: Session, seconds: float) -> Ride:
    ride = Ride(session).start()
    ride.bursts.clear()
    ride.step(round(seconds * 1000))
    return ride


def epochs(ride: Ride) -> dict[int, dict[str, pynmea2.NMEASentence]]:
    """What was said, by the time of validity in ms."""
    return {
        valid // MS: {s.sentence_type: s for s in map(pynmea2.parse, burst.decode().splitlines())}
        for _, burst, _, valid in ride.bursts
        if valid >= 0
    }


def steps(said: dict[int, dict[str, pynmea2.NMEASentence]]) -> list[tuple[int, int]]:
    """Quality where it changes, by the time of validity."""
    row = [(t, e["GGA"].gps_qual) for t, e in said.items()]
    return row[:1] + [b for a, b in itertools.pairwise(row) if a[1] != b[1]]


@pytest.fixture(scope="module")
def outage(session: Session) -> Ride:
    """Five seconds without signals from 0.55 s on, and what comes after."""
    ride = Ride(receiver(with_events(session, gnss("outage", 0.55, 5.0)))).start()
    ride.bursts.clear()
    ride.rows_fix, ride.speeds = {}, {}

    def note(r: Ride) -> None:
        r.rows_fix[r.bench.tick_number] = r["output.gnss_fix"]
        r.speeds[r.bench.tick_number] = math.hypot(*r.plant.memory[0]["senses"][17:19])

    ride.step(8500, note)
    return ride


def test_after_an_outage_the_fixes_come_back_one_by_one_to_the_epoch(outage: Ride) -> None:
    """The end is at 5.55 s; each fix is there with the first epoch at or after its time."""
    assert steps(epochs(outage)) == [(0, 4), (600, 0), (5900, 1), (6300, 2), (6700, 5), (7600, 4)]


def test_without_a_fix_the_sentences_say_so_and_the_clock_goes_on(outage: Ride) -> None:
    said = epochs(outage)
    times = [e["RMC"].timestamp for e in said.values()]
    assert len(times) == len(set(times))
    lost = {t: e for t, e in said.items() if 600 <= t < 5900}
    assert len(lost) == 53  # 0.6 to 5.8 s
    for epoch in lost.values():
        gga, rmc, vtg, gsa, gst = (epoch[k] for k in ALL[:5])
        assert (gga.lat, gga.lon, gga.altitude, gga.num_sats, gga.horizontal_dil) == ("", "", None, "00", "")
        assert (rmc.status, rmc.lat, rmc.spd_over_grnd, rmc.mode_indicator) == ("V", "", None, "N")
        assert (vtg.spd_over_grnd_kts, vtg.true_track, gsa.mode_fix_type, gsa.pdop) == (None, None, "1", "")
        assert gst.std_dev_latitude is None
        assert gga.age_gps_data == gga.ref_station_id == ""


def test_what_is_said_of_a_fix_follows_it(outage: Ride) -> None:
    from emulator.sensors.gnss import USUAL_ACCURACY

    said = epochs(outage)
    own = outage.session.rig.sensors.gnss.accuracy["fixed"]
    usual = {q: USUAL_ACCURACY[n] for q, n in ((1, "single"), (2, "differential"), (5, "float"))}
    usual[4] = USUAL_ACCURACY["fixed"]._replace(**own.model_dump(exclude_none=True))
    for epoch in said.values():
        quality = epoch["GGA"].gps_qual
        if quality == 0:
            continue
        a = usual[quality]
        assert float(epoch["GST"].std_dev_latitude) == pytest.approx(
            math.hypot(a.drift_m, a.noise_m), abs=6e-4
        )
        height = math.hypot(a.drift_height_m, a.noise_height_m)
        assert float(epoch["GST"].std_dev_altitude) == pytest.approx(height, abs=6e-4)
        assert epoch["RMC"].mode_indicator == {1: "A", 2: "D", 4: "R", 5: "F"}[quality]
        assert bool(epoch["GGA"].age_gps_data) == (quality != 1)
        assert epoch["GSA"].mode_fix_type == "3"


def test_the_velocity_is_there_with_every_fix_and_has_no_course_at_rest(outage: Ride) -> None:
    velocity = {1: 0.05, 2: 0.04, 5: 0.03, 4: 0.03}  # sensors.gnss.USUAL_ACCURACY; fixed: the rig
    for t, epoch in epochs(outage).items():
        quality = epoch["GGA"].gps_qual
        if quality:
            speed = float(epoch["RMC"].spd_over_grnd) * 1852 / 3600
            if t > 0:
                # below the noise the length of two components is longer than either
                assert abs(speed - outage.speeds[t]) < 5.0 * velocity[quality]
            assert (epoch["VTG"].true_track is None) == (speed < 0.4)


def test_the_record_has_the_fix_in_use_and_both_ends_of_the_event(outage: Ride) -> None:
    happened = [(t, code, text) for t, code, _, _, text in outage.events if code >= EV_BEGAN]
    assert happened == [
        (550, EV_BEGAN + GNSS, "outage at 0.55"),
        (5550, EV_ENDED + GNSS, "outage at 0.55"),
    ]
    # an epoch is 60 ms on its way
    assert [outage.rows_fix[t] for t in (659, 660, 5959, 5960, 7659, 7660)] == [4, 0, 0, 1, 5, 4]


@pytest.mark.parametrize(
    ("best", "expected"),
    [
        ("float", [(0, 4), (500, 5), (2400, 4)]),
        ("differential", [(0, 4), (500, 2), (1900, 5), (2800, 4)]),
        ("single", [(0, 4), (500, 1), (1900, 2), (2300, 5), (3200, 4)]),
    ],
)
def test_after_a_degraded_fix_it_goes_on_from_there(
    session: Session, best: str, expected: list[tuple[int, int]]
) -> None:
    """From 0.5 to 1.5 s; then what the ladder has between the fixes."""
    ride = ridden(receiver(with_events(session, gnss("degraded", 0.5, 1.0, best_fix=best))), 3.4)
    assert steps(epochs(ride)) == expected


@pytest.mark.parametrize(("lost", "qualities"), [(3, {4}), (7, {4}), (8, {2}), (9, {0}), (50, {0})])
def test_satellites_that_are_lost_dilute_and_cost_the_fix(
    session: Session, lost: int, qualities: set[int]
) -> None:
    """Of 12: five are enough for a fix from carrier phase, four for one."""
    event = gnss("degraded", 0.2, 5.0, satellites_lost=lost)
    said = epochs(ridden(receiver(with_events(session, event), hdop=1.0, vdop=1.6), 0.8))
    meanwhile = [e for t, e in said.items() if t >= 200]
    assert {e["GGA"].gps_qual for e in meanwhile} == qualities
    for e in meanwhile:
        if qualities == {0}:
            assert int(e["GGA"].num_sats) == 0
            continue
        assert int(e["GGA"].num_sats) == 12 - lost
        factor = math.sqrt(12 / (12 - lost))
        assert float(e["GGA"].horizontal_dil) == pytest.approx(factor, abs=0.051)
        assert float(e["GSA"].pdop) == pytest.approx(factor * math.hypot(1.0, 1.6), abs=0.051)
        assert sum(bool(getattr(e["GSA"], f"sv_id{k:02d}")) for k in range(1, 13)) == 12 - lost


def test_events_add_up(session: Session) -> None:
    events = (gnss("degraded", 0.2, 5.0, satellites_lost=4), gnss("degraded", 0.5, 5.0, satellites_lost=4))
    both = (*events, gnss("degraded", 0.7, 5.0, best_fix="single"))
    assert steps(epochs(ridden(receiver(with_events(session, *both)), 1.0))) == [(0, 4), (500, 2), (700, 1)]


def test_a_value_fault_on_the_fix_changes_what_is_said_and_not_what_is_had(session: Session) -> None:
    base = receiver(session, satellites=17)
    stuck = ridden(with_events(base, fault("gnss_fix", "stuck", 0.2, 5.0, 1.0)), 0.8)
    clean = ridden(with_events(base), 0.8)
    for (t, told), true in zip(epochs(stuck).items(), epochs(clean).values(), strict=True):
        assert told["GGA"].gps_qual == (1 if t >= 200 else 4)
        assert told["RMC"].mode_indicator == ("A" if t >= 200 else "R")
        for kind in ("GSA", "GST"):
            assert str(told[kind]) == str(true[kind])
        assert (told["GGA"].lat, told["GGA"].altitude) == (true["GGA"].lat, true["GGA"].altitude)


# --- multipath ----------------------------------------------------------------------------------------


def moved(session: Session, event: GnssEvent, seconds: float) -> np.ndarray:
    """(N, 3) time of validity [s], east and north [m] that the event moves the fix by."""
    rows = []
    for events in ((), (event,)):
        ride = Ride(receiver(with_events(session, *events))).start()
        ride.fixes = []

        def note(r: Ride) -> None:
            if r.bursts:
                r.fixes.append((r.bursts.pop()[3] * 1e-9, r["output.gnss_x_m"], r["output.gnss_y_m"]))

        ride.bursts.clear()
        ride.step(round(seconds * 1000), note)
        rows.append([f for f in ride.fixes if f[0] >= 0.0])
    clean, biased = (np.array(r) for r in rows)
    return np.column_stack([clean[:, 0], biased[:, 1:] - clean[:, 1:]])


def test_multipath_grows_and_decays_towards_its_direction(session: Session) -> None:
    """3 m to the south-east over 2 s from 0.5 s on, rising and falling by half waves of 0.8 s."""
    event = gnss("multipath", 0.5, 2.0, bias_m=3.0, towards_deg=135.0, ramp_s=0.8)
    t, east, north = moved(session, event, 3.0).T
    share = np.clip(np.minimum(t - 0.5, 2.5 - t) / 0.8, 0.0, 1.0)
    size = 3.0 * 0.5 * (1.0 - np.cos(math.pi * share))
    np.testing.assert_allclose(east, size * math.sqrt(0.5), atol=1e-9)
    np.testing.assert_allclose(north, -size * math.sqrt(0.5), atol=1e-9)
    assert size.max() == 3.0


def test_a_drawn_multipath_bias_wanders_slowly_and_belongs_to_the_seed(session: Session) -> None:
    event = gnss("multipath", 0.0, 4.0, bias_m=2.0, correlation_time_s=30.0)
    one, again = moved(session, event, 4.5), moved(session, event, 4.5)
    other = moved(variant(session, seed=8), event, 4.5)
    assert np.array_equal(one, again)
    size = np.hypot(*one.T[1:])
    assert 0.1 < size.max() < 2.0 * 3.5
    assert not np.allclose(one[:, 1], other[:, 1])
    # its envelope turns by 2 m pi / 4 s at most, the process by sqrt(2 dt / 30 s) of 1.4 m a step, one sigma
    assert np.abs(np.diff(one[:, 1:], axis=0)).max() < size.max() * math.pi / 4 * 0.1 + 4.5 * 0.115
    assert not one[one[:, 0] >= 4.0, 1:].any()


# --- nothing else changes -----------------------------------------------------------------------------


def test_gnss_events_change_no_other_signals_bytes(session: Session) -> None:
    events = (
        gnss("outage", 0.3, 0.4),
        gnss("degraded", 0.9, 1.0, best_fix="single", satellites_lost=4),
        gnss("multipath", 0.2, 2.0, bias_m=4.0),
    )
    clean = Ride(receiver(session)).start(2500)
    troubled = Ride(receiver(with_events(session, *events))).start(2500)
    assert troubled.frames == clean.frames
    assert [b[2:] for b in troubled.bursts] == [b[2:] for b in clean.bursts]  # nor the receiver's own timing
    assert [b[1] for b in troubled.bursts] != [b[1] for b in clean.bursts]
    # what an event draws comes from a stream of its own
    own = len(clean.plant.streams)
    assert np.array_equal(troubled.plant.streams[:own], clean.plant.streams)
    assert not np.array_equal(troubled.plant.streams[own:], troubled.plant.streams_0[own:])


def test_after_an_event_the_receiver_shows_what_it_would_have_shown(session: Session) -> None:
    at_once = dict.fromkeys(LADDER, 0.0)
    clean = ridden(receiver(session, reacquisition_s=at_once), 1.5)
    for event in (gnss("outage", 0.3, 0.4), gnss("degraded", 0.3, 0.4, satellites_lost=4)):
        ride = ridden(receiver(with_events(session, event), reacquisition_s=at_once), 1.5)
        for (_, burst, _, valid), (_, same, _, _) in zip(ride.bursts, clean.bursts, strict=True):
            assert (burst == same) == (not 300 <= valid // MS < 700)
