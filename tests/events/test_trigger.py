"""Conditions that start events: each alone, composed, and again."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from emulator.events.progress import ACTIVE, ENDED, NEVER, advance
from emulator.events.table import event_table
from emulator.events.trigger import (
    AT_STATION,
    AT_TICK,
    CROSSING,
    EVENT_ENDED,
    EVENT_STARTED,
    ON_REQUEST,
    SOME_OF,
    TRIGGER_DTYPE,
    again,
    evaluate,
)

DRAWS = np.zeros(2, np.uint64)


def node(kind, event=0, parent=-1, **values):
    t = np.zeros(1, TRIGGER_DTYPE)[0]
    t["kind"], t["event"], t["parent"] = kind, event, parent
    for key, value in values.items():
        t[key] = value
    return t


def crossing(level, sign=1.0, hysteresis=0.0, **values):
    return node(CROSSING, signal=0, sign=sign, level=level, hysteresis=hysteresis, **values)


def starts(nodes, ticks, *, events=1, duration=5, station=lambda t: 0.0, row=lambda t: 0.0, repeats=0):
    """Ticks each event started in."""
    triggers, table = np.array(nodes, TRIGGER_DTYPE), event_table(events)
    table["duration"], table["repeats"], table["chance"] = duration, repeats, 1
    began = [[] for _ in range(events)]
    for tick in ticks:
        evaluate(triggers, table, tick, station(tick), np.array([row(tick)]))
        for i in range(events):
            before = int(table[i]["starts"])
            change = advance(table[i], tick, DRAWS)
            if table[i]["starts"] > before:
                began[i].append(tick)
            if change == ENDED and table[i]["state"] != ACTIVE and table[i]["repeats"] >= 0:
                again(triggers, table, i)
    return began


def test_at_a_time():
    assert starts([node(AT_TICK, tick=7)], range(40)) == [[7]]


def test_a_tick_that_was_left_out_starts_it_late():
    assert starts([node(AT_TICK, tick=7)], [5, 6, 9, 10]) == [[9]]


def test_at_a_station_passed_and_not_when_it_is_unknown():
    # back and forth over the station, at 1 m a tick: passes at tick 10, 30 ...
    swing = lambda t: abs((t + 20) % 40 - 20.0)  # noqa: E731
    assert starts([node(AT_STATION, station=10.0)], range(100), station=swing) == [[10]]
    assert starts([node(AT_STATION, station=0.0)], range(9), station=lambda t: math.nan) == [[]]


@given(
    st.lists(st.floats(-10, 10), min_size=1, max_size=80), st.floats(-5, 5), st.floats(0, 3), st.booleans()
)
def test_a_crossing_is_the_first_beyond_the_level_after_one_well_on_the_other_side(
    values, level, gap, rising
):
    sign = 1.0 if rising else -1.0
    (got,) = starts([crossing(level, sign, gap)], range(len(values)), row=lambda t: values[t])
    expected, armed = [], False
    for tick, value in enumerate(values):
        if armed and sign * value >= sign * level:
            expected = [tick]
            break
        armed = armed or sign * value < sign * level - gap
    assert got == expected


def test_a_signal_that_is_no_number_crosses_nothing():
    rows = [0.0, math.nan, math.nan, 2.0]
    assert starts([crossing(1.0)], range(4), row=lambda t: rows[t]) == [[3]]
    assert starts([crossing(1.0)], range(4), row=lambda t: math.nan) == [[]]


@pytest.mark.parametrize("delay", [0, 1, 13])
def test_a_delay_counts_from_when_it_was_met(delay):
    assert starts([node(AT_TICK, tick=7, delay=delay)], range(40)) == [[7 + delay]]
    rows = lambda t: 2.0 if t == 5 else 0.0  # noqa: E731
    assert starts([crossing(1.0, delay=delay)], range(40), row=rows) == [[5 + delay]]


def test_another_events_start_and_end_are_seen_in_the_tick_after():
    nodes = [node(AT_TICK, tick=7), node(EVENT_STARTED, 1, other=0), node(EVENT_ENDED, 2, other=0, delay=3)]
    assert starts(nodes, range(40), events=3) == [[7], [8], [7 + 5 + 1 + 3]]


def test_it_makes_no_difference_which_stands_first_in_the_file():
    nodes = [node(EVENT_STARTED, 0, other=1), node(AT_TICK, 1, tick=7)]
    assert starts(nodes, range(40), events=2) == [[8], [7]]


@given(st.lists(st.integers(0, 30), min_size=1, max_size=5), st.integers(0, 5))
def test_first_of_is_the_earliest_and_all_of_the_latest(times, delay):
    n = len(times)
    parts = [node(AT_TICK, parent=n, tick=t) for t in times]
    assert starts([*parts, node(SOME_OF, need=1, delay=delay)], range(80)) == [[min(times) + delay]]
    assert starts([*parts, node(SOME_OF, need=n, delay=delay)], range(80)) == [[max(times) + delay]]


def test_they_nest():
    """all_of(first_of(20, station 8), 10)."""
    nodes = [
        node(AT_TICK, parent=2, tick=20),
        node(AT_STATION, parent=2, station=8.0),
        node(SOME_OF, parent=4, need=1),
        node(AT_TICK, parent=4, tick=10),
        node(SOME_OF, need=2),
    ]
    assert starts(nodes, range(40), station=float) == [[10]]
    assert starts(nodes, range(40)) == [[20]]


def test_asked_is_asked():
    triggers, table = np.array([node(ON_REQUEST)], TRIGGER_DTYPE), event_table(1)
    evaluate(triggers, table, 3, 0.0, np.zeros(1))
    assert table[0]["triggered"] == 0
    table[0]["requested"] = 1
    evaluate(triggers, table, 4, 0.0, np.zeros(1))
    assert table[0]["triggered"] == 1


def test_a_station_comes_again_a_lap_later_and_a_crossing_when_it_crosses_again():
    assert starts([node(AT_STATION, station=10.0, lap=50.0)], range(200), station=float, repeats=2) == [
        [10, 60, 110]
    ]
    wave = lambda t: 1.0 if t % 30 >= 20 else 0.0  # noqa: E731
    assert starts([crossing(0.5)], range(200), row=wave, repeats=2) == [[20, 50, 80]]


def test_a_repeated_start_of_another_event_is_waited_for_anew():
    nodes = [crossing(0.5), node(EVENT_STARTED, 1, other=0)]
    wave = lambda t: 1.0 if t % 30 >= 20 else 0.0  # noqa: E731
    assert starts(nodes, range(100), events=2, row=wave, repeats=1) == [[20, 50], [21, 51]]


def test_a_repeated_end_of_another_event_is_waited_for_anew():
    nodes = [crossing(0.5), node(EVENT_ENDED, 1, other=0)]
    wave = lambda t: 1.0 if t % 30 >= 20 else 0.0  # noqa: E731
    # the first lasts 5 ticks; the second sees its end a tick later, and once only each time
    assert starts(nodes, range(100), events=2, row=wave, repeats=1) == [[20, 50], [26, 56]]


def test_what_is_composed_comes_again_only_when_its_parts_do():
    wave = lambda t: 1.0 if t % 30 >= 20 else 0.0  # noqa: E731
    first_of = [crossing(0.5, parent=2), node(AT_STATION, parent=2, station=1e9), node(SOME_OF, need=1)]
    assert starts(first_of, range(110), row=wave, repeats=2) == [[20, 50, 80]]


def test_what_is_done_stays_done():
    triggers, table = np.array([node(AT_TICK, tick=0)], TRIGGER_DTYPE), event_table(1)
    for tick in range(5):
        evaluate(triggers, table, tick, 0.0, np.zeros(1))
    table[0]["triggered"] = 0
    evaluate(triggers, table, 9, 0.0, np.zeros(1))
    assert table[0]["triggered"] == 0
    assert NEVER > 10**15
