"""Tone ring: edges where and when the turning wheel puts them, and what a timer makes of them."""

import math

import numpy as np
import pytest

from emulator.core.compiled import jit
from emulator.sensors.wheel_speed import (
    COUNTER_MODULO,
    RING_DTYPE,
    bring_to_rest,
    edge_age,
    edge_count,
    edge_frequency,
    tone_ring,
    turn,
    wheel_speed,
)

TICK_NS = 1_000_000
TURN = 2.0 * math.pi


@jit
def _drive(ring, rates, times_ns, newest, speeds, frequencies, counts):
    r = ring[0]
    for i in range(rates.shape[0]):
        turn(r, rates[i], times_ns[i])
        speeds[i] = wheel_speed(r)
        frequencies[i] = edge_frequency(r)
        counts[i] = r.edges
        newest[i] = r.time_ns[(r.edges - 1) % r.time_ns.shape[0]]


class Driven:
    """A ring turned tick by tick through rates [rad/s]; what it showed at each tick."""

    def __init__(self, ring, rates, first_tick=1):
        rates = np.asarray(rates, float)
        n = rates.size
        self.time_ns = (np.arange(n) + first_tick) * TICK_NS
        self.speed, self.frequency = np.zeros(n), np.zeros(n)
        self.edges, self.newest_ns = np.zeros(n, np.int64), np.zeros(n, np.int64)
        _drive(ring, rates, self.time_ns, self.newest_ns, self.speed, self.frequency, self.edges)
        self.ring = ring


def ring(teeth=48, radius=0.30, *, seed=3, name="front", **options):
    return tone_ring(teeth, radius, seed=seed, name=name, **options)


def steady(r, rate, seconds):
    """At this rate from the start: the tick that brings it to speed is left out."""
    r[0]["rate"] = rate
    return Driven(r, np.full(round(seconds * 1000), rate))


def turned(rates):
    """[rad] gone, the rate linear within ticks and 0 before."""
    return np.cumsum(0.5 * (np.concatenate(([0.0], rates[:-1])) + rates)) * 1e-3


# --- edges --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("teeth", [2, 47, 48, 256])
@pytest.mark.parametrize("spread", [0.0, 0.02])
def test_the_count_is_turns_times_teeth(teeth, spread):
    """Speeding up, cruising, braking; counted over 900 turns."""
    t = np.arange(1, 60_001) * 1e-3
    rates = 140.0 * np.minimum(1.0, t / 9.0) * np.minimum(1.0, (60.0 - t) / 7.0) + 3.0 * np.sin(
        TURN * 1.3 * t
    )
    rates = np.maximum(rates, 0.0)
    d = Driven(ring(teeth, pitch_error=spread, eccentricity=spread), rates)
    off = d.edges - turned(rates) / TURN * teeth
    assert d.edges[-1] > 900 * teeth
    # an edge early or late by where it stood and where its tooth is
    assert np.abs(off).max() < 1.0 + (8 * spread * math.sqrt(2) + 2 * spread * teeth / TURN)


@pytest.mark.parametrize("timer_ns", [1, 200, 1000, 50_000])
@pytest.mark.parametrize(("start", "acceleration"), [(0.0, 40.0), (150.0, -90.0), (60.0, 0.0), (5.0, 700.0)])
def test_edge_times_are_those_of_constant_acceleration(timer_ns, start, acceleration):
    """theta = w t + a t^2 / 2 solved for each edge: closed form, kinematics."""
    r = ring(96, timer_ns=timer_ns)
    r[0]["rate"] = start
    teeth, first, at = 96, int(r[0]["next"]), float(r[0]["angle"])
    ticks = np.arange(1, 1501)
    d = Driven(r, start + acceleration * ticks * 1e-3)
    stamped = d.newest_ns[np.diff(d.edges, prepend=0) > 0]
    numbers = d.edges[np.diff(d.edges, prepend=0) > 0] - 1
    place = (first + numbers) * TURN / teeth - at + (float(r[0]["edge"][0]))
    place -= TURN if place[0] > TURN else 0.0
    root = np.sqrt(start**2 + 2.0 * acceleration * place)
    exact_ns = 2.0 * place / (start + root) * 1e9
    assert numbers.size > 400
    late = exact_ns - stamped
    assert late.min() > -2.0  # floor of the timer, and 1 ns of arithmetic
    assert late.max() < timer_ns + 2.0
    assert not (stamped % timer_ns).any()


