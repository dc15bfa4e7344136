"""The state machine, explored: what it may do and what it must never do."""

import itertools
from pathlib import Path

import cantools
import numpy as np
import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from emulator.core.compiled import bound, jit
from emulator.core.signals import ARMED, RUNNING, STANDBY, STOPPING, TRIPPED, UNARMED_TICK
from emulator.core.trip_reasons import TripReason
from emulator.plant.plausibility import N_MONITORS
from emulator.plant.records import RIG_DTYPE, RUN_DTYPE
from emulator.plant.states import (
    AWAITED,
    END_COMPLETE,
    END_FALLEN,
    END_NAMES,
    END_STOPPED,
    END_TIME_LIMIT,
    END_TRIPPED,
    ESTOP,
    GUARD,
    N_PERMISSIVES,
    NOT_AWAITED,
    NOT_ENDED,
    PERMISSIVE_TEXTS,
    PERMISSIVES,
    PRESSED,
    START_GRID_TICKS,
    STATE_NAMES,
    acknowledge,
    await_enable,
    go,
    hold,
    next_state,
    rest_share,
    say_enable,
    say_permissive,
    stop,
    trip,
)

HEARTBEAT, COMMAND, RAMP, ARMING, LIMIT, FINISH = 20, 15, 150, 400, 4000, 100.0
INPUT = 10
"""Ticks an input of the bench is fresh."""
LONG = 300 + START_GRID_TICKS
"""Ticks after which any countdown is over."""
BOTH = (ESTOP, GUARD)


class Machine:
    """The rig's limits and the run's record, moved a tick at a time as the plant does."""

    def __init__(self, permissives=()):
        self.rigs, self.runs = np.zeros(1, RIG_DTYPE), np.zeros(1, RUN_DTYPE)
        self.rig, self.run = self.rigs[0], self.runs[0]
        self.rig["heartbeat_ticks"], self.rig["command_ticks"] = HEARTBEAT, COMMAND
        self.rig["ramp_ticks"], self.rig["arming_ticks"] = RAMP, ARMING
        self.rig["limit_ticks"], self.rig["finish_station"] = LIMIT, FINISH
        self.rig["permissives"], self.rig["permissive_ticks"] = sum(1 << i for i in permissives), INPUT
        for name in ("heartbeat_tick", "steering_tick", "drive_tick", "fallen_tick"):
            self.run[name] = -1
        self.run["scenario_tick"] = UNARMED_TICK

    def hear(self, *, heartbeat=True, commands=True, given=BOTH):
        for i in given:
            say_permissive(self.run, i, True)
        if heartbeat:
            self.run["heartbeat_tick"] = self.run["tick"]
        if commands:
            self.run["steering_tick"] = self.run["drive_tick"] = self.run["tick"]

    def arm(self):
        self.run["arm_requested"] = self.run["tick"] + 1

    def tick(self):
        next_state(self.rig, self.run)
        share = rest_share(self.rig, self.run)
        self.run["tick"] += 1
        return int(self.run["state"]), share

    def ride(self, ticks=10):
        self.hear()
        self.arm()
        self.tick()
        self.run["tick"] = self.run["start_tick"] - 2  # nothing happens in the ticks between
        for _ in range(3):
            self.hear()
            self.tick()
        for _ in range(ticks):
            self.hear()
            self.tick()
        assert self.run["state"] == RUNNING
        return self

    def out(self):
        """(states, shares) until finished, with the robot heard all the time."""
        states, shares = [], []
        for _ in range(RAMP + 50):
            self.hear()
            state, share = self.tick()
            states.append(state)
            shares.append(share)
            if self.run["finished"]:
                assert self.run["finished"] == 1
                return states, shares
        raise AssertionError("never finished")


# --- the ways in --------------------------------------------------------------------------------------


def test_the_way_in():
    m = Machine()
    for _ in range(37):
        m.hear()
        assert m.tick()[0] == STANDBY
    m.arm()
    m.hear()
    assert m.tick()[0] == ARMED
    start = int(m.run["start_tick"])
    assert start % START_GRID_TICKS == 0
    assert 300 <= start - 37 < 300 + START_GRID_TICKS
    while m.run["state"] == ARMED:
        m.hear()
        assert m.run["scenario_tick"] < 0
        m.tick()
    assert m.run["state"] == RUNNING
    assert m.run["scenario_tick"] == 0
    assert m.run["tick"] - 1 == start


