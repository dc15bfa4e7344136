from __future__ import annotations

import numpy as np
import pytest

from emulator.track.into.clocks import NotTold, fit_clock, frozen, without
from tests.support.track_log import Planted, logged, made_up_ride

REPEATS = 100
# of 100 draws of a binomial of 95 %: below 89 or so with a chance of 0.4 %
LEAST_INSIDE = 89


def test_a_planted_clock_is_found_within_its_interval() -> None:
    inside = np.zeros(2, int)
    halves = []
    for seed in range(REPEATS):
        rng = np.random.default_rng(seed)
        log = logged(made_up_ride(rng), rng, Planted(offset_s=0.37, drift_ppm=40.0))
        fit = fit_clock((log["time"], log["front"]), (log["gnss_time"], log["gnss_speed"]), 5.0)
        inside += [abs(fit.offset_s - 0.37) <= fit.offset_95_s, abs(fit.drift_ppm - 40) <= fit.drift_95_ppm]
        halves.append((fit.offset_95_s, fit.drift_95_ppm))
        assert abs(fit.gain - 1.0) < 0.01
    assert inside.min() >= LEAST_INSIDE
    # an interval that says nothing would hold everything
    assert np.median(halves, axis=0)[0] < 5e-3
    assert np.median(halves, axis=0)[1] < 30.0


def test_it_is_the_same_seen_from_the_faster_clock() -> None:
    rng = np.random.default_rng(5)
    log = logged(made_up_ride(rng), rng, Planted(offset_s=0.37, drift_ppm=40.0))
    fit = fit_clock((log["gnss_time"], log["gnss_speed"]), (log["time"], log["front"]), 5.0)
    assert abs(fit.offset_s + 0.37) < 2 * fit.offset_95_s + 1e-4
    assert abs(fit.drift_ppm + 40.0) < 2 * fit.drift_95_ppm


def test_nobody_knows_a_signal_in_its_gap() -> None:
    """Two seconds without the front wheel, in which it brakes: a straight line over them is none of it."""
    rng = np.random.default_rng(9)
    log = logged(made_up_ride(rng), rng, Planted(offset_s=0.37, drift_ppm=40.0))
    slope = np.gradient(log["front"], log["time"])
    first = int(np.argmin(slope[2000:-4000])) + 2000 - 100
    kept = np.r_[0:first, first + 200 : len(log["time"])]
    fit = fit_clock((log["time"][kept], log["front"][kept]), (log["gnss_time"], log["gnss_speed"]), 5.0)
    assert abs(fit.offset_s - 0.37) < 2 * fit.offset_95_s
    assert fit.offset_95_s < 5e-3


def test_speeds_of_a_leaned_bike_are_told_apart_from_a_clock() -> None:
    """A crown of 6 cm on wheels of 30, an antenna 1.1 m up, a tyre that slips: half a metre per second.

    Both from memory, as racing motorcycles have them.
    """
    inside, halves, biased = np.zeros(2, int), [], 0
    for seed in range(20):
        rng = np.random.default_rng(seed)
        ride = made_up_ride(rng)
        log = logged(ride, rng, Planted(offset_s=0.37, drift_ppm=40.0))
        slope = np.gradient(ride.speed, ride.time_s)
        rolls = ride.speed * (1.0 + 0.2 * (1.0 - np.cos(ride.lean)) + 0.002 * slope)
        front = rolls + 0.05 * rng.normal(size=len(rolls))
        circle = 1.1 * np.abs(ride.turning * np.sin(ride.lean))
        antenna = log["gnss_speed"] - circle[3::10]
        main, own = (log["time"], front), (log["gnss_time"], antenna)
        fit = fit_clock(main, own, 5.0, (log["time"], log["lean"]))
        inside += [abs(fit.offset_s - 0.37) <= fit.offset_95_s, abs(fit.drift_ppm - 40) <= fit.drift_95_ppm]
        halves.append(fit.offset_95_s)
        try:
            without = fit_clock(main, own, 5.0)
        except NotTold:
            continue
        biased += abs(without.offset_s - 0.37) > without.offset_95_s
    assert inside.min() >= 16  # of 20 draws of a binomial of 95 %: below with a chance of 0.3 %
    assert np.median(halves) < 0.03
    assert biased > 5  # what it was before: an interval beside the truth


def test_instants_go_where_the_fit_says() -> None:
    rng = np.random.default_rng(6)
    log = logged(made_up_ride(rng), rng, Planted(offset_s=-1.4, drift_ppm=-25.0))
    fit = fit_clock((log["time"], log["front"]), (log["gnss_time"], log["gnss_speed"]), 5.0)
    ride_s = log["time"][3::10]
    np.testing.assert_allclose(fit.on_main(log["gnss_time"]), ride_s, atol=6e-3)


def test_signals_that_differ_are_refused() -> None:
    rng = np.random.default_rng(7)
    one, other = (logged(made_up_ride(rng), rng) for _ in range(2))
    with pytest.raises(NotTold, match="alike by"):
        fit_clock((one["time"], one["front"]), (other["gnss_time"], other["gnss_speed"]), 1.0)


def test_signals_that_repeat_within_the_search_are_refused() -> None:
    time_s = np.arange(0.0, 200.0, 0.02)
    wave = np.sin(time_s) + 0.001 * np.random.default_rng(8).normal(size=len(time_s))
    with pytest.raises(NotTold, match="several offsets"):
        fit_clock((time_s, wave), (time_s[::5], wave[::5]), 20.0)


def test_a_few_samples_tell_nothing() -> None:
    time_s = np.arange(0.0, 10.0, 0.1)
    with pytest.raises(NotTold, match="200 samples"):
        fit_clock((time_s, np.sin(time_s)), (time_s, np.sin(time_s)), 1.0)


def test_a_wheel_that_froze_is_found_and_left_out() -> None:
    """Two seconds of one value, and a jump: with them no offset is told, or one known far less well."""
    for seed in range(5):
        rng = np.random.default_rng(seed)
        log = logged(made_up_ride(rng), rng, Planted(offset_s=0.37, drift_ppm=40.0))
        wheel, receiver = (log["time"], log["front"].copy()), (log["gnss_time"], log["gnss_speed"])
        assert frozen(*wheel) == frozen(*receiver) == []
        sound = fit_clock(wheel, receiver, 5.0)
        first = int(np.argmax(np.abs(log["front"][6200:-2000] - log["front"][6000:-2200]))) + 6000
        wheel[1][first : first + 200] = wheel[1][first]
        (found,) = frozen(*wheel)
        assert found == pytest.approx((wheel[0][first], wheel[0][first + 199]))
        fit = fit_clock(without(wheel, [found]), receiver, 5.0)
        assert abs(fit.offset_s - sound.offset_s) < sound.offset_95_s
        assert fit.offset_95_s < 2.0 * sound.offset_95_s
        assert _known_to(wheel, receiver) > 3.0 * sound.offset_95_s


def _known_to(main, own) -> float:
    try:
        return fit_clock(main, own, 5.0).offset_95_s
    except NotTold:
        return np.inf


def test_standstill_and_a_coarse_speed_are_not_frozen() -> None:
    rng = np.random.default_rng(3)
    ride = made_up_ride(rng)
    coarse = np.round(ride.speed * 3.6) / 3.6  # whole km/h: one value for a second and more, then a step
    assert frozen(ride.time_s, coarse) == []
    assert frozen(ride.time_s, np.maximum(ride.speed, 3.0)) == []