def test_several_edges_within_a_tick_are_all_stamped_in_order():
    r = ring(256)
    d = steady(r, 300.0, 0.02)
    times = r[0]["time_ns"][: int(r[0]["edges"])]
    assert d.edges[-1] / 20 > 10  # a tick
    assert np.allclose(np.diff(times), TURN / 256 / 300.0 * 1e9, atol=1001)


def test_turning_back_counts_on_and_reads_positive():
    r = ring(48)
    d = Driven(r, [*np.linspace(20, 20, 500), *np.linspace(20, -20, 400), *np.linspace(-20, -20, 600)])
    gone = abs(turned(np.r_[np.full(500, 20.0), np.linspace(20, -20, 400), np.full(600, -20.0)])).max()
    assert gone > TURN  # it was more than a turn away
    assert (np.diff(d.edges) >= 0).all()
    assert d.speed[-1] == pytest.approx(20.0 * 0.30, rel=1e-4)
    # forth 18 rad past the start, back as far as it came and beyond: 0.5*20 + 0.2*10, then 0.2*10 + 0.6*20
    assert d.edges[-1] == pytest.approx((12.0 + 14.0) / TURN * 48, abs=2.0)


def test_a_wheel_that_trembles_at_an_edge_does_not_count_up():
    r = ring(48)
    r[0]["angle"] = r[0]["edge"][5] - 1e-4
    r[0]["next"] = 5
    t = np.arange(3000) * 1e-3
    trembling = 0.4 * np.sin(TURN * 40.0 * t)  # +-1.6 mrad: 1.2 % of a pitch
    assert Driven(r, trembling).edges[-1] == 1
    # rocking by more than a tooth is seen as motion
    rocking = 16.0 * np.sin(TURN * 8.0 * t)
    assert Driven(ring(48), rocking).edges[-1] > 100


def test_a_rate_that_is_no_number_or_no_wheels_is_survived():
    r = ring(48)
    Driven(r, [10.0, math.nan, math.inf, 10.0, 1e300, -1e300, 10.0])
    assert np.isfinite(r[0]["angle"])
    assert r[0]["edges"] < 400
    with_gap, without = ring(48), ring(48)
    Driven(with_gap, [50.0, 50.0, math.nan, math.nan, 50.0])
    Driven(without, [50.0] * 5)
    assert with_gap == without  # the last rate goes on


def test_a_turn_within_a_tick_is_both_ways():
    """From w to -w in T: forward w T / 4, and back to where it was."""
    r = ring(256)
    r[0]["rate"] = 2000.0
    at = float(r[0]["angle"])
    Driven(r, [-2000.0])
    one_way = 2000.0 * 1e-3 / 4 / TURN * 256
    assert one_way > 20
    assert r[0]["edges"] == pytest.approx(2 * one_way, abs=2.0)
    assert r[0]["angle"] == pytest.approx(at, abs=1e-12)


def test_without_a_ring_nothing_happens():
    r = np.zeros(1, RING_DTYPE)
    turn(r[0], 10.0, TICK_NS)
    assert r == np.zeros(1, RING_DTYPE)


# --- speed and frequency ------------------------------------------------------------------------------

HANDBOOK = [  # N, r [m], v [m/s], f [Hz]: 'N v/(2 pi r)', kinematics; ten digits computed from it
    (48, 0.30, 1.0, 25.46479089),
    (48, 0.30, 10.0, 254.6479089),
    (48, 0.30, 50.0, 1273.239545),
    (50, 0.30, 1.0, 26.52582385),
    (50, 0.30, 10.0, 265.2582385),
    (50, 0.30, 50.0, 1326.291192),
    (96, 0.30, 1.0, 50.92958179),
    (96, 0.30, 10.0, 509.2958179),
    (96, 0.30, 50.0, 2546.479089),
    (100, 0.30, 1.0, 53.0516477),
    (100, 0.30, 10.0, 530.516477),
    (100, 0.30, 50.0, 2652.582385),
]


