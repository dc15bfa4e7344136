"""The bench as the cycle sees it: GNSS epochs, commands, sentences for the record."""

import itertools
import math
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pynmea2
import pytest

from emulator.assembly.bench import EVENT_KINDS, Bench
from emulator.core.frame_buffer import frame_buffer
from emulator.core.signals import INDEX, RUNNING, STANDBY, TRIPPED
from emulator.core.trip_reasons import TripReason
from emulator.events.table import KINDS, MARK
from emulator.plant.states import END_NAMES, EV_BEGAN, EV_ENDED, EV_SPARED
from emulator.plant.step import WHOLE, tick
from emulator.shared_memory.status import Command
from emulator.wire.geodesy import Origin
from tests.support.scripted_robot import HELD_CLUTCH, Ride, fault, variant, with_events

MS = 1_000_000


@pytest.fixture(scope="module")
def ridden(session):
    """Three seconds of ride with the GNSS antenna's true path beside it."""
    ride = Ride(session).start()
    ride.bursts.clear()
    ride.truth = {}

    def note(r):
        m = r.plant.memory[0]["senses"]
        r.truth[r.bench.tick_number] = (m[14:17].copy(), m[17:20].copy())

    ride.step(3000, note)
    return ride


def sentences(burst):
    """The epoch as an independent parser reads it, by type; checksums are checked."""
    lines = burst.decode("ascii").split("\r\n")
    assert lines.pop() == ""
    parsed = [pynmea2.parse(line, check=True) for line in lines]
    return {p.sentence_type: p for p in parsed}


def utc_of(epoch):
    return datetime.combine(epoch["RMC"].datestamp, epoch["RMC"].timestamp.replace(tzinfo=None), tzinfo=UTC)


# --- GNSS ---------------------------------------------------------------------------------------------


def test_an_epoch_comes_ten_times_a_second_on_exact_tenths_of_utc(ridden):
    times = [utc_of(sentences(burst)) for _, burst, _, _ in ridden.bursts]
    assert 28 <= len(times) <= 30
    assert all(t.microsecond % 100_000 == 0 for t in times)
    assert {(b - a).total_seconds() for a, b in itertools.pairwise(times)} == {0.1}
    start = ridden.session.scenario.utc
    assert 0.0 <= (times[0] - start).total_seconds() < 3.0


