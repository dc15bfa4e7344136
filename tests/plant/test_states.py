"""The state machine, explored: what it may do and what it must never do."""

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

from emulator.plant.records import RIG_DTYPE, RUN_DTYPE
from emulator.plant.states import (
    ARMED,
    END_COMPLETE,
    END_FALLEN,
    END_NAMES,
    END_STOPPED,
    END_TIME_LIMIT,
    END_TRIPPED,
    NO_TRIP,
    NOT_ENDED,
    RUNNING,
    STANDBY,
    START_GRID_TICKS,
    STATE_NAMES,
    STOPPING,
    TRIP_ARMING,
    TRIP_BUS,
    TRIP_COMMAND,
    TRIP_DIVERGED,
    TRIP_HEARTBEAT,
    TRIP_OPERATOR,
    TRIP_TEXTS,
    TRIPPED,
    next_state,
    rest_share,
    stop,
    trip,
)
from emulator.signals import UNARMED_TICK

HEARTBEAT, COMMAND, RAMP, ARMING, LIMIT, FINISH = 20, 15, 150, 3000, 4000, 100.0


class Machine:
    """The rig's limits and the run's record, moved a tick at a time as the plant does."""

    def __init__(self):
        self.rig, self.run = np.zeros(1, RIG_DTYPE)[0], np.zeros(1, RUN_DTYPE)[0]
        self.rig["heartbeat_ticks"], self.rig["command_ticks"] = HEARTBEAT, COMMAND
        self.rig["ramp_ticks"], self.rig["arming_ticks"] = RAMP, ARMING
        self.rig["limit_ticks"], self.rig["finish_station"] = LIMIT, FINISH
        for name in ("heartbeat_tick", "steering_tick", "drive_tick", "fallen_tick"):
            self.run[name] = -1
        self.run["scenario_tick"] = UNARMED_TICK

    def hear(self, *, heartbeat=True, commands=True):
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
        for _ in range(5000):
            self.hear()
            if self.tick()[0] == RUNNING:
                break
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
    for _ in range(4000):
        m.hear()
        assert m.tick() == (STANDBY, 0.0)


def test_a_robot_that_is_never_heard_trips_the_arming():
    m = Machine()
    m.arm()
    states = [m.tick()[0] for _ in range(ARMING + 10)]
    assert states.index(TRIPPED) == ARMING + 2
    assert m.run["trip_reason"] == TRIP_ARMING


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
    assert m.run["trip_reason"] == TRIP_HEARTBEAT


# --- the ways out -------------------------------------------------------------------------------------


def silent(m, **heard):
    for _ in range(HEARTBEAT + COMMAND + 5):
        m.hear(**heard)
        if m.tick()[0] != RUNNING:
            return


WAYS_OUT = {
    "no heartbeat": (lambda m: silent(m, heartbeat=False), TRIPPED, TRIP_HEARTBEAT, END_TRIPPED),
    "no commands": (lambda m: silent(m, commands=False), TRIPPED, TRIP_COMMAND, END_TRIPPED),
    "diverged": (lambda m: m.run.__setitem__("diverged", 1), TRIPPED, TRIP_DIVERGED, END_TRIPPED),
    "operator": (lambda m: trip(m.run, TRIP_OPERATOR), TRIPPED, TRIP_OPERATOR, END_TRIPPED),
    "stop": (lambda m: stop(m.run, END_STOPPED), STOPPING, NO_TRIP, END_STOPPED),
    "laps done": (lambda m: m.run.__setitem__("station", FINISH), STOPPING, NO_TRIP, END_COMPLETE),
    "time": (lambda m: m.rig.__setitem__("limit_ticks", 5), STOPPING, NO_TRIP, END_TIME_LIMIT),
    "fallen": (
        lambda m: m.run.__setitem__("fallen_tick", m.run["scenario_tick"] - 501),
        STOPPING,
        NO_TRIP,
        END_FALLEN,
    ),
    "diverged once down": (
        lambda m: (
            m.run.__setitem__("fallen_tick", m.run["scenario_tick"]),
            m.run.__setitem__("diverged", 1),
        ),
        STOPPING,
        NO_TRIP,
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
    trip(m.run, TRIP_BUS)
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
    trip(m.run, TRIP_BUS)
    for _ in range(RAMP + 5):
        assert m.tick()[1] == 1.0


def test_a_stop_in_standby_is_the_end_at_once():
    m = Machine()
    stop(m.run, END_STOPPED)
    assert m.run["finished"] == 1
    assert m.tick() == (STANDBY, 1.0)


def test_the_first_reason_is_kept():
    m = Machine().ride()
    trip(m.run, TRIP_BUS)
    trip(m.run, TRIP_OPERATOR)
    stop(m.run, END_STOPPED)
    m.out()
    assert m.run["trip_reason"] == TRIP_BUS
    assert m.run["end_reason"] == END_TRIPPED


def test_every_number_has_its_words():
    assert len(STATE_NAMES) == TRIPPED + 1
    assert len(TRIP_TEXTS) == TRIP_ARMING + 1
    assert len(END_NAMES) == END_TRIPPED + 1


# --- explored -----------------------------------------------------------------------------------------


WAYS = {
    *((state, state) for state in range(TRIPPED + 1)),
    *((state, TRIPPED) for state in range(TRIPPED)),
    (STANDBY, ARMED),
    (ARMED, RUNNING),
    (ARMED, STOPPING),
    (RUNNING, STOPPING),
    (STOPPING, STANDBY),
}
"""Every way there is from one tick to the next."""
WAYS_SEEN = set()


class Bench(RuleBasedStateMachine):
    """Operator, robot and plant do what they like; the invariants must hold after every single tick."""

    def __init__(self):
        super().__init__()
        self.m = Machine()
        self.m.run["tick"] = 690  # the earliest start is then a little over the countdown away
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
        run = self.m.run
        for _ in range(ticks):
            self.m.hear(heartbeat=heartbeat, commands=commands)
            before, reason, scenario_tick = (
                int(run["state"]),
                int(run["trip_reason"]),
                int(run["scenario_tick"]),
            )
            asked, finished = int(run["arm_requested"]), int(run["finished"])
            fresh = run["heartbeat_tick"] >= 0 and run["tick"] - run["heartbeat_tick"] <= HEARTBEAT
            state, share = self.m.tick()
            WAYS_SEEN.add((self.last, state))
            self.last = state
            if state == ARMED and before != ARMED:
                assert before == STANDBY
                assert asked > 0
                assert fresh
                assert not finished
            if state == RUNNING:
                assert before in (ARMED, RUNNING)
                assert fresh
                assert run["scenario_tick"] == (0 if before == ARMED else scenario_tick + 1)
                assert share == 0.0
            if state == STOPPING:
                assert before in (ARMED, RUNNING, STOPPING)
            if state == STANDBY:
                assert before == STANDBY or (before == STOPPING and run["finished"])
            if before == TRIPPED:
                assert state == TRIPPED
                assert run["trip_reason"] == reason
            if state == TRIPPED:
                assert run["trip_reason"] != NO_TRIP
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

    @rule(reason=st.sampled_from([TRIP_BUS, TRIP_OPERATOR]))
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
            deadline=None,
            derandomize=True,
            suppress_health_check=[HealthCheck.too_slow],
        ),
    )
    assert WAYS_SEEN == WAYS  # the exploration has been everywhere, and nowhere else