def test_without_arming_nothing_starts():
    m = Machine()
    for _ in range(LONG):
        m.hear()
        assert m.tick() == (STANDBY, 0.0)


# --- the button of the local enable -------------------------------------------------------------------


UP, DOWN = 0.0, 1.0


def pressed(said, *, awaited_from=0):
    """Whether arming was asked for after the button was heard so, tick by tick; None: not in that tick."""
    m = Machine()
    for tick, value in enumerate(said):
        if tick == awaited_from:
            await_enable(m.run)
        if value is not None:
            say_enable(m.rig, m.run, value)
        asked = int(m.run["arm_requested"])
        assert (m.run["enable"] == PRESSED) == (asked > 0)
        if asked:
            assert asked == tick + 1
            return True
        m.tick()
    assert m.run["enable"] == (AWAITED if awaited_from < len(said) else NOT_AWAITED)
    return False


@pytest.mark.parametrize(
    ("said", "arms"),
    [
        ([UP, DOWN], True),
        ([UP, UP, None, DOWN], True),
        ([DOWN, UP, DOWN], True),
        ([UP, *[None] * (INPUT - 1), DOWN], True),  # fresh for its time, as a permissive is
        ([UP, *[None] * INPUT, DOWN], False),
        ([UP, *[None] * INPUT, DOWN, DOWN], False),
        ([DOWN, DOWN, DOWN], False),
        ([DOWN, None, DOWN], False),
        ([UP, np.nan, DOWN], False),
        ([UP, 2.0, DOWN], False),
        ([UP, UP, UP], False),
        ([UP, 2.0, np.nan], False),
        ([np.nan, DOWN], False),
        ([None] * 5, False),
    ],
)
def test_only_a_press_next_to_a_fresh_release_arms(said, arms):
    assert pressed(said) is arms


def test_a_button_counts_from_when_it_is_awaited():
    assert not pressed([UP, DOWN, UP], awaited_from=9)
    assert not pressed([UP, DOWN, DOWN], awaited_from=1)  # released before, not since
    assert pressed([DOWN, UP, DOWN], awaited_from=1)


def test_a_release_and_a_press_in_one_tick_are_a_press():
    m = Machine()
    await_enable(m.run)
    say_enable(m.rig, m.run, UP)
    say_enable(m.rig, m.run, DOWN)
    assert m.run["enable"] == PRESSED


def test_awaited_anew_the_button_has_to_be_released_anew():
    m = Machine()
    await_enable(m.run)
    say_enable(m.rig, m.run, UP)
    await_enable(m.run)
    say_enable(m.rig, m.run, DOWN)
    assert m.run["enable"] == AWAITED


@pytest.mark.parametrize("state", [ARMED, RUNNING, STOPPING, TRIPPED])
def test_no_button_is_awaited_where_there_is_nothing_to_arm(state):
    m = Machine()
    m.run["state"] = state
    await_enable(m.run)
    assert m.run["enable"] == NOT_AWAITED
    asked = Machine()
    asked.arm()
    await_enable(asked.run)
    assert asked.run["enable"] == NOT_AWAITED


def test_a_robot_that_is_never_heard_trips_the_arming():
    m = Machine()
    m.arm()
    states = [m.tick()[0] for _ in range(ARMING + 10)]
    assert states.index(TRIPPED) == ARMING + 2
    assert m.run["trip_reason"] == TripReason.ARMING


def test_a_robot_heard_once_long_ago_does_not_arm():
    m = Machine()
    m.hear()
    for _ in range(HEARTBEAT + 1):
        m.tick()
    m.arm()
    assert m.tick()[0] == STANDBY


def test_losing_the_heartbeat_while_armed_trips():
    m = Machine()
    m.hear()
    m.arm()
    states = [m.tick()[0] for _ in range(HEARTBEAT + 5)]
    assert states.index(TRIPPED) == HEARTBEAT + 1
    assert m.run["trip_reason"] == TripReason.HEARTBEAT