@pytest.mark.parametrize(("teeth", "radius", "speed", "expected_hz"), HANDBOOK)
def test_frequency_is_that_of_the_handbook(teeth, radius, speed, expected_hz):
    d = steady(ring(teeth, radius, window=16, timer_ns=1), speed / radius, 2.0)
    # 16 intervals between stamps that are floored to 1 ns
    tolerance = expected_hz * (1.01 * 1e-9 / (16 / expected_hz))
    assert d.frequency[-1] == pytest.approx(expected_hz, abs=max(tolerance, expected_hz * 1e-9))
    assert d.speed[-1] == pytest.approx(speed, rel=tolerance / expected_hz + 1e-9)


@pytest.mark.parametrize("window", [1, 8])
def test_the_timer_limits_the_reading(window):
    """Two stamps off by up to a step each: relative error up to step / window time; half is reached."""
    speed, timer = 37.3, 5000
    d = steady(ring(window=window, timer_ns=timer), speed / 0.30, 1.5)
    limit = timer * 1e-9 * (48 * speed / (TURN * 0.30)) / window
    off = np.abs(d.speed[500:] / speed - 1.0)
    assert off.max() < limit * 1.02
    assert off.max() > 0.4 * limit


def test_the_reading_lags_by_half_its_window():
    """Under constant acceleration a mean over T ends T/2 behind, and the newest edge is up to a pitch old."""
    acceleration, window = 30.0, 24
    r = ring(window=window, timer_ns=1)
    r[0]["rate"] = 60.0
    t = np.arange(1, 2001) * 1e-3
    d = Driven(r, 60.0 + acceleration * t)
    rate = 60.0 + acceleration * t
    half = 0.5 * window * TURN / 48 / rate
    lag = (rate - d.speed / 0.30)[500:] / acceleration
    pitch_time = (TURN / 48 / rate)[500:]
    assert (lag > 0.98 * half[500:]).all()
    assert (lag < 1.02 * half[500:] + 1.02 * pitch_time).all()


def test_a_window_in_time_takes_the_intervals_that_fit_it_and_at_least_one():
    r = ring(window=256, window_ns=10_000_000, timer_ns=1, pitch_error=0.02)
    slow = steady(r, 3.0, 2.0)  # 43 ms a tooth
    newest = int(r[0]["time_ns"][(int(r[0]["edges"]) - 1) % 257])
    before = int(r[0]["time_ns"][(int(r[0]["edges"]) - 2) % 257])
    assert slow.frequency[-1] == pytest.approx(1e9 / (newest - before), rel=1e-12)
    r = ring(window=256, window_ns=10_000_000, timer_ns=1, pitch_error=0.02)
    fast = steady(r, 150.0, 1.0)  # 0.87 ms a tooth
    times = [int(r[0]["time_ns"][(int(r[0]["edges"]) - 1 - k) % 257]) for k in range(30)]
    fits = max(k for k in range(30) if times[0] - times[k] <= 10_000_000)
    assert fits in (11, 12)
    assert fast.frequency[-1] == pytest.approx(fits * 1e9 / (times[0] - times[fits]), rel=1e-12)


def test_the_reading_comes_in_steps_of_its_resolution():
    d = Driven(ring(resolution_m_s=0.05, timer_ns=1), np.linspace(5.0, 90.0, 2000))
    assert np.allclose(d.speed, np.rint(d.speed / 0.05) * 0.05, atol=1e-12)
    assert len(set(np.rint(d.speed / 0.05))) > 300


# --- teeth that are not where they should be ----------------------------------------------------------


def lines(speeds, rate, seconds, orders):
    """Amplitude of the reading at multiples of the wheel's turns, relative to its mean."""
    turns = int(seconds * rate / TURN)
    n = round(turns * TURN / rate * 1000)
    x = speeds[-n:] / speeds[-n:].mean() - 1.0
    t = np.arange(n) * 1e-3
    return np.array([2.0 * abs(np.mean(x * np.exp(-1j * k * rate * t))) for k in orders])


RATE = TURN * 10.0  # ten turns a second


def test_an_eccentric_ring_is_a_line_once_a_turn_of_its_size():
    """Edges at k p + e sin(k p): an interval is p + e p cos, so the reading swings by e once a turn."""
    d = steady(ring(eccentricity=0.02, timer_ns=1), RATE, 6.0)
    found = lines(d.speed, RATE, 5.0, [1, 2, 3, 5])
    assert found[0] == pytest.approx(0.02, rel=0.02)
    assert found[1:].max() < 1e-3


