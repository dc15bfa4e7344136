"""Histogram percentiles never flatter; the certificate says what was kept."""

import json
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from emulator.core.frame_buffer import UNTIMED, frame_buffer
from emulator.loop.certificate import (
    BINS,
    GNSS,
    OutputSpec,
    TimingAccounts,
    account_arrival,
    account_given_up,
    account_handed_over,
    bin_of,
    edges_us,
    percentile_ns,
)
from emulator.shared_memory.layout import LATENESS_BINS
from emulator.wire.arbitration import wire_times
from emulator.wire.can_timing import BitRates
from tests.support.can_contents import frame_on_the_wire

MS = 1_000_000
DURATION = st.integers(0, 20_000_000_000)


def test_the_snapshot_has_room_for_exactly_these_bins():
    assert LATENESS_BINS == BINS == len(edges_us()) - 1
    assert np.allclose(edges_us(10), edges_us()[[0, *range(1, BINS + 1, 10), BINS]], rtol=1e-12)


@given(DURATION)
def test_every_duration_falls_between_the_edges_of_its_bin(duration_ns):
    edges, k = edges_us(), bin_of(duration_ns)
    # one part in 1e9 either way: the logarithm is rounded
    assert edges[k] * (1 - 1e-9) <= duration_ns * 1e-3 < edges[k + 1] * (1 + 1e-9)


@given(st.lists(DURATION, min_size=1, max_size=300), st.sampled_from([0.5, 0.9, 0.99, 0.999, 1.0]))
def test_a_percentile_is_the_value_of_its_rank_to_three_parts_in_a_thousand(values, fraction):
    counts = np.zeros(BINS, np.int64)
    for value in values:
        counts[bin_of(value)] += 1
    exact = sorted(values)[math.ceil(fraction * len(values) - 1e-9) - 1]
    got = percentile_ns(counts, fraction, max(values))
    if exact < 100:  # the first bin, of 100 ns
        assert got <= 100.0
    elif exact < 10_000_000_000:
        assert got == pytest.approx(exact, rel=0.003)
    else:  # the last one is open
        assert got == max(values)


@given(st.lists(st.integers(-3_000_000_000, 3_000_000_000), min_size=1, max_size=100))
def test_ages_younger_and_older_than_promised_have_percentiles_and_a_histogram_of_all(errors_ns):
    timing = TimingAccounts([OutputSpec("lean", 5, 100.0, 8 * MS)])
    for n, error_ns in enumerate(errors_ns):
        send(timing, 5, 0, n * 10 * MS, n * 10 * MS + 8 * MS + error_ns)
    report = timing.certificate()["outputs"]["lean"]
    exact = sorted(errors_ns)[math.ceil(0.5 * len(errors_ns) - 1e-9) - 1]
    assert report["age_error_us_p50"] == pytest.approx(exact * 1e-3, rel=0.003, abs=0.1)
    edges, counts = np.array(report["age_histogram"]["edges_ms"]), report["age_histogram"]["counts"]
    assert sum(counts) == len(errors_ns)
    assert np.all(np.diff(edges) >= 0.0)
    ages_ms = 8.0 + np.array(errors_ns) * 1e-6
    for edge, counted in zip(edges[1:], np.cumsum(counts), strict=True):  # edges are rounded to 1 ns
        assert np.sum(ages_ms < edge - 2e-6) <= counted <= np.sum(ages_ms <= edge + 2e-6)


@given(
    st.lists(st.integers(0, 5_000_000), min_size=3, max_size=60),
    st.lists(st.integers(1, 3), min_size=59, max_size=59),
)
def test_the_period_kept_is_that_of_the_line_through_all_samples(late_ns, steps):
    timing = TimingAccounts([OutputSpec("lean", 5, 100.0, 0)])
    periods = np.concatenate([[0], np.cumsum(steps)])[: len(late_ns)]
    for period, off_ns in zip(periods.tolist(), late_ns, strict=True):
        send(timing, 5, 0, period * 10 * MS, period * 10 * MS + off_ns)
    slope = np.polyfit(periods * 10.0 * MS, np.array(late_ns, float), 1)[
        0
    ]  # independent: numpy's least squares
    assert timing.certificate()["outputs"]["lean"]["kept_ppm"] == pytest.approx(1e6 * slope, abs=2e-3)