# --- the ways out -------------------------------------------------------------------------------------


def silent(m, **heard):
    for _ in range(HEARTBEAT + COMMAND + 5):
        m.hear(**heard)
        if m.tick()[0] != RUNNING:
            return


WAYS_OUT = {
    "no heartbeat": (lambda m: silent(m, heartbeat=False), TRIPPED, TripReason.HEARTBEAT, END_TRIPPED),
    "no commands": (lambda m: silent(m, commands=False), TRIPPED, TripReason.COMMAND, END_TRIPPED),
    "diverged": (lambda m: m.run.__setitem__("diverged", 1), TRIPPED, TripReason.DIVERGED, END_TRIPPED),
    "operator": (lambda m: trip(m.run, TripReason.OPERATOR), TRIPPED, TripReason.OPERATOR, END_TRIPPED),
    "stop": (lambda m: stop(m.run, END_STOPPED), STOPPING, TripReason.NONE, END_STOPPED),
    "laps done": (lambda m: m.run.__setitem__("station", FINISH), STOPPING, TripReason.NONE, END_COMPLETE),
    "time": (lambda m: m.rig.__setitem__("limit_ticks", 5), STOPPING, TripReason.NONE, END_TIME_LIMIT),
    "fallen": (
        lambda m: (m.run.__setitem__("fallen_tick", 500), m.run.__setitem__("fall_over", 1)),
        STOPPING,
        TripReason.NONE,
        END_FALLEN,
    ),
    "time, down": (
        lambda m: (m.rig.__setitem__("limit_ticks", 5), m.run.__setitem__("fallen_tick", 500)),
        STOPPING,
        TripReason.NONE,
        END_FALLEN,
    ),
    "no commands, down": (
        lambda m: (m.run.__setitem__("fallen_tick", 500), silent(m, commands=False)),
        STOPPING,
        TripReason.NONE,
        END_FALLEN,
    ),
    "no heartbeat, down": (
        lambda m: (m.run.__setitem__("fallen_tick", 500), silent(m, heartbeat=False)),
        TRIPPED,
        TripReason.HEARTBEAT,
        END_TRIPPED,
    ),
    "diverged once down": (
        lambda m: (
            m.run.__setitem__("fallen_tick", m.run["scenario_tick"]),
            m.run.__setitem__("diverged", 1),
        ),
        STOPPING,
        TripReason.NONE,
        END_FALLEN,
    ),
}


@pytest.mark.parametrize("way", WAYS_OUT)
def test_every_way_out_of_running_ramps_smoothly_to_rest(way):
    do, state, reason, end = WAYS_OUT[way]
    m = Machine().ride(600)
    do(m)
    states, shares = m.out()
    assert states[0] == state
    assert len(states) in (RAMP, RAMP + 1)  # the silent ways have done their first tick already
    assert states[-1] == (STANDBY if state == STOPPING else TRIPPED)
    assert m.run["trip_reason"] == reason
    assert m.run["end_reason"] == end
    assert shares[0] < 0.01
    assert (np.diff(shares) >= 0).all()
    assert np.diff(shares).max() <= 1.5 / RAMP * 1.001  # the steepest slope of 3p^2 - 2p^3
    assert shares[-1] == 1.0


def test_sliding_over_the_finish_is_not_finishing():
    m = Machine().ride(600)
    m.run["fallen_tick"], m.run["station"] = 500, FINISH
    for _ in range(1000):
        m.hear()
        assert m.tick()[0] == RUNNING


def test_a_command_lost_for_less_than_its_time_is_no_reason():
    m = Machine().ride()
    for _ in range(COMMAND):
        m.hear(commands=False)
        assert m.tick()[0] == RUNNING