def test_pitch_errors_repeat_each_turn():
    d = steady(ring(pitch_error=0.01, timer_ns=1), RATE, 6.0)
    orders = np.arange(1, 24)
    at = lines(d.speed, RATE, 5.0, orders)
    between = lines(d.speed, RATE, 5.0, orders + 0.5)
    assert at.max() > 0.002
    assert between.max() < 1e-6 + at.max() * 1e-2
    # and each turn reads as the one before
    turn_ticks = 100
    assert np.allclose(d.speed[-turn_ticks:], d.speed[-2 * turn_ticks : -turn_ticks], rtol=1e-6)


def test_pitch_errors_vanish_over_a_whole_turn():
    options = {"pitch_error": 0.02, "eccentricity": 0.02, "timer_ns": 1}
    one = steady(ring(**options), RATE, 4.0)
    part = steady(ring(**options, window=47), RATE, 4.0)
    whole = steady(ring(**options, window=48), RATE, 4.0)
    swing = [float(np.ptp(d.speed[1000:]) / (0.30 * RATE)) for d in (one, part, whole)]
    assert swing[0] > 0.05
    assert 1e-4 < swing[1] < swing[0] / 10
    assert swing[2] < 3e-8  # two stamps of 1 ns in 100 ms


def test_intervals_spread_by_the_square_root_of_two_of_a_tooth():
    spread = []
    for seed in range(40):
        edges = ring(256, seed=seed, pitch_error=0.01)[0]["edge"]
        spread.append(np.diff(edges) / (TURN / 256) - 1.0)
    assert np.std(spread) == pytest.approx(0.01 * math.sqrt(2.0), rel=4.5 / math.sqrt(2 * 40 * 255) * 1.3)


def test_teeth_come_from_seed_and_name():
    def teeth(**options):
        return ring(pitch_error=0.01, **options)[0]["edge"].tolist()

    assert teeth() == teeth()
    assert teeth(seed=4) != teeth()
    assert teeth(name="rear") != teeth()


def test_teeth_drawn_far_off_are_held_near_their_place():
    off = [ring(256, seed=s, pitch_error=0.1)[0]["edge"] / (TURN / 256) - np.arange(256) for s in range(20)]
    assert np.abs(off).max() == pytest.approx(0.3, abs=1e-9)  # three sigma: some of 5120 are beyond


@pytest.mark.parametrize("seed", range(30))
def test_the_worst_ring_allowed_has_its_teeth_in_order(seed):
    r = ring(256, seed=seed, pitch_error=0.1, eccentricity=0.1)
    edges = r[0]["edge"]
    assert (np.diff(edges) > 0.2 * TURN / 256).all()
    assert edges[0] + TURN - edges[-1] > 0.2 * TURN / 256
    # it stands between two edges
    before = edges[r[0]["next"] - 1] - (TURN if r[0]["next"] == 0 else 0.0)
    assert before <= r[0]["angle"] < edges[r[0]["next"]]


# --- standstill, start, lock-up -----------------------------------------------------------------------


def test_the_lowest_speed_is_a_pitch_in_the_time_out():
    lowest = TURN / 48 / 0.1  # [rad/s] with 100 ms
    assert steady(ring(), 1.02 * lowest, 3.0).speed[-1500:].min() > 0.0
    assert steady(ring(), 0.98 * lowest, 3.0).speed.max() == 0.0


def test_at_rest_it_reads_zero_and_has_no_edge():
    r = ring()
    d = Driven(r, np.zeros(500))
    assert not d.speed.any()
    assert not d.edges.any()
    assert math.isnan(edge_age(r[0]))


def test_a_locked_wheel_reads_zero_after_the_time_out_and_falls_before():
    r = ring(window=8)
    locks = 1000
    d = Driven(r, np.r_[np.full(locks, 100.0), np.zeros(300)])
    after = d.speed[locks:]
    assert after[0] == pytest.approx(30.0, rel=0.05)
    assert (np.diff(after) <= 0.0).all()
    # nothing to tell by until two pitches' time (2.6 ms), then 2 pitches over the time without an edge
    since = (d.time_ns - d.newest_ns)[locks:] * 1e-9
    bounded = (since > 0.0035) & (since <= 0.1)
    assert bounded.sum() > 90
    np.testing.assert_allclose(after[bounded], 2 * TURN / 48 * 0.30 / since[bounded], rtol=1e-9)
    assert (after[since > 0.1] == 0.0).all()
    assert after[-1] == 0.0