def test_one_late_sample_at_the_end_is_no_error_of_the_rate():
    timing = TimingAccounts([OutputSpec("lean", 5, 100.0, 0)])
    for n in range(201):
        send(timing, 5, 0, n * 10 * MS, n * 10 * MS + (4 * MS if n == 200 else 0))
    # of 2000 ppm between the first and the last; by the formula of least squares 6 / n of that is left
    assert timing.certificate()["outputs"]["lean"]["kept_ppm"] == pytest.approx(
        2000.0 * 6.0 / 202.0, rel=0.01
    )


def test_nothing_counted_gives_no_number_instead_of_zero():
    assert math.isnan(percentile_ns(np.zeros(BINS, np.int64), 0.99, 0))
    report = TimingAccounts([OutputSpec("lean", 5, 100.0, 0)]).certificate()
    assert report["outputs"]["lean"]["sent"] == 0
    assert all(report["outputs"]["lean"][k] is None for k in ("kept_ppm", "jitter_us_p99", "age_ms_max"))
    assert report["loop"]["lateness_histogram"] == {"edges_us": [], "counts": []}
    json.dumps(report, allow_nan=False)


def test_ticks_overruns_and_missed_ticks():
    timing = TimingAccounts([])
    for lateness, compute in [(50_000, 200_000)] * 97 + [(80_000, 1_000_001), (1_000_000, 0), (7 * MS, 0)]:
        timing.tick(lateness, compute)
    assert (timing.ticks, timing.overruns, timing.missed_ticks) == (100, 1, 2)
    loop = timing.certificate({"cpu": 1})["loop"]
    assert loop["lateness_us"]["max"] == 7000.0
    assert loop["lateness_us"]["p50"] == pytest.approx(50.0, rel=0.003)
    assert loop["lateness_us"]["p99"] == pytest.approx(1000.0, rel=0.003)
    assert loop["compute_us"]["max"] == 1000.001
    assert loop["host"] == {"cpu": 1}
    histogram = loop["lateness_histogram"]
    assert sum(histogram["counts"]) == 100
    assert len(histogram["edges_us"]) == len(histogram["counts"]) + 1
    assert histogram["edges_us"] == sorted(histogram["edges_us"])
    assert histogram["edges_us"][0] <= 50.0
    assert histogram["edges_us"][-1] >= 7000.0


def test_lateness_can_be_counted_where_others_see_it():
    counts = np.zeros(BINS, np.int64)
    TimingAccounts([], lateness_counts=counts).tick(50_000, 0)
    assert counts[bin_of(50_000)] == 1


def send(timing, can_id, due_ns, valid_ns, sent_ns, taken=1):
    frames = frame_buffer(2)
    frames.count[0] = 1
    frames.can_id[0], frames.time_ns[0], frames.valid_ns[0] = can_id, due_ns, valid_ns
    timing.frames(frames, taken, sent_ns)


def test_exact_sending_is_certified_exact():
    timing = TimingAccounts([OutputSpec("other", 1, 10.0, 0), OutputSpec("wheel_speed", 2, 100.0, 5 * MS)])
    for n in range(101):
        send(timing, 2, n * 10 * MS, n * 10 * MS - 5 * MS, n * 10 * MS)
    out = timing.certificate()["outputs"]["wheel_speed"]
    assert (out["sent"], out["lost"], out["late"], out["skipped"]) == (101, 0, 0, 0)
    assert out["kept_ppm"] == 0.0
    assert out["jitter_us_max"] == 0.0
    assert out["age_ms_p50"] == out["age_ms_p99"] == out["age_ms_max"] == 5.0
    assert timing.certificate()["outputs"]["other"]["sent"] == 0


