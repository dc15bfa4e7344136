"""When events start, how they ramp and when they end."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from emulator.timeline import ACTIVE, EVENT_DTYPE, OVER, WAITING, advance, strength, swell


def event(*, at_tick=-1, at_station=math.nan, duration=0, ramp=0):
    table = np.zeros(1, EVENT_DTYPE)
    e = table[0]
    e["at_tick"], e["at_station"], e["duration"], e["ramp"], e["started"] = (
        at_tick,
        at_station,
        duration,
        ramp,
        -1,
    )
    return e


def changes(e, ticks, station=lambda tick: 0.0):
    """(tick, change) of every change, and the ticks the event was active in."""
    happened, active = [], []
    for tick in ticks:
        change = advance(e, tick, station(tick))
        if change:
            happened.append((tick, change))
        if e["state"] == ACTIVE:
            active.append(tick)
    return happened, active


@given(at=st.integers(0, 60), duration=st.integers(1, 60))
@settings(deadline=None)
def test_an_event_by_time_is_active_for_exactly_its_duration(at, duration):
    happened, active = changes(event(at_tick=at, duration=duration), range(-5, 150))
    assert happened == [(at, 1), (at + duration, -1)]
    assert active == list(range(at, at + duration))


def test_an_event_by_station_starts_when_the_bike_passes_it_and_not_again():
    e = event(at_station=10.0, duration=5)
    # back and forth over the station, at 1 m a tick: passes at tick 10, 30 ...
    happened, _ = changes(e, range(100), lambda tick: abs((tick + 20) % 40 - 20.0))
    assert happened == [(10, 1), (15, -1)]
    assert e["state"] == OVER


def test_an_event_in_lap_two_waits_for_lap_two():
    """Stations have their laps added up: 30 m into lap 2 of a 100 m lap is 130 m."""
    happened, _ = changes(event(at_station=130.0, duration=1000), range(200), float)
    assert happened == [(130, 1)]


def test_an_event_by_station_ignores_time_and_one_by_time_ignores_the_station():
    assert changes(event(at_station=50.0, duration=5), range(1000))[0] == []
    assert changes(event(at_tick=3, duration=2), range(10), lambda tick: math.nan)[0] == [(3, 1), (5, -1)]


def test_an_unknown_station_starts_nothing():
    assert changes(event(at_station=0.0, duration=5), range(20), lambda tick: math.nan)[0] == []


def test_nothing_happens_before_the_ride():
    assert changes(event(at_tick=0, duration=5), range(-1000, 0))[0] == []


def test_a_tick_that_was_left_out_starts_the_event_late_and_in_full():
    happened, active = changes(event(at_tick=10, duration=4), [8, 9, 13, 14, 15, 16, 17, 18])
    assert happened == [(13, 1), (17, -1)]
    assert active == [13, 14, 15, 16]


def test_an_event_that_is_over_stays_over():
    e = event(at_tick=0, duration=1)
    changes(e, range(3))
    assert changes(e, range(3, 50), lambda tick: 1e9)[0] == []
    assert e["state"] == OVER


@given(ramp=st.integers(1, 500), after=st.integers(0, 1000))
@settings(deadline=None)
def test_the_ramp_rises_in_a_straight_line_to_one(ramp, after):
    e = event(at_tick=100, duration=2000, ramp=ramp)
    advance(e, 100, 0.0)
    assert strength(e, 100 + after) == min(1.0, after / ramp)


@pytest.mark.parametrize("after", [0, 1, 99])
def test_without_ramp_the_effect_is_full_at_once(after):
    e = event(at_tick=0, duration=100)
    advance(e, 0, 0.0)
    assert strength(e, after) == 1.0


@given(ramp=st.integers(1, 500), after=st.integers(0, 1500))
@settings(deadline=None)
def test_what_swells_is_the_same_from_both_ends_and_gone_at_the_last(ramp, after):
    e = event(at_tick=100, duration=1000, ramp=ramp)
    advance(e, 100, 0.0)
    share = swell(e, 100 + after)
    assert share == (swell(e, 1100 - after) if after <= 1000 else 0.0)
    nearest = max(0, min(after, 1000 - after))
    assert share == pytest.approx(math.sin(0.5 * math.pi * min(1.0, nearest / ramp)) ** 2, abs=1e-15)
    assert 0.0 <= share <= 1.0


def test_events_begin_waiting():
    assert np.zeros(1, EVENT_DTYPE)[0]["state"] == WAITING