def test_a_trip_while_stopping_goes_on_towards_rest():
    m = Machine().ride()
    stop(m.run, END_STOPPED)
    for _ in range(RAMP * 2 // 3):
        m.hear()
        _, before = m.tick()
    trip(m.run, TripReason.BUS)
    states, shares = m.out()
    assert states[0] == TRIPPED
    assert shares[0] >= before
    assert (np.diff(shares) >= 0).all()


@pytest.mark.parametrize("ridden", [True, False])
def test_a_trip_after_coming_to_rest_stays_at_rest(ridden):
    m = Machine()
    if ridden:
        m.ride()
    stop(m.run, END_STOPPED)
    for _ in range(RAMP + 5 if ridden else 1):
        m.hear()
        _, share = m.tick()
    assert share == 1.0
    trip(m.run, TripReason.BUS)
    for _ in range(RAMP + 5):
        assert m.tick()[1] == 1.0


def test_a_stop_in_standby_is_the_end_at_once():
    m = Machine()
    stop(m.run, END_STOPPED)
    assert m.run["finished"] == 1
    assert m.tick() == (STANDBY, 1.0)


def test_the_first_reason_is_kept():
    m = Machine().ride()
    trip(m.run, TripReason.BUS)
    trip(m.run, TripReason.OPERATOR)
    stop(m.run, END_STOPPED)
    m.out()
    assert m.run["trip_reason"] == TripReason.BUS
    assert m.run["end_reason"] == END_TRIPPED


def test_every_number_has_its_words():
    assert len(STATE_NAMES) == TRIPPED + 1
    assert list(TripReason) == list(range(TripReason.COMMAND_LIMIT + N_MONITORS))
    assert len({reason.text for reason in TripReason}) == len(TripReason)
    assert len(PERMISSIVES) == len(PERMISSIVE_TEXTS) == N_PERMISSIVES
    assert len(END_NAMES) == END_TRIPPED + 1


def test_the_dbc_has_the_same_words():
    bench = cantools.database.load_file(Path(__file__).parents[2] / "scenarios" / "rigs" / "bench.dbc")
    frame = bench.get_message_by_name("emulator_state")
    for signal, words in (("state", STATE_NAMES), ("trip_reason", [reason.text for reason in TripReason])):
        choices = {code: str(text) for code, text in frame.get_signal_by_name(signal).choices.items()}
        assert choices.popitem()[1] == "not available"
        assert choices == dict(enumerate(words))


# --- permissives --------------------------------------------------------------------------------------


@pytest.mark.parametrize("asked", [(ESTOP,), (GUARD,), BOTH])
def test_every_permissive_that_is_asked_for_is_needed_to_arm(asked):
    for given in itertools.chain.from_iterable(itertools.combinations(BOTH, n) for n in range(3)):
        m = Machine(asked)
        m.arm()
        for _ in range(50):
            m.hear(given=given)
            state, _ = m.tick()
        assert (state == ARMED) == (set(asked) <= set(given))
        assert m.run["missing"] == sum(1 << i for i in asked if i not in given)


def test_an_input_that_nobody_sent_does_not_permit():
    m = Machine((ESTOP,))  # a record of zeros, at tick 0
    m.arm()
    m.hear(given=())
    assert m.tick()[0] == STANDBY
    assert m.run["missing"] == 1 << ESTOP


def test_an_input_is_fresh_for_its_time_and_no_longer():
    m = Machine((ESTOP,)).ride()
    states = []
    for _ in range(INPUT + 2):
        m.hear(given=())
        states.append(m.tick()[0])
    assert states == [RUNNING] * INPUT + [TRIPPED] * 2
    assert m.run["trip_reason"] == TripReason.ESTOP


@pytest.mark.parametrize(("which", "reason"), [(ESTOP, TripReason.ESTOP), (GUARD, TripReason.GUARD)])
@pytest.mark.parametrize("running", [True, False])
@pytest.mark.parametrize("order", [(False,), (True, False), (False, True)])
def test_an_input_that_says_no_trips_at_once_whatever_else_it_says_in_that_tick(
    which, reason, running, order
):
    m = Machine(BOTH)
    if running:
        m.ride()
    else:
        m.hear()
        m.arm()
        assert m.tick()[0] == ARMED
    m.hear(given=[i for i in BOTH if i != which])
    for given in order:
        say_permissive(m.run, which, given)
    assert m.tick()[0] == TRIPPED
    assert m.run["trip_reason"] == reason


def test_an_input_that_is_not_asked_for_is_nobodys_business():
    m = Machine((GUARD,)).ride()
    say_permissive(m.run, ESTOP, False)
    m.hear(given=(GUARD,))
    assert m.tick()[0] == RUNNING


def test_the_arming_timeout_keeps_what_was_missing():
    m = Machine(BOTH)
    m.arm()
    for _ in range(ARMING + 5):
        m.hear(given=(GUARD,))
        m.tick()
    assert m.run["trip_reason"] == TripReason.ARMING
    assert m.run["trip_missing"] == 1 << ESTOP
    m.hear()
    m.tick()
    assert m.run["trip_missing"] == 1 << ESTOP


# --- hold ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("when", [-1, 0, 5, 500, 998])
def test_a_hold_holds_until_it_is_released_and_then_the_countdown_begins_anew(when):
    m = Machine()
    if when < 0:
        hold(m.run, 0)
    m.hear()
    m.arm()
    m.tick()
    for _ in range(max(0, when)):
        m.hear()
        assert m.tick()[0] == ARMED
    hold(m.run, 0)
    for _ in range(LONG):
        m.hear()
        assert m.tick() == (ARMED, 0.0)
        assert m.run["scenario_tick"] < UNARMED_TICK // 2  # nothing is recorded, nobody knows when it starts
    go(m.run, 0)
    released = int(m.run["tick"])
    while m.run["state"] == ARMED:
        m.hear()
        m.tick()
    assert m.run["state"] == RUNNING
    assert m.run["start_tick"] % START_GRID_TICKS == 0
    assert 300 <= m.run["start_tick"] - released < 300 + START_GRID_TICKS


def test_held_from_afar_the_bench_may_release_but_not_the_other_way():
    m = Machine()
    for holds, release, left in (
        ((1,), 1, 0),
        ((1,), 0, 0),
        ((0,), 1, 1),
        ((0, 1), 1, 1),
        ((0, 1), 0, 0),
        ((0,), 7, 1),
        ((9,), 1, 1),
    ):
        m.run["hold"] = 0
        for who in holds:
            hold(m.run, who)
        go(m.run, release)
        assert m.run["hold"] == left, (holds, release)


def test_a_ride_that_is_on_is_not_held():
    m = Machine().ride()
    hold(m.run, 0)
    m.hear()
    assert m.run["hold"] == 0
    assert m.tick()[0] == RUNNING


def test_a_held_bench_trips_and_stops_like_any_other():
    for end in (
        lambda m: trip(m.run, TripReason.BUS),
        lambda m: stop(m.run, END_STOPPED),
        lambda m: say_permissive(m.run, ESTOP, False),
    ):
        m = Machine(BOTH)
        hold(m.run, 0)
        m.hear()
        m.arm()
        m.tick()
        end(m)
        m.hear()
        assert m.tick()[0] in (TRIPPED, STOPPING)
        _, shares = m.out()
        assert shares[-1] == 1.0


# --- acknowledge --------------------------------------------------------------------------------------


def tripped(reason=TripReason.OPERATOR, permissives=BOTH):
    m = Machine(permissives).ride()
    trip(m.run, reason)
    return m


def test_a_trip_is_acknowledged_only_at_rest_and_with_its_cause_gone():
    m = tripped()
    for _ in range(RAMP):
        m.hear()
        m.tick()
        acknowledge(m.run)
        assert m.run["state"] == TRIPPED
    assert not m.run["finished"]
    m.hear(given=(GUARD,))
    say_permissive(m.run, ESTOP, False)
    m.tick()
    assert m.run["finished"]
    acknowledge(m.run)
    assert m.run["state"] == TRIPPED  # still pressed
    m.hear()
    m.tick()
    acknowledge(m.run)
    assert m.run["state"] == STANDBY
    assert m.run["trip_reason"] == TripReason.NONE
    assert (m.run["end_reason"], m.run["end_trip"]) == (
        END_TRIPPED,
        TripReason.OPERATOR,
    )


@pytest.mark.parametrize("cause", ["diverged", "beyond"])
def test_a_cause_that_stays_is_not_acknowledged(cause):
    m = tripped()
    m.run[cause] = 1
    m.out()
    acknowledge(m.run)
    assert m.run["state"] == TRIPPED


def test_once_acknowledged_there_is_no_other_ride_with_this_plant():
    m = tripped()
    m.out()
    acknowledge(m.run)
    m.arm()
    for _ in range(LONG):
        m.hear()
        assert m.tick() == (STANDBY, 1.0)


# --- on the limit --------------------------------------------------------------------------------------


def step(m=None, **run):
    """(state, reason of a trip, end) a tick after these fields were set in a ride with all that is fresh."""
    m = Machine().ride() if m is None else m
    m.hear()
    for name, value in run.items():
        m.run[name] = value
    next_state(m.rig, m.run)
    return int(m.run["state"]), int(m.run["trip_reason"]), int(m.run["end_reason"])


GOES_ON = (RUNNING, TripReason.NONE, NOT_ENDED)


@pytest.mark.parametrize("i", range(N_MONITORS))
def test_a_monitor_trips_beyond_its_time_if_it_is_to(i):
    def monitored(trips, ticks, beyond):
        m = Machine().ride()
        m.rig["monitor_trips"][i], m.rig["monitor_ticks"][i], m.run["beyond"][i] = trips, ticks, beyond
        return step(m)

    tripped = (TRIPPED, TripReason.COMMAND_LIMIT + i, END_TRIPPED)
    assert monitored(1, 7, 8) == tripped
    assert monitored(1, 7, 7) == GOES_ON
    assert monitored(0, 7, 8) == GOES_ON
    assert monitored(1, 1, 2) == tripped
    assert monitored(1, 0, 8) == GOES_ON  # one that is off has no time to be beyond


@pytest.mark.parametrize("stale", ["steering_tick", "drive_tick"])
def test_one_of_the_two_commands_is_not_enough(stale):
    m = Machine().ride()
    now = int(m.run["tick"])
    assert step(m, **{stale: now - COMMAND}) == GOES_ON
    assert step(m, **{stale: now - COMMAND - 1}) == (TRIPPED, TripReason.COMMAND, END_TRIPPED)


@pytest.mark.parametrize("fell", [0, 100])
def test_a_fall_is_played_out_until_it_is_over_unless_the_model_gives_up(fell):
    stopped = (STOPPING, TripReason.NONE, END_FALLEN)
    assert step(fallen_tick=fell, scenario_tick=fell + 501) == GOES_ON
    assert step(fallen_tick=fell, scenario_tick=fell + 501, fall_over=1) == stopped
    assert step(fallen_tick=fell, scenario_tick=fell + 1, diverged=1) == stopped


@pytest.mark.parametrize("fell", [0, 100])  # tick 0 is a tick like any other
def test_a_bike_that_is_down_ends_as_fallen_whatever_else_would_end_it(fell):
    stopped = (STOPPING, TripReason.NONE, END_FALLEN)
    assert step(fallen_tick=fell, scenario_tick=LIMIT) == stopped
    assert step(fallen_tick=fell, station=FINISH) == GOES_ON
    m = Machine().ride()
    assert step(m, fallen_tick=fell, steering_tick=int(m.run["tick"]) - COMMAND - 1) == stopped


def test_the_time_limit_is_reached_in_its_tick():
    assert step(scenario_tick=LIMIT - 1) == GOES_ON
    assert step(scenario_tick=LIMIT) == (STOPPING, TripReason.NONE, END_TIME_LIMIT)


@pytest.mark.parametrize(("tick", "start"), [(700, 1000), (701, 2000), (1699, 2000), (1700, 2000)])
def test_the_ride_starts_on_the_first_grid_tick_after_the_countdown_whatever_was_before(tick, start):
    m = Machine()
    m.arm()
    assert step(m, tick=tick, start_tick=5, heartbeat_tick=tick)[0] == ARMED
    assert m.run["start_tick"] == start


def test_the_heartbeat_is_no_input_of_the_bench_even_where_it_is_named_with_them():
    m = Machine(range(N_PERMISSIVES))
    m.arm()
    assert step(m)[0] == ARMED


@pytest.mark.parametrize("way", [lambda m: trip(m.run, TripReason.BUS), lambda m: stop(m.run, END_STOPPED)])
def test_a_stop_on_the_way_out_changes_nothing(way):
    m = Machine().ride()
    way(m)
    m.tick()
    before = m.run.tobytes()
    stop(m.run, END_COMPLETE)
    assert m.run.tobytes() == before


def test_the_way_to_rest_ends_at_rest_however_short_the_ramp():
    m = Machine()
    for ramp, gone, share in ((150, 75, 0.5), (150, 150, 1.0), (150, 400, 1.0), (1, 0, 0.0), (0, 1, 1.0)):
        m.rig["ramp_ticks"] = ramp
        m.run["state"], m.run["tick"], m.run["ramp_start"] = STOPPING, 1000 + gone, 1000
        assert rest_share(m.rig, m.run) == share


# --- explored -----------------------------------------------------------------------------------------


WAYS = {
    *((state, state) for state in range(TRIPPED + 1)),
    *((state, TRIPPED) for state in range(TRIPPED)),
    (STANDBY, ARMED),
    (ARMED, RUNNING),
    (ARMED, STOPPING),
    (RUNNING, STOPPING),
    (STOPPING, STANDBY),
    (TRIPPED, STANDBY),
}
"""Every way there is from one tick to the next."""
WAYS_SEEN = set()


@jit
def tick_of(rigs, runs):
    """A machine's tick; called with arrays, since to hand over a record takes as long as ten of them."""
    next_state(rigs[0], runs[0])
    share = rest_share(rigs[0], runs[0])
    runs[0].tick += 1
    return share


@jit
def said(runs, which, granted):
    """An input says so, likewise."""
    say_permissive(runs[0], which, granted)


class Now(dict[str, memoryview]):
    """What fields of a run are now, by name."""

    def __getitem__(self, name: str) -> int:
        return super().__getitem__(name)[0]


class Bench(RuleBasedStateMachine):
    """Operator, robot and plant do what they like; the invariants must hold after every single tick."""

    def __init__(self):
        super().__init__()
        self.m = Machine(BOTH)
        self.says = dict.fromkeys(BOTH, True)  # what each input says now: True, False, or None: silent
        self.heard = dict.fromkeys(BOTH, -1)  # tick it last permitted, -1 withdrawn
        self.m.run["tick"] = 690  # the earliest start is then a little over the countdown away
        # plain numbers of each field, read and written much faster than through a record
        self.words = {name: self.m.runs[name].data for name in RUN_DTYPE.names}
        self.tick = bound(tick_of, (self.m.rigs, self.m.runs))
        self.says_so = bound(said, (self.m.runs,), 0, False)
        self.share = 0.0
        self.last = STANDBY

    @initialize(where=st.sampled_from([STANDBY, ARMED, RUNNING, STOPPING]))
    def has_come_so_far(self, where):
        if where != STANDBY:
            self.m.arm()
            self.go()
        if where in (RUNNING, STOPPING):
            self.go(320)
        if where == STOPPING:
            stop(self.m.run, END_STOPPED)
            self.go()

    def go(self, ticks=1, heartbeat=True, commands=True):
        words = self.words
        run = Now(words)
        for _ in range(ticks):
            now = run["tick"]
            if heartbeat:
                words["heartbeat_tick"][0] = now
            if commands:
                words["steering_tick"][0] = words["drive_tick"][0] = now
            for i, says in self.says.items():
                if says is not None:
                    self.says_so(i, says)
                    self.heard[i] = now if says else -1
            permitted = all(at >= 0 and now - at <= INPUT for at in self.heard.values())
            held, before, reason, scenario_tick = (
                run["hold"],
                run["state"],
                run["trip_reason"],
                run["scenario_tick"],
            )
            asked, finished = run["arm_requested"], run["finished"]
            fresh = run["heartbeat_tick"] >= 0 and now - run["heartbeat_tick"] <= HEARTBEAT
            share = self.tick()
            state = run["state"]
            WAYS_SEEN.add((self.last, state))
            self.last = state
            if state == ARMED and before != ARMED:
                assert before == STANDBY
                assert asked > 0
                assert fresh
                assert permitted
                assert not finished
            if state == RUNNING:
                assert before in (ARMED, RUNNING)
                assert fresh
                assert permitted
                assert not (held and before == ARMED)
                assert run["scenario_tick"] == (0 if before == ARMED else scenario_tick + 1)
                assert share == 0.0
            if state == STOPPING:
                assert before in (ARMED, RUNNING, STOPPING)
            if state == STANDBY:
                assert before == STANDBY or (before == STOPPING and run["finished"])
            if before in (ARMED, RUNNING) and not permitted:
                assert state == TRIPPED
            if before == TRIPPED:
                assert state == TRIPPED
                assert run["trip_reason"] == reason
            if state == TRIPPED:
                assert run["trip_reason"] != TripReason.NONE
            assert share >= self.share  # nothing ever comes back from rest
            if self.share > 0.0:
                assert share - self.share <= 1.5 / RAMP * 1.001
            if run["finished"]:
                assert share == 1.0
                assert state in (STANDBY, TRIPPED)
            assert run["finished"] >= finished
            self.share = share

    @rule(ticks=st.integers(1, 40))
    def robot_is_there(self, ticks):
        self.go(ticks)

    @rule()
    def robot_is_there_for_long(self):
        self.go(320)

    @rule(ticks=st.integers(1, 40), heartbeat=st.booleans(), commands=st.booleans())
    def robot_fails(self, ticks, heartbeat, commands):
        self.go(ticks, heartbeat, commands)

    @rule()
    def asks_to_arm(self):
        self.m.arm()
        self.go()

    @rule()
    def asks_to_stop(self):
        stop(self.m.run, END_STOPPED)
        if self.m.run["finished"]:
            self.share = 1.0  # from standby: at rest already
        self.go()

    @rule(which=st.sampled_from(BOTH), says=st.sampled_from([True, False, None]))
    def input_says(self, which, says):
        self.says[which] = says
        self.go()

    @rule(which=st.sampled_from(BOTH), ticks=st.integers(1, INPUT + 3))
    def input_is_silent_for_a_while(self, which, ticks):
        self.says[which] = None
        self.go(ticks)
        self.says[which] = True

    @rule(who=st.integers(0, 1))
    def holds(self, who):
        hold(self.m.run, who)
        self.go(5)

    @rule(who=st.integers(0, 1))
    def lets_go(self, who):
        go(self.m.run, who)
        self.go()

    @rule()
    def acknowledges(self):
        run = self.m.run
        before, rested, missing = int(run["state"]), bool(run["finished"]), int(run["missing"])
        acknowledge(run)
        if run["state"] != before:
            assert (before, run["state"]) == (TRIPPED, STANDBY)
            assert rested
            assert not missing
            assert not run["diverged"]
        self.go()

    @precondition(lambda self: self.m.run["state"] == TRIPPED)
    @rule()
    def is_left_alone_until_at_rest(self):
        self.go(RAMP + 1)
        assert self.m.run["finished"]  # a trip is at rest within the ramp, whatever came before

    @rule(reason=st.sampled_from([TripReason.BUS, TripReason.OPERATOR]))
    def trips(self, reason):
        trip(self.m.run, reason)
        self.go()

    @precondition(lambda self: self.m.run["state"] == RUNNING)
    @rule(what=st.sampled_from(["diverged", "fallen", "finish"]))
    def happens_on_the_ride(self, what):
        run = self.m.run
        if what == "diverged":
            run["diverged"] = 1
        elif what == "fallen":
            run["fallen_tick"] = run["scenario_tick"]
        else:
            run["station"] = FINISH + 1.0
        self.go()

    @invariant()
    def an_end_has_a_reason(self):
        run = self.m.run
        if run["state"] in (STOPPING, TRIPPED):
            assert run["end_reason"] != NOT_ENDED


def test_explored_by_chance():
    WAYS_SEEN.clear()
    run_state_machine_as_test(
        Bench,
        settings=settings(
            # What is drawn depends on the constants in the package's sources: enough of it, so that an
            # edit elsewhere does not leave a way out.
            max_examples=200,
            stateful_step_count=20,
            derandomize=True,
            suppress_health_check=[HealthCheck.too_slow],
        ),
    )
    assert WAYS_SEEN == WAYS  # the exploration has been everywhere, and nowhere else