def test_a_clock_that_runs_slow_shows_in_ppm():
    timing = TimingAccounts([OutputSpec("lean", 2, 100.0, 0)])
    for n in range(1001):
        send(timing, 2, n * 10 * MS, n * 10 * MS, n * 10 * MS + n * 500)  # 0.5 us in 10 ms: 50 ppm
    assert timing.certificate()["outputs"]["lean"]["kept_ppm"] == pytest.approx(50.0, abs=1e-3)


def test_rate_that_does_not_divide_the_tick_has_the_jitter_of_the_tick_and_no_rate_error():
    timing = TimingAccounts([OutputSpec("imu", 2, 300.0, 0)])
    for n in range(3001):
        valid = round(n * 1e9 / 300)
        send(timing, 2, valid, valid, -(-valid // MS) * MS)
    out = timing.certificate()["outputs"]["imu"]
    assert out["skipped"] == 0
    assert out["jitter_us_max"] == pytest.approx(666.667, abs=0.01)
    assert abs(out["kept_ppm"]) < 0.2


def test_late_lost_and_early_samples_are_told_apart():
    timing = TimingAccounts([OutputSpec("lean", 2, 100.0, 0)], late_after_ns=1_500_000)
    for n in range(10):
        at = n * 10 * MS
        if n == 4:
            send(timing, 2, at, at, at + 3 * MS)
        elif n == 6:
            send(timing, 2, at, at, at, taken=0)
        else:
            send(timing, 2, at, at, at - 200_000)
    out = timing.certificate()["outputs"]["lean"]
    assert (out["sent"], out["late"], out["lost"], out["skipped"]) == (9, 1, 1, 1)
    assert out["age_error_us_min"] == -200.0
    assert -200.0 <= out["age_error_us_p50"] <= -188.0
    assert out["age_error_us_max"] == 3000.0
    assert out["age_ms_max"] == 3.0
    assert out["jitter_us_max"] == 3200.0


def test_gap_that_was_meant_is_a_gap_and_not_jitter():
    timing = TimingAccounts([OutputSpec("lean", 2, 100.0, 0)])
    for n in [*range(50), *range(150, 200)]:
        send(timing, 2, n * 10 * MS, n * 10 * MS, n * 10 * MS)
    out = timing.certificate()["outputs"]["lean"]
    assert (out["sent"], out["skipped"], out["jitter_us_max"], out["kept_ppm"]) == (100, 100, 0.0, 0.0)


def test_the_longest_silence_ends_when_it_is_over_and_periods_without_a_sample_are_none():
    timing = TimingAccounts([OutputSpec("lean", 2, 100.0, 0)])
    for valid, sent in ((0, 0), (10, 10), (20, 20), (30, 65), (130, 130), (140, 140)):
        send(timing, 2, valid * MS, valid * MS, sent * MS)
    out = timing.certificate()["outputs"]["lean"]
    assert (out["silence_ms_max"], out["silence_end_s"], out["skipped"]) == (45.0, 0.065, 9)


def test_frames_a_fault_has_moved_are_sent_but_not_part_of_the_promise():
    timing = TimingAccounts([OutputSpec("lean", 2, 100.0, 0)])
    for n in range(10):
        send(timing, 2, n * 10 * MS, n * 10 * MS, n * 10 * MS)
        send(timing, 2, n * 10 * MS, UNTIMED, n * 10 * MS + 9 * MS)
    out = timing.certificate()["outputs"]["lean"]
    assert (out["sent"], out["late"], out["age_ms_max"], out["jitter_us_max"]) == (20, 0, 0.0, 0.0)


def test_gnss_bursts_are_certified_like_frames():
    timing = TimingAccounts([OutputSpec("gnss", GNSS, 10.0, 40 * MS)])
    for n in range(20):
        timing.gnss(n * 100 * MS, n * 100 * MS - 40 * MS, n * 100 * MS + 100_000, taken=n != 7)
    out = timing.certificate()["outputs"]["gnss"]
    assert (out["sent"], out["lost"], out["skipped"]) == (19, 1, 1)
    assert out["age_ms_max"] == pytest.approx(40.1)
    TimingAccounts([]).gnss(0, 0, 0, taken=True)


def test_frames_nobody_promised_are_left_out():
    timing = TimingAccounts([OutputSpec("lean", 2, 100.0, 0)])
    send(timing, 99, 0, 0, 0)
    assert timing.certificate()["outputs"]["lean"]["sent"] == 0


@pytest.mark.parametrize(
    ("outputs", "message"),
    [
        ([OutputSpec("a", 1, 1.0, 0), OutputSpec("b", 1, 1.0, 0)], "share an identifier"),
        ([OutputSpec("a", 1, 0.0, 0)], "rate above 0"),
        ([OutputSpec("a", 1, math.nan, 0)], "rate above 0"),
    ],
)
def test_senseless_promises_are_refused(outputs, message):
    with pytest.raises(ValueError, match=message):
        TimingAccounts(outputs)


def test_where_the_bit_rate_is_known_a_frame_counts_when_it_has_arrived():
    wire = 250_000
    timing = TimingAccounts(
        [OutputSpec("imu", 2, 500.0, 2 * MS, wire_ns=wire), OutputSpec("lean", 3, 100.0, MS)]
    )
    frames = frame_buffer(4)
    frames.count[0], frames.can_id[:4] = 4, (2, 2, 3, 2)
    frames.time_ns[:4], frames.valid_ns[:4] = 10 * MS, (8 * MS, UNTIMED, 9 * MS, UNTIMED)
    timing.frames(frames, 4, 10 * MS)
    frames.count[0], frames.can_id[0], frames.valid_ns[0], frames.time_ns[0] = 1, 2, 10 * MS, 12 * MS
    timing.frames(frames, 1, 10 * MS + 700_000)  # still busy until 10.75, with what a fault has put before it
    timing.frames(frames, 1, 11 * MS)  # free again
    certificate = timing.certificate()
    out = certificate["outputs"]
    assert certificate["arrival"] == "computed"
    assert out["imu"]["wire_us"] == 250.0
    assert out["imu"]["age_error_us_max"] == 250.0
    assert out["imu"]["age_error_us_min"] == (11.0 + 0.25 - 12.0) * 1e3
    assert (out["imu"]["sent"], out["imu"]["judged"]) == (5, 2)
    assert out["imu"]["left_out"] == {"frame_fault": 2, "bus_fault": 1, "never_arrived": 0}
    assert out["imu"]["disturbed"]["age_ms_max"] == 1.0
    assert (out["lean"]["wire_us"], out["lean"]["age_ms_max"]) == (0.0, 1.0)
    timing.restart()
    timing.frames(frames, 1, 0)  # scenario time has jumped back: the bus is free
    assert timing.certificate()["outputs"]["imu"]["age_error_us_max"] == -12_000.0 + 250.0


def test_an_overloads_frames_take_their_time_and_what_comes_behind_them_is_told_apart():
    spec = OutputSpec("imu", 2, 500.0, 2 * MS, wire_ns=123_000)
    timing = TimingAccounts([spec], times=wire_times(BitRates(1_000_000, 1_000_000)))
    frames = frame_buffer(4)
    frames.count[0], frames.can_id[:], frames.length[:] = 4, (9, 9, 2, 2), 8
    frames.time_ns[:], frames.valid_ns[:] = 2 * MS, (UNTIMED, UNTIMED, 0, UNTIMED)
    timing.frames(frames, 4, 2 * MS)
    frames.count[0], frames.can_id[0], frames.valid_ns[0], frames.time_ns[0] = 1, 2, 2 * MS, 4 * MS
    timing.frames(frames, 1, 4 * MS)
    out = timing.certificate()["outputs"]["imu"]
    assert (out["sent"], out["judged"]) == (3, 1)
    assert out["left_out"] == {"frame_fault": 1, "bus_fault": 1, "never_arrived": 0}
    theirs, ours = (frame_on_the_wire(can_id, False, bytes(8)).nominal * 1e-3 for can_id in (9, 2))
    assert out["age_ms_max"] == 2.0 + ours
    behind_ms = 2.0 + 2 * theirs + ours
    assert out["disturbed"] == {
        "count": 1,
        "late": 0,
        "age_ms_p50": pytest.approx(behind_ms, rel=0.003),
        "age_ms_p99": pytest.approx(behind_ms, rel=0.003),
        "age_ms_max": pytest.approx(behind_ms),
        "age_max_at_s": 0.002,
    }


def test_what_the_virtual_bus_gives_up_is_lost_unless_the_scenario_was_in_the_way():
    timing = TimingAccounts([OutputSpec("imu", 2, 500.0, 2 * MS, wire_ns=123_000)])
    a = timing.frame_accounts
    for n, taken in enumerate((True, True, True, False)):
        account_handed_over(a, 2, n * MS, taken)
    account_arrival(a, 2, 0, -2 * MS, 100_000, False)
    account_given_up(a, 2, 1 * MS, True)
    account_given_up(a, 2, 2 * MS, False)
    account_handed_over(a, 99, 0, True)  # nobody's
    out = timing.certificate()["outputs"]["imu"]
    assert (out["sent"], out["lost"], out["judged"]) == (2, 2, 1)
    assert out["left_out"] == {"frame_fault": 0, "bus_fault": 0, "never_arrived": 1}
    assert out["first_lost_s"] == 0.003
    assert out["disturbed"] is None


def test_a_frame_the_link_refused_takes_no_time_on_the_bus():
    timing = TimingAccounts([OutputSpec("imu", 2, 500.0, 0, wire_ns=250_000)])
    send(timing, 2, 0, 0, 0, taken=0)
    send(timing, 2, 0, 0, 0)
    assert timing.certificate()["outputs"]["imu"]["age_error_us_max"] == 250.0


def test_samples_out_of_order_are_told_and_do_not_disturb_the_rate():
    timing = TimingAccounts([OutputSpec("lean", 2, 100.0, 0)])
    for n in (0, 1, 2, 4, 3, 5, 6):
        at = n * 10 * MS
        send(timing, 2, at, at, at if n != 3 else 41 * MS)
    out = timing.certificate()["outputs"]["lean"]
    assert (out["sent"], out["disordered"], out["skipped"]) == (7, 1, 1)
    assert (out["kept_ppm"], out["kept_hz"], out["jitter_us_max"]) == (0.0, 100.0, 0.0)
    assert out["age_ms_max"] == 11.0


@settings(max_examples=50)
@given(st.lists(st.integers(-30 * MS, 30 * MS), min_size=1, max_size=60))
def test_the_ages_histogram_holds_every_sample_where_it_belongs(errors):
    latency = 40 * MS
    timing = TimingAccounts([OutputSpec("lean", 2, 100.0, latency)])
    for n, error in enumerate(errors):
        send(timing, 2, n * 10 * MS, n * 10 * MS, n * 10 * MS + latency + error)
    out = timing.certificate()["outputs"]["lean"]
    edges, counts = out["age_histogram"]["edges_ms"], out["age_histogram"]["counts"]
    assert sum(counts) == len(errors)
    assert len(edges) == len(counts) + 1
    assert edges == sorted(edges)
    ages = sorted((latency + e) * 1e-6 for e in errors)
    assert edges[0] == pytest.approx(ages[0], abs=1e-6)
    assert edges[-1] == pytest.approx(ages[-1], abs=1e-6)
    seen = 0
    for upper, count in zip(edges[1:], counts, strict=True):
        seen += count
        at_most = sum(age <= upper + 1e-5 for age in ages)  # an age on an edge belongs to the bin above it
        assert at_most >= seen
        assert sum(age < upper - 1e-5 for age in ages) <= seen