def test_at_the_end_of_a_run_it_shows_no_more_than_the_wheel_does():
    r = ring(timeout_ns=1_000_000_000)
    steady(r, 50.0, 1.0)
    bring_to_rest(r[0], True)
    assert wheel_speed(r[0]) == pytest.approx(15.0, rel=1e-3)
    turn(r[0], 10.0, 1_001_000_000)
    bring_to_rest(r[0], True)
    assert wheel_speed(r[0]) == pytest.approx(3.0, rel=1e-12)
    turn(r[0], 0.1, 1_002_000_000)  # less than an edge in the time-out
    bring_to_rest(r[0], True)
    assert wheel_speed(r[0]) == 0.0
    bring_to_rest(r[0], False)
    assert wheel_speed(r[0]) > 10.0  # its own last edges again


def test_after_standstill_the_old_edges_do_not_count():
    r = ring(window=8, timer_ns=1)
    again = 2000
    rates = np.r_[np.full(1000, 50.0), np.zeros(again - 1000), np.full(500, 50.0)]
    d = Driven(r, rates)
    shown = np.flatnonzero(d.speed[again:] > 0.0)[0] + again
    # the second edge gives the first interval; it may hold the tick the wheel took to come to speed
    assert d.edges[shown] == d.edges[again - 1] + 2
    pitch_s = TURN / 48 / 50.0
    assert d.speed[shown:].min() >= 15.0 * pitch_s / (pitch_s + 0.5e-3)
    assert d.speed[shown + 30 :].min() == pytest.approx(15.0, rel=1e-4)  # eight intervals on, it is gone


def test_age_and_counter_rebuild_the_edges():
    r = ring(timer_ns=100, pitch_error=0.01)
    at, counted = {}, 0
    for tick in range(1, 2500):
        turn(r[0], 40.0 + 0.01 * tick, tick * TICK_NS)
        now = int(edge_count(r[0]))
        if (now - counted) % COUNTER_MODULO:
            at[now] = tick * TICK_NS - round(edge_age(r[0]) * 1e9)
        counted = now
    kept = [n for n in at if n > r[0]["edges"] - 250]
    assert len(kept) > 200
    for n in kept:
        assert at[n] == r[0]["time_ns"][(n - 1) % 257]


def test_between_slow_samples_edges_are_rebuilt_by_counting():
    """Edge k at t1 + (t2 - t1) (k - n1) / (n2 - n1), as the frame's comment in the DBC says."""
    r = ring(timer_ns=1)
    r[0]["rate"] = 60.0
    stamped, slow = {}, []
    for tick in range(1, 3000):
        turn(r[0], 60.0 + 0.02 * tick, tick * TICK_NS)  # 20 rad/s^2
        n, age = int(r[0]["edges"]), edge_age(r[0])
        if n:
            stamped[n] = tick * TICK_NS - round(age * 1e9)
            if tick % 10 == 0:
                slow.append((n, stamped[n]))
    numbers, times = np.array(slow).T
    known = [n for n in stamped if numbers[0] <= n <= numbers[-1]]
    assert len(known) > 1000
    rebuilt = np.interp(known, numbers, times)
    # chord against parabola: a T^2 / 8 in angle over T of at most two pitches more than 10 ms
    bound = 20.0 * 0.0144**2 / 8 / 60.0 * 1e9
    assert np.abs(rebuilt - [stamped[n] for n in known]).max() < bound


def test_the_counter_wraps():
    r = ring()
    r[0]["edges"] = COUNTER_MODULO + 7
    assert edge_count(r[0]) == 7.0


@pytest.mark.parametrize(
    ("teeth", "options", "expected"),
    [
        (1, {}, "2 to 256 teeth, got 1"),
        (257, {}, "2 to 256 teeth, got 257"),
        (48, {"window": 0}, "1 to 256 intervals, got 0"),
        (48, {"pitch_error": 0.2}, "from 0 to 0.1, got 0.2"),
        (48, {"eccentricity": 0.2}, "and 0.2"),
        (48, {"timer_ns": 0}, "above 0, got 0.3, 0"),
    ],
)
def test_what_no_ring_has_is_refused(teeth, options, expected):
    with pytest.raises(ValueError, match=expected):
        ring(teeth, **options)