def test_utc_is_that_of_the_scenario_plus_the_ride_to_the_millisecond(session):
    start = datetime(2027, 12, 31, 23, 59, 59, 250_000, UTC)
    for waited in (0, 137):  # what the bench waits before it is armed is not in it
        ride = Ride(variant(session, scenario={"utc": start}))
        ride.step(waited)
        ride.start(1500)
        assert ride.states[-1] == RUNNING
        times, valid = [], []
        for _, burst, _, valid_ns in ride.bursts:
            if valid_ns > -1_000_000 * MS:
                times.append(utc_of(sentences(burst)))
                valid.append(valid_ns)
                zda = sentences(burst)["ZDA"]
                assert datetime.combine(times[-1], zda.timestamp) == times[-1].replace(
                    tzinfo=zda.timestamp.tzinfo
                )
                assert (zda.year, zda.month, zda.day) == times[-1].timetuple()[:3]
        assert times == [start + timedelta(milliseconds=v // MS) for v in valid]
        assert min(valid) < 0 < max(valid)  # before the ride, too
        assert {t.year for t in times} == {2027, 2028}  # over the end of the year


def test_a_leap_second_in_the_ride_is_said_to_the_millisecond(session):
    start = datetime(2027, 6, 30, 23, 59, 59, 250_000, UTC)
    ride = Ride(variant(session, scenario={"utc": start, "leap_second": date(2027, 6, 30)})).start(2500)
    times = {
        valid // MS: burst.decode().splitlines()[1].split(",")[1::8]
        for _, burst, _, valid in ride.bursts
        if valid > -1_000_000 * MS
    }
    assert times[700] == ["235959.950", "300627"]
    assert times[800] == ["235960.050", "300627"]
    assert times[1700] == ["235960.950", "300627"]
    assert times[1800] == ["000000.050", "010727"]
    assert min(times) < 0


def test_altitude_is_above_the_sea(session):
    origin = session.scenario.origin.model_copy(update={"geoid_separation_m": 48.0})
    ride, plain = Ride(variant(session, scenario={"origin": origin})), Ride(session)
    for r in (ride, plain):
        r.step(200)
    gga, flat = (sentences(r.bursts[0][1])["GGA"] for r in (ride, plain))
    assert (float(gga.geo_sep), float(flat.geo_sep)) == (48.0, 0.0)
    assert float(gga.altitude) == pytest.approx(float(flat.altitude) - 48.0, abs=1e-9)
    assert (gga.lat, gga.lon) == (flat.lat, flat.lon)


def test_before_arming_time_lies_far_back_and_goes_on(session):
    ride = Ride(session)
    ride.step(500)
    times = [utc_of(sentences(burst)) for _, burst, _, _ in ride.bursts]
    assert {(b - a).total_seconds() for a, b in itertools.pairwise(times)} == {0.1}
    assert times[-1] < session.scenario.utc - timedelta(days=11)  # UNARMED_TICK: arming only leads onwards


def test_two_epochs_due_in_one_tick_both_go_out(session):
    # jitter as long as the period piles epochs up; the order and every one of them must stay
    timing = {"rate_hz": 25.0, "jitter_ms": 39.0, "latency_ms": 100.0}
    ride = Ride(variant(session, sensors={"gnss": timing}))
    ride.step(4000)
    tick, _, due, valid = (np.array(column) for column in zip(*ride.bursts, strict=True))
    assert (np.diff(valid) == 40 * MS).all()
    assert (np.diff(tick) >= 1).all()
    due_ticks = -(-due // MS)
    assert (np.diff(due_ticks) == 0).any()  # it did happen
    assert (tick >= due_ticks).all()
    assert (tick - due_ticks).max() <= 3


def test_all_sentences_of_the_rig_are_sent_in_order(session):
    ride = Ride(variant(session, sensors={"gnss": {"sentences": ("ZDA", "RMC", "GGA")}}))
    ride.step(200)
    assert list(sentences(ride.bursts[0][1])) == ["GGA", "RMC", "ZDA"]


def test_the_stated_accuracy_is_that_of_the_rig(session):
    for fix, horizontal in (("fixed", math.hypot(0.008, 0.009)), ("single", math.hypot(1.5, 0.3))):
        ride = Ride(variant(session, sensors={"gnss": {"fix": fix}}))
        ride.step(200)
        gst = sentences(ride.bursts[0][1])["GST"]
        assert float(gst.std_dev_latitude) == pytest.approx(horizontal, abs=0.0006)


def test_a_single_fix_wanders_slowly_and_begins_afresh_before_the_ride(session):
    start = []
    for waited in (0, 1300):
        ride = Ride(variant(session, sensors={"gnss": {"fix": "single", "jitter_ms": 0.0}}))
        ride.step(waited)
        ride.start(600)
        row = [(v, sentences(b)["GGA"].latitude) for _, b, _, v in ride.bursts if v >= 0]
        start.append(row)
    assert start[0] == start[1]  # the same errors however long the robot was waited for


def test_an_epoch_is_as_old_as_promised_when_it_is_sent(ridden):
    gnss = ridden.session.rig.sensors.gnss
    tick, _, due, valid = zip(*ridden.bursts, strict=True)
    age = np.array(due) - np.array(valid)
    assert (np.array(valid) % (100 * MS) == 0).all()
    assert (age >= round(gnss.latency_ms * MS)).all()
    assert (age < round((gnss.latency_ms + 6 * gnss.jitter_ms) * MS)).all()
    assert len(set(age)) > 20
    assert np.array_equal(np.array(tick), -(-np.array(due) // MS))


def test_an_epoch_shows_where_the_antenna_was_at_its_time_of_validity(ridden):
    o, gnss = ridden.session.scenario.origin, ridden.session.rig.sensors.gnss
    origin = Origin(math.radians(o.latitude_deg), math.radians(o.longitude_deg), o.height_m)
    errors, speeds = [], []
    for _, burst, _, valid in ridden.bursts:
        epoch, tick = sentences(burst), valid // MS
        if tick not in ridden.truth:
            continue
        position, velocity = ridden.truth[tick]
        latitude, longitude = math.radians(epoch["GGA"].latitude), math.radians(epoch["GGA"].longitude)
        here = np.array(origin.geodetic_to_enu(latitude, longitude, float(epoch["GGA"].altitude)))
        errors.append(here - position)
        speeds.append(float(epoch["RMC"].spd_over_grnd) * 1852 / 3600 - math.hypot(*velocity[:2]))
        assert epoch["RMC"].status == "A"
        assert epoch["GGA"].gps_qual == 4
        assert int(epoch["GGA"].num_sats) == gnss.satellites
    errors = np.array(errors)
    assert len(errors) > 25
    fixed = gnss.accuracy["fixed"]
    white = np.array([fixed.noise_m, fixed.noise_m, fixed.noise_height_m])
    drift = np.array([fixed.drift_m, fixed.drift_m, fixed.drift_height_m])
    # 2 mm for the millionths of minutes, 5 mm for the centimetres of height
    assert (np.abs(errors).max(0) < 4.5 * np.hypot(white, drift) + (0.002, 0.002, 0.005)).all()
    # the drift hardly moves in three seconds of its thirty
    assert (errors.std(0) > 0.5 * white).all()
    assert (errors.std(0) < 1.6 * white + 0.003).all()
    assert np.abs(speeds).max() < 4.5 * fixed.velocity_m_s


def test_the_course_is_clockwise_from_north_and_left_out_at_rest(session, ridden):
    course = float(sentences(ridden.bursts[-1][1])["RMC"].true_course)
    heading = float(session.line.heading[0])  # from east, anticlockwise
    assert abs((course - math.degrees(math.pi / 2 - heading) + 180) % 360 - 180) < 3.0
    resting = Ride(session)
    resting.step(300)
    assert sentences(resting.bursts[0][1])["RMC"].true_course is None


def test_the_row_keeps_the_last_fix_sent(ridden):
    assert ridden["output.gnss_fix"] == 4.0
    valid = ridden.bursts[-1][3] // MS
    position, _ = ridden.truth[valid]
    assert abs(ridden["output.gnss_x_m"] - position[0]) < 0.06
    assert abs(ridden["output.gnss_y_m"] - position[1]) < 0.06


@pytest.mark.parametrize("signal", ["gnss_x_m", "gnss_y_m", "gnss_fix"])
def test_a_dropout_means_no_fix_and_then_the_fix_comes_back(session, signal):
    ride = Ride(with_events(session, fault(signal, "dropout", 0.45, 0.5))).start()
    clean = Ride(session).start()
    for r in (ride, clean):
        r.bursts.clear()
        r.step(1500)
    lost = []
    for (_, burst, _, valid), (_, same, _, _) in zip(ride.bursts, clean.bursts, strict=True):
        epoch = sentences(burst)
        if 450 <= valid // MS < 950:
            lost.append(valid)
            assert epoch["GGA"].gps_qual == 0
            assert epoch["RMC"].status == "V"
            assert epoch["GGA"].lat == ""
            assert epoch["RMC"].timestamp == sentences(same)["RMC"].timestamp  # time goes on
        else:
            assert burst == same
    assert len(lost) == 5
    assert ride["output.gnss_fix"] == 4.0


def test_while_the_fix_is_lost_the_row_says_so(session):
    ride = Ride(with_events(session, fault("gnss_x_m", "dropout", 0.2, 5.0))).start(700)
    assert ride["output.gnss_fix"] == 0.0
    assert math.isnan(ride["output.gnss_x_m"])


def test_a_position_jump_moves_the_sentences(session):
    ride = Ride(with_events(session, fault("gnss_y_m", "offset", 0.0, 60.0, 25.0))).start(1000)
    clean = Ride(session).start(1000)
    moved = sentences(ride.bursts[-1][1])["GGA"].latitude - sentences(clean.bursts[-1][1])["GGA"].latitude
    assert math.radians(moved) * 6.37e6 == pytest.approx(
        25.0, rel=0.01
    )  # a degree of latitude, round figures


@pytest.mark.parametrize(("fix", "quality"), [("single", 1), ("differential", 2), ("fixed", 4), ("float", 5)])
def test_the_quality_is_that_of_the_rig(session, fix, quality):
    ride = Ride(variant(session, sensors={"gnss": {"fix": fix}}))
    ride.step(200)
    assert sentences(ride.bursts[0][1])["GGA"].gps_qual == quality


def test_there_is_a_burst_only_in_the_tick_it_is_due(session):
    bench = Bench(session)
    ride = Ride(session)
    assert bench.take_gnss() == b""
    ride.step(400)
    assert len(ride.bursts) == 4


# --- the contract of the cycle ------------------------------------------------------------------------


def test_a_new_bench_stands_before_its_first_tick(session):
    bench = Bench(session)
    first = bench.tick_number + 1
    ride = Ride(session)
    ride.step()
    assert ride.bench.tick_number == first
    ride.step()
    assert ride.bench.tick_number == first + 1
    assert not bench.finished
    assert bench.outcome()["ended"] == "crashed"
    assert bench.row is bench.row
    assert np.isnan(bench.row).all()


def test_times_jump_with_the_tick_when_the_start_becomes_known(session):
    ride = Ride(session)
    ride.step()
    ride.arm()
    ride.step(2)
    assert -1300 <= ride.bench.tick_number < -200
    tx = ride.tx
    while tx.count[0] == 0:
        ride.step()
    n = int(tx.count[0])
    assert (np.abs(tx.time_ns[:n] - ride.bench.tick_number * MS) < 10 * MS).all()
    bursts = len(ride.bursts)
    while len(ride.bursts) == bursts:
        ride.step()
    assert 0 <= ride.bench.tick_number * MS - ride.bench.gnss_due_ns < MS
    assert ride.bench.gnss_valid_ns < ride.bench.gnss_due_ns


def test_commands_do_what_they_say(session):
    ride = Ride(session)
    ride.step()
    ride.bench.command(Command.START, 0.0)
    ride.bench.command(Command.RESET, 0.0)
    ride.step(50)
    assert ride.states[-1] == STANDBY
    ride.start()
    ride.bench.command(Command.TRIP, 4.0)
    ride.step(2)
    assert ride.states[-1] == TRIPPED
    assert ride.bench.outcome() == {
        "ended": "tripped",
        "end_tick": 1,
        "trip_code": TripReason.BUS,
        "trip_reason": "bus lost",
        "trip_evidence": {},
        "strangers": {},
    }
    ride.arm()
    ride.bench.command(Command.RESET, 0.0)
    ride.step(3000)
    assert ride.states[-1] == TRIPPED
    assert ride.bench.finished


def test_a_stop_before_the_ride_ends_it_at_once(session):
    ride = Ride(session)
    ride.step(20)
    ride.bench.command(Command.STOP, 0.0)
    ride.step()
    assert ride.bench.finished
    outcome = ride.bench.outcome()
    assert (outcome["ended"], outcome["trip_code"], outcome["trip_reason"]) == ("stopped", 0, "")


def test_lateness_and_compute_time_are_recorded(session):
    bench, ride = Bench(session), Ride(session)
    bench.tick(ride.rx, ride.tx, 12.5, 33.0)
    assert bench.row[INDEX["loop.lateness_us"]] == 12.5
    assert bench.row[INDEX["loop.compute_us"]] == 33.0


def arrays(item):
    """All arrays in tuples of tuples of arrays."""
    if isinstance(item, np.ndarray):
        return [item]
    return [array for part in item for array in arrays(part)] if isinstance(item, tuple) else []


def test_a_tick_that_holds_its_arguments_computes_the_same_bytes(session):
    """Against the function itself, called with plant and buffers; other buffers on the way are taken, too."""
    held, called = Ride(session).start(300), Ride(session)
    called.bench.tick = lambda rx, tx, *more: tick(called.plant, rx, tx, *more, WHOLE)
    called.start(300)
    for ride in (held, called):
        ride.rx, ride.tx = frame_buffer(16), frame_buffer(96)
        ride.step(200)
    assert held.frames == called.frames
    assert len(held.frames) > 500
    assert held.plant.run[0]["state"] == RUNNING
    for ours, its in zip(arrays(held.plant), arrays(called.plant), strict=True):
        assert ours.tobytes() == its.tobytes()


def test_a_tick_in_two_parts_is_the_same_tick(session):
    whole, parts, early = Ride(session).start(300), Ride(session), []

    def in_parts(rx, tx, *more):
        parts.bench.begin_tick(rx, tx)
        known = int(tx.count[0])
        state = parts.bench.finish_tick(*more)
        early.append(known == tx.count[0])
        return state

    parts.bench.tick = in_parts
    parts.start(300)
    assert all(early)
    assert whole.frames == parts.frames
    assert len(parts.frames) > 300
    assert whole.bursts == parts.bursts
    for ours, its in zip(arrays(whole.plant), arrays(parts.plant), strict=True):
        assert ours.tobytes() == its.tobytes()


def test_the_robots_frames_are_counted_by_frame(session):
    ride = Ride(session).start(100)
    counts = ride.bench.frame_counts()
    sent = -(-ride.count // ride.every)
    for frame in HELD_CLUTCH:
        assert counts[frame].items() >= {"accepted": sent, "lost": 0, "repeated": 0, "damaged": 0}.items()
    assert counts["estimate_pose"]["accepted"] == 0
    assert ride.states[-1] == RUNNING


def test_without_events_the_same_empty_list_comes_back(session):
    bench, ride = Bench(session), Ride(session)
    bench.tick(ride.rx, ride.tx, 0.0, 0.0)
    assert bench.take_events() == []
    assert bench.take_events() is bench.take_events()


def test_every_kind_of_event_has_its_own_name():
    assert len(set(EVENT_KINDS.values())) == len(EVENT_KINDS)
    own = sorted(code for code in EVENT_KINDS if code < EV_BEGAN)
    assert own == list(range(1, len(own) + 1))
    for first in (EV_BEGAN, EV_ENDED, EV_SPARED):
        kinds = {first + kind for kind in range(len(KINDS)) if (first, kind) != (EV_ENDED, MARK)}
        assert kinds <= set(EVENT_KINDS)


def test_every_end_and_reason_has_words(session):
    bench = Bench(session)
    for end, name in enumerate(END_NAMES):
        bench.plant.run[0]["end_reason"] = end
        assert bench.outcome()["ended"] == name
    for reason in TripReason:
        bench.plant.run[0]["end_trip"], bench.plant.run[0]["trip_missing"] = reason, 0b011
        names = ": robot heartbeat, emergency stop released" if reason == TripReason.ARMING else ""
        assert bench.outcome()["trip_reason"] == (reason.text + names if reason else "")
        assert bench.outcome()["trip_code"] == reason
