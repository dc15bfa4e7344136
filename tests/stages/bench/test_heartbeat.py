"""When a loop that stands still is told of and ended, and when it is not."""

from hypothesis import given
from hypothesis import strategies as st

from emulator.stages.bench.heartbeat import END_AFTER_S, TELL_AFTER_S, Heartbeat, Pulse


def looks(beats_and_times):
    heart = Heartbeat()
    return [heart.look(beat, time_s) for beat, time_s in beats_and_times]


def test_a_heart_that_stops_is_told_of_once_and_then_ended():
    said = looks([(1, 0.0), *((2, 0.05 * n) for n in range(1, 60))])
    first, end = said.index(Pulse.STANDS_STILL), said.index(Pulse.HAS_TO_END)
    assert said.count(Pulse.STANDS_STILL) == 1
    # the beat changed for the last time at the look at 0.05 s
    assert TELL_AFTER_S - 1e-9 <= 0.05 * (first - 1) < TELL_AFTER_S + 0.1
    assert END_AFTER_S - 1e-9 <= 0.05 * (end - 1) < END_AFTER_S + 0.1 < 2.5


@given(st.lists(st.floats(0.001, 0.9), min_size=1, max_size=60))
def test_one_that_beats_between_looks_is_never_ended(pauses):
    now, events = 0.0, []
    for n, pause in enumerate(pauses):
        now += pause
        events.append((n, now))
    assert set(looks(events)) == {Pulse.FINE}


@given(st.floats(10.0, 1e5))
def test_who_did_not_look_can_t_say_that_nothing_moved(away_s):
    """The supervisor itself was stopped, and the loop with it: that is no hang of the loop yet."""
    assert looks([(5, 0.0), (5, 0.05), (5, 0.05 + away_s)])[-1] is Pulse.FINE


def test_one_that_goes_on_is_told_of_anew_when_it_stops_again():
    still = [(3, 0.05 * n) for n in range(30)]
    again = [(4, 1.5 + 0.05 * n) for n in range(30)]
    said = looks(still + again)
    assert said.count(Pulse.STANDS_STILL) == 2
    assert Pulse.HAS_TO_END not in said
