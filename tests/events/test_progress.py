"""When events start, how they ramp and when they end."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from emulator.core.random_streams import stream_start
from emulator.events.progress import (
    ACTIVE,
    ENDED,
    NEVER,
    NOTHING,
    OVER,
    SPARED,
    STARTED,
    WAITING,
    advance,
    hits,
    raised_cosine,
    strength,
)
from emulator.events.surface_events import gust
from emulator.events.table import event_table


def streams(seed=1):
    return np.array([stream_start(seed, "event/a"), stream_start(seed, "event/a/chance")], np.uint64)


def event(*, duration=NEVER, ramp=0, **values):
    e = event_table(1)[0]
    e["duration"], e["ramp"], e["chance"] = duration, ramp, 1
    for name, value in values.items():
        e[name] = value
    return e


def start(e, tick):
    e["triggered"] = 1
    assert advance(e, tick, streams()) == STARTED


def changes(e, ticks, at=(), draws=None):
    """(tick, change) of every change, and the ticks it was live in; triggered in the ticks ``at``."""
    happened, live = [], []
    draws = streams() if draws is None else draws
    for tick in ticks:
        if tick in at:
            e["triggered"] = 1
        change = advance(e, tick, draws)
        if change != NOTHING:
            happened.append((tick, change))
        if e["live"]:
            assert e["state"] == ACTIVE
            live.append(tick)
    return happened, live


@given(at=st.integers(0, 60), duration=st.integers(1, 60))
def test_an_event_is_live_for_exactly_its_duration(at, duration):
    e = event(duration=duration)
    happened, live = changes(e, range(150), [at])
    assert happened == [(at, STARTED), (at + duration, ENDED)]
    assert live == list(range(at, at + duration))
    assert (e["starts"], e["ends"], e["state"]) == (1, 1, OVER)
    assert changes(e, range(150, 200), range(150, 200))[0] == []


def test_without_a_trigger_nothing_starts_and_without_a_duration_nothing_ends():
    assert changes(event(duration=5), range(1000))[0] == []
    assert changes(event(), range(1000), [3])[0] == [(3, STARTED)]


def test_a_tick_that_was_left_out_ends_the_event_late():
    happened, live = changes(event(duration=4), [8, 9, 13, 14, 15, 16, 20], [13])
    assert happened == [(13, STARTED), (20, ENDED)]
    assert live == [13, 14, 15, 16]


def test_it_comes_again_every_so_often():
    happened, live = changes(event(duration=2, repeats=2, every=10), range(60), [5])
    assert [t for t, change in happened if change == STARTED] == [5, 15, 25]
    assert live == [5, 6, 15, 16, 25, 26]


def test_it_comes_again_when_it_is_triggered_again_and_then_no_more():
    happened, _ = changes(event(duration=3, repeats=1), range(60), [5, 6, 20, 40])
    # the trigger of tick 6 met an active event; what was meant is told by its trigger again, afterwards
    assert [t for t, change in happened if change == STARTED] == [5, 20]


def test_one_that_was_asked_to_end_ends():
    e = event(duration=1000)
    changes(e, range(5), [0])
    e["halted"] = 1
    assert changes(e, range(5, 20))[0] == [(5, ENDED)]


def test_one_that_was_asked_to_end_is_not_asked_again_when_it_comes_again():
    e = event(duration=50, repeats=1)
    changes(e, range(5), [0])
    e["halted"] = 1
    assert changes(e, range(5, 100), [20])[0] == [(5, ENDED), (20, STARTED), (70, ENDED)]


def test_it_begins_with_nothing_held_from_the_time_before():
    e = event(duration=5, repeats=1)
    changes(e, range(10), [0])
    e["holds"], e["held"], e["held_turning"], e["wander_ns"] = 1, 3.0, 4.0, 5
    assert changes(e, range(10, 12), [11])[0] == [(11, STARTED)]
    assert (e["holds"], e["wander_ns"]) == (0, -1)
    assert math.isnan(e["held"])
    assert math.isnan(e["held_turning"])


def test_one_that_is_spared_may_still_come_the_next_time():
    draws = streams()
    told = [
        [
            change
            for _, change in changes(
                event(duration=2, probability=0.5, repeats=5, every=10), range(80), [5], draws
            )[0]
        ]
        for _ in range(40)
    ]
    assert all(len([c for c in one if c != ENDED]) == 6 for one in told)
    assert {one[0] for one in told} == {STARTED, SPARED}


@given(duration=st.integers(2, 400), after=st.integers(0, 400))
def test_a_gust_is_one_wave_of_the_cosine(duration, after):
    e = event(duration=duration, value=9.0)
    start(e, 50)
    part = min(after, duration)
    assert gust(e, 50 + part) == pytest.approx(9.0 * math.sin(math.pi * part / duration) ** 2, abs=1e-12)


def test_an_intermittent_one_comes_and_goes():
    _, live = changes(event(duration=30, on_ticks=3, off_ticks=5), range(60), [10])
    assert live == [10 + t for t in range(30) if t % 8 < 3]


def test_drawn_pauses_are_exponential():
    e = event(on_ticks=40.0, off_ticks=10.0, drawn=1)
    _, live = changes(e, range(200_000), [0])
    on = np.zeros(200_001, bool)
    on[live] = True
    edges = np.flatnonzero(np.diff(on.astype(int)))
    lengths = np.diff(edges)
    n = len(lengths) // 2
    longer, shorter = sorted((lengths[::2].mean(), lengths[1::2].mean()), reverse=True)
    assert longer == pytest.approx(40.0, abs=4 * 40 / math.sqrt(n))
    assert shorter == pytest.approx(10.0, abs=4 * 10 / math.sqrt(n))
    # as many ticks below the mean as an exponential distribution has: 1 - 1/e (closed form)
    assert (lengths[::2] < lengths[::2].mean()).mean() == pytest.approx(1 - math.exp(-1), abs=0.05)


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=200)
def test_by_chance_it_is_spared_and_then_over(seed):
    draws = streams(seed)
    e = event(duration=5, probability=0.4)
    happened, _ = changes(e, range(20), [3], draws)
    assert happened in ([(3, STARTED), (8, ENDED)], [(3, SPARED)])
    assert e["state"] == OVER
    assert e["starts"] == (len(happened) == 2)


def test_the_probability_is_that_of_happening():
    spared = 0
    draws = streams()
    for _ in range(4000):
        e = event(duration=1, probability=0.4)
        spared += changes(e, range(3), [1], draws)[0] == [(1, SPARED)]
    assert spared / 4000 == pytest.approx(0.6, abs=4 * math.sqrt(0.24 / 4000))  # four sigma


def test_a_share_of_the_samples_is_hit():
    e = event(share=0.25)
    changes(e, range(1), [0])
    draws = streams()
    assert np.mean([hits(e, draws) for _ in range(8000)]) == pytest.approx(
        0.25, abs=4 * math.sqrt(0.1875 / 8000)
    )
    e["live"] = 0
    assert not any(hits(e, draws) for _ in range(100))


def test_what_hits_all_draws_nothing():
    e, draws = event(), streams()
    changes(e, range(1), [0])
    before = draws.copy()
    assert hits(e, draws)
    assert (draws == before).all()


@given(ramp=st.integers(1, 500), after=st.integers(0, 1000))
def test_the_ramp_rises_in_a_straight_line_to_one(ramp, after):
    e = event(duration=2000, ramp=ramp)
    start(e, 100)
    assert strength(e, 100 + after) == min(1.0, after / ramp)


@pytest.mark.parametrize("after", [0, 1, 99])
def test_without_ramp_the_effect_is_full_at_once(after):
    e = event(duration=100)
    start(e, 0)
    assert strength(e, after) == 1.0


@given(ramp=st.integers(1, 500), after=st.integers(0, 1500))
def test_what_swells_is_the_same_from_both_ends_and_gone_at_the_last(ramp, after):
    e = event(duration=1000, ramp=ramp)
    start(e, 100)
    share = raised_cosine(e, 100 + after)
    assert share == (raised_cosine(e, 1100 - after) if after <= 1000 else 0.0)
    nearest = max(0, min(after, 1000 - after))
    assert share == pytest.approx(math.sin(0.5 * math.pi * min(1.0, nearest / ramp)) ** 2, abs=1e-15)
    assert 0.0 <= share <= 1.0


def test_events_begin_waiting():
    assert (event_table(3)["state"] == WAITING).all()
