"""Exact rates on the tick grid, and delay lines whose samples come out in order and in time."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from emulator.core.compiled import jit
from emulator.core.random_streams import stream_start
from emulator.sensors.sampling import (
    MOST_VALUES,
    enter,
    is_due,
    next_frame,
    outputs,
    pop,
    rate_fraction,
    ready,
    tick_of,
)

MS = 1_000_000


@jit
def _sampled_ticks(out, ticks, tick_ns, found):
    n = 0
    for tick in range(ticks):
        if is_due(out[0], tick, tick_ns):
            found[n] = tick
            n += 1
    return n


@jit
def _through(out, lines, ticks, tick_ns, streams, came):
    """Numbered samples go in when due and out when ready; ``came`` takes tick, number, due, valid."""
    entered = n = 0
    for tick in range(ticks):
        o = out[0]
        now = tick * tick_ns
        if is_due(o, tick, tick_ns):
            place = enter(o, 0, lines, now, streams)
            lines.values[0, place, 0] = entered
            entered += 1
        place = ready(o, 0, lines, now)
        while place >= 0:
            came[n, 0], came[n, 1] = tick, np.int64(lines.values[0, place, 0])
            came[n, 2], came[n, 3] = lines.due_ns[0, place], lines.valid_ns[0, place]
            n += 1
            place = ready(o, 0, lines, now)
    return n


def sampled_ticks(rate_hz, ticks, tick_ns=MS):
    out, _ = outputs([rate_hz], [0], [0], 0)
    found = np.empty(ticks, np.int64)
    return found[: _sampled_ticks(out, ticks, tick_ns, found)]


def through(rate_hz, latency_ns, jitter_ns, ticks, seed=1):
    out, lines = outputs([rate_hz], [latency_ns], [jitter_ns], 0)
    came = np.empty((ticks + 1, 4), np.int64)
    n = _through(out, lines, ticks, MS, np.array([stream_start(seed, "jitter")], np.uint64), came)
    return came[:n], int(out[0]["sampled"]), int(out[0]["tail"] - out[0]["head"])


# --- rates --------------------------------------------------------------------------------------------


@given(
    num=st.integers(1, 1_000_000_000),
    den=st.integers(1, 1_000_000),
    instance=st.integers(0, 100_000_000),
    tick_ns=st.sampled_from([MS, MS // 2, 333_333, 2 * MS]),
)
@example(num=333_333, den=1000, instance=28_799_999, tick_ns=MS)  # a third of a kilohertz for a day
@example(num=999_999, den=1000, instance=86_399_913, tick_ns=MS)
@example(num=999_999_999, den=1_000_000, instance=86_399_999, tick_ns=MS)
@example(num=1, den=1000, instance=100_000, tick_ns=MS)  # a thousandth of a hertz for three years
def test_an_instance_belongs_to_the_tick_nearest_to_its_exact_time(num, den, instance, tick_ns):
    assume(instance * den <= num * 10**9)  # thirty years
    exact = Fraction(instance * den * 10**9, num * tick_ns)
    tick = int(tick_of(instance, num, den, tick_ns))
    assert Fraction(-1, 2) < tick - exact <= Fraction(1, 2)


@given(rate=st.floats(0.001, 1000.0))
@example(rate=0.001)
@example(rate=0.00100000049)  # between a thousandth and its neighbour
@example(rate=1.0000005)  # half way between two fractions
@example(rate=10.0004)
@example(rate=999.9999999)
def test_any_rate_is_kept_to_half_a_ppm(rate):
    kept = rate_fraction(rate)
    # Neighbours with denominators b and d lie 1 / (b d) apart, and b + d is more than a million.
    assert abs(kept - Fraction(rate)) <= Fraction(rate) * Fraction(51, 100_000_000)
    assert kept.numerator <= 1_000_000_000  # what tick_of takes
    assert kept.denominator <= 1_000_000


@given(rate=st.floats(0.5, 1000.0))
@settings(max_examples=60)
@example(rate=1000.0)
@example(rate=333.3)
@example(rate=7.3)
@example(rate=0.50025)
def test_any_rate_is_kept_in_the_mean_and_within_half_a_tick(rate):
    ticks = 20_000
    found = sampled_ticks(rate, ticks)
    exact = np.arange(found.size) * 1000.0 / rate
    assert np.abs(found - exact).max() <= 0.5 + 0.51e-6 * ticks
    assert abs(found.size - ticks * rate / 1000.0) <= 1.5
    assert (np.diff(found) > 0).all()


@pytest.mark.parametrize("rate", [1, 5, 8, 10, 12.5, 20, 40, 50, 100, 125, 200, 250, 500, 1000])
def test_a_rate_that_divides_the_tick_has_no_jitter_at_all(rate):
    found = sampled_ticks(float(rate), 5000)
    assert np.array_equal(found, np.arange(found.size) * round(1000 / rate))


def test_the_rate_of_a_third_is_exact_over_a_long_run():
    found = sampled_ticks(100.0 / 3.0, 300_000)
    assert found.size == 10_000
    assert found[3] == 90


def test_an_output_that_was_not_asked_for_a_while_makes_up_one_instance_a_tick():
    out, _ = outputs([1000.0], [0], [0], 0)
    assert [is_due(out[0], tick, MS) for tick in (0, 3, 3, 3, 3)] == [True, True, True, True, False]


# --- delay lines --------------------------------------------------------------------------------------


@pytest.mark.parametrize("rate", [10.0, 100.0, 333.3, 1000.0])
@pytest.mark.parametrize("latency_ms", [0.0, 1.0, 2.5, 8.0, 250.0, 1000.0])
def test_without_jitter_the_age_is_exact_to_the_tick(rate, latency_ms):
    latency = round(latency_ms * 1e6)
    came, sampled, waiting = through(rate, latency, 0, 4000)
    tick, number, due, valid = came.T
    assert np.array_equal(number, np.arange(number.size))  # all, in order
    assert sampled == number.size + waiting
    assert np.array_equal(due - valid, np.full(number.size, latency))
    assert np.array_equal(tick * MS - valid, np.full(number.size, -(-latency // MS) * MS))
    assert number.size >= 4000 * rate / 1000 - latency_ms * rate / 1000 - 2


@given(
    rate=st.floats(1.0, 1000.0),
    latency=st.integers(0, 50 * MS),
    jitter=st.integers(1, 40 * MS),
    seed=st.integers(0, 2**32),
)
@settings(max_examples=80)
def test_with_jitter_samples_never_come_early_never_overtake_and_never_wait_longer_than_they_must(
    rate, latency, jitter, seed
):
    came, sampled, waiting = through(rate, latency, jitter, 1500, seed)
    tick, number, due, valid = came.T
    assert np.array_equal(number, np.arange(number.size))
    assert sampled == number.size + waiting
    assert (due - valid >= latency).all()
    assert (np.diff(due) >= 0).all()
    assert np.array_equal(tick, -(-due // MS))  # out in the first tick at or after it is due


def test_the_jitter_is_half_normal():
    # so slow that no sample waits for the one before it
    jitter = 3 * MS
    came, _, _ = through(20.0, 10 * MS, jitter, 200_000)
    extra = (came[:, 2] - came[:, 3] - 10 * MS) / jitter
    # mean sqrt(2/pi), variance 1 - 2/pi of a half-normal (closed form)
    n = extra.size
    assert n > 3900
    assert abs(extra.mean() - np.sqrt(2 / np.pi)) < 4.5 * np.sqrt((1 - 2 / np.pi) / n)
    assert abs((extra**2).mean() - 1.0) < 4.5 * np.sqrt(2 / n)


def test_a_full_line_forgets_its_oldest_and_goes_on():
    out, lines = outputs([1000.0], [0], [0], 0)
    o, depth = out[0], lines.due_ns.shape[1]
    o["latency_ns"] = 100 * MS  # longer than the line is deep
    streams = np.zeros(1, np.uint64)
    for k in range(depth + 3):
        place = enter(o, 0, lines, k * MS, streams)
        lines.values[0, place, 0] = k
        assert int(o["tail"] - o["head"]) <= depth
    left = []
    while (place := ready(o, 0, lines, 10**12)) >= 0:
        left.append(int(lines.values[0, place, 0]))
    assert left == list(range(3, depth + 3))


def test_lines_are_deep_enough_for_latency_and_six_sigma():
    _, lines = outputs([100.0, 10.0], [1000 * MS, 0], [50 * MS, 0], 0)
    assert lines.due_ns.shape == (2, 4 + 130)
    assert lines.values.shape == (2, 4 + 130, MOST_VALUES)


def test_outputs_keep_their_rates_as_exact_fractions_and_their_own_jitter_streams():
    out, _ = outputs([12.5, 100.0 / 3.0], [1, 2], [3, 4], 8)
    assert [(int(o["rate_num"]), int(o["rate_den"])) for o in out] == [(25, 2), (100, 3)]
    assert [int(o["stream"]) for o in out] == [8, 9]
    assert (out["frame"] == -1).all()
    assert (out["value_of"] == -1).all()
    assert (out["family"] == -1).all()


def test_different_jitter_streams_draw_differently():
    a, _, _ = through(100.0, 0, 2 * MS, 1000, seed=1)
    b, _, _ = through(100.0, 0, 2 * MS, 1000, seed=2)
    assert not np.array_equal(a[:50, 2], b[:50, 2])


def test_an_empty_line_gives_nothing():
    out, lines = outputs([10.0], [0], [0], 0)
    assert ready(out[0], 0, lines, 10**15) == -1


# --- on a bus whose bit rate is known ------------------------------------------------------------------


@jit
def _over_the_bus(out, lines, ticks, streams, came):
    """As in the plant; ``came`` takes output, tick, due, valid, arrival of each sample."""
    n, free = 0, 0
    for tick in range(ticks):
        now = tick * 1_000_000
        for i in range(out.shape[0]):
            if is_due(out[i], tick, 1_000_000):
                enter(out[i], i, lines, now, streams)
        i = next_frame(out, now, free, 1_000_000)
        while i >= 0:
            place = pop(out[i], i, lines)
            free = max(now, free) + out[i].wire_ns
            came[n, 0], came[n, 1], came[n, 4] = i, tick, free
            came[n, 2], came[n, 3] = lines.due_ns[i, place], lines.valid_ns[i, place]
            n += 1
            i = next_frame(out, now, free, 1_000_000)
    return n


def over_the_bus(wire_ns, rates_hz, latencies_ns, jitters_ns, ticks=1000, seed=1):
    out, lines = outputs(rates_hz, latencies_ns, jitters_ns, 0)
    out["frame"], out["wire_ns"] = 0, wire_ns
    streams = np.array([stream_start(seed, f"jitter/{i}") for i in range(len(rates_hz))], np.uint64)
    came = np.empty(((ticks + 1) * len(rates_hz), 5), np.int64)
    return came[: _over_the_bus(out, lines, ticks, streams, came)].T


@given(
    rate=st.sampled_from([1.0, 33.3, 50.0, 100.0, 333.3, 500.0, 1000.0]),
    latency=st.integers(0, 20 * MS),
    jitter=st.sampled_from([0, 0, 300_000, 900_000]),
    wire=st.integers(1, 900_000),
    seed=st.integers(0, 1000),
)
@settings(max_examples=80)
@example(rate=500.0, latency=2 * MS, jitter=0, wire=500_000, seed=0)
@example(rate=1000.0, latency=499_999, jitter=0, wire=1, seed=0)
def test_alone_on_the_bus_a_sample_arrives_within_half_a_tick_of_its_due_time(
    rate, latency, jitter, wire, seed
):
    _, tick, due, valid, arrival = over_the_bus(
        wire, [rate], [latency + wire], [min(jitter, int(0.9e9 / rate))], seed=seed
    )
    late = arrival - due
    alone = np.concatenate([[True], arrival[:-1] <= tick[1:] * MS])  # jitter may put one behind the other
    assert np.abs(late[alone]).max() <= MS // 2
    assert (valid <= tick * MS).all()
    assert len(due) >= 1


def test_a_sample_goes_at_the_tick_that_brings_its_arrival_nearest():
    # 0.3 ms on the bus: handed over at tick 2 it arrives at 2.3, at tick 1 at 1.3, half way is 1.8
    for latency, ticks in ((1_799_999, 1), (1_800_000, 1), (1_800_001, 2), (2_300_000, 2), (2_800_001, 3)):
        _, tick, _, valid, _ = over_the_bus(300_000, [10.0], [latency], [0])
        assert set(tick - valid // MS) == {ticks}, latency


def test_two_for_one_instant_share_the_miss():
    # both due at 3.5; the first arrives at 3.2 or, a tick earlier, 2.2; behind it the second at 3.4
    which, _, due, _, arrival = over_the_bus(200_000, [10.0, 10.0], [3_500_000] * 2, [0, 0])
    assert which.tolist()[:4] == [0, 1, 0, 1]
    assert set(arrival - due) == {-300_000, -100_000}
    # due at 3.0, 0.45 ms each: the first could be 0.45 late. The second 0.9 late behind it or, a tick
    # earlier, 0.55 early, which is nearer; and behind that the first is 0.1 early
    which, _, due, _, arrival = over_the_bus(450_000, [10.0, 10.0], [3_000_000] * 2, [0, 0])
    assert which.tolist()[:4] == [1, 0, 1, 0]
    assert set(zip(which, arrival - due, strict=True)) == {(0, -100_000), (1, -550_000)}


@given(
    latencies=st.lists(st.integers(0, 8 * MS), min_size=2, max_size=5),
    jitter=st.sampled_from([0, 2 * MS]),
    seed=st.integers(0, 99),
)
@settings(max_examples=30)
def test_without_a_bit_rate_samples_go_when_due_in_the_order_of_the_rig(latencies, jitter, seed):
    rates = [500.0, 100.0, 333.3, 100.0, 50.0][: len(latencies)]
    which, tick, due, _, arrival = over_the_bus(
        0, rates, latencies, [min(jitter, 1_900_000)] * len(rates), 400, seed
    )
    assert np.array_equal(tick, -(-due // MS))
    assert np.array_equal(arrival, tick * MS)
    assert (np.diff(tick) >= 0).all()
    assert ((np.diff(tick) > 0) | (np.diff(which) >= 0)).all()


@given(
    waiting=st.lists(
        st.tuples(
            st.one_of(st.none(), st.integers(-2 * MS, 12 * MS)),
            st.sampled_from([0, 130_000, 260_000, 900_000]),
            st.booleans(),
        ),
        min_size=1,
        max_size=9,
    ),
    free=st.integers(-3 * MS, 4 * MS),
)
@settings(max_examples=300)
def test_the_next_frame_is_that_of_the_rule(waiting, free):
    """By the rule's own words, each output looked at by itself."""
    out, _ = outputs([100.0] * len(waiting), [0] * len(waiting), [0] * len(waiting), 0)
    for o, (due, wire, gnss) in zip(out, waiting, strict=True):
        o["wire_ns"], o["frame"] = wire, -1 if gnss else 0
        if due is not None:
            o["first_due_ns"] = due
    frames = [(due, i, wire) for i, (due, wire, gnss) in enumerate(waiting) if due is not None and not gnss]
    may = []
    for due, i, wire in frames:
        before = sum(w for d, j, w in frames if (d, j) < (due, i))
        now_there = max(0, free) + wire
        then_there = max(MS, free) + wire + (before if now_there < due else 0)
        if (due <= 0) if wire == 0 else due - now_there <= then_there - due:
            may.append((due, i, wire))
    at_once = [i for _, i, wire in may if wire == 0]
    expected = min(at_once) if at_once else min(may)[1] if may else -1
    found = next_frame(out, 0, free, MS)
    # a bus has a known rate or none: where both kinds are mixed, the first of those without one goes
    assert found == expected
