"""The state machine from every state with every combination of inputs: one step each, so no path is left out.

Whatever path leads somewhere is made of single steps. If every step keeps the rules below, from whatever
record, no path breaks them. Rules are judged from what was put in, not from what the machine made of it.
"""

import numpy as np
import pytest

from emulator.core.compiled import jit, jit_with_memory
from emulator.core.signals import ARMED, RUNNING, STANDBY, STOPPING, TRIPPED
from emulator.core.trip_reasons import TripReason
from emulator.plant.records import RIG_DTYPE, RUN_DTYPE
from emulator.plant.states import (
    END_STOPPED,
    ESTOP,
    GUARD,
    acknowledge,
    go,
    hold,
    next_state,
    rest_share,
    stop,
    trip,
)

TICK, FRESH, RAMP, ARMING = 10_000, 20, 150, 3000
NONE, STOP, TRIP, HOLD, HOLD_AFAR, GO, GO_AFAR, ACKNOWLEDGE = range(8)
# what is put in, and how many values of it there are
SIZES = np.array(
    [
        8,  # event of the operator between the ticks, as above
        5,  # state
        3,  # arming: not asked, asked, asked too long ago
        2,  # finished
        3,  # heartbeat: never, stale, fresh
        4,  # emergency stop input: never, withdrawn, stale, fresh
        4,  # guard input
        4,  # which of the two are asked for
        4,  # held: nobody, bench, afar, both
        3,  # start: unknown, to come, reached
        2,  # commands stale, fresh
        3,  # lean monitor: within, beyond and told, beyond and to trip
        2,  # diverged
        2,  # the ride's end is reached: laps, time, down for long all lead to the same stop
        2,  # ramp begun, over
        2,  # something was missing in the tick before
    ]
)
RULES = (
    "running only from armed or running",
    "running only with every permissive",
    "running from armed only when the countdown is over",
    "never running from armed while held",
    "armed only from standby, asked for, not finished, with every permissive",
    "a permissive lost while armed or running trips",
    "the trip names what was lost",
    "a monitor trips if it is to, and only then",
    "out of tripped only acknowledged, at rest, nothing missing, not diverged, to standby",
    "a trip's reason is kept until acknowledged",
    "every way out begins its ramp at once, a ramp that has begun goes on",
    "at rest when the ramp is over",
    "the way to rest is the ramp's",
    "a finished ride is at rest and stays finished",
    "a ride that is on is not blended",
    "held while armed, nobody knows when the ride starts",
)


@jit
def _stamp(kind: int) -> int:
    """Stamp of an input: never, withdrawn, stale, fresh."""
    if kind == 0:
        return 0
    if kind == 1:
        return -(TICK + 1)
    return TICK + 1 - FRESH - 1 if kind == 2 else TICK + 1 - FRESH


@jit_with_memory
def explore(sizes, rig, run, broken, ways, example):
    """Count broken rules (R,) and ways (5, 5); ``example`` (R,) takes the number of one that broke it."""
    total = 1
    for size in sizes:
        total *= size
    v, ok = np.zeros(sizes.shape[0], np.int64), np.ones(16, np.bool_)
    for n in range(total):
        rest = n
        for k in range(sizes.shape[0]):
            v[k] = rest % sizes[k]
            rest //= sizes[k]
        event, state, finished, asked, held = v[0], v[1], v[3], v[7], v[8]
        if finished and state not in (STANDBY, TRIPPED):
            continue  # finished is said on the way into these
        if state in (STOPPING, TRIPPED) and finished and v[14] == 0:
            continue  # and at the end of a ramp
        run.tick, run.state, run.finished = TICK, state, finished
        run.arm_requested = (0, TICK - 5, TICK - ARMING - 1)[v[2]]
        run.heartbeat_tick = (-1, TICK - FRESH - 1, TICK - FRESH)[v[4]]
        run.permit[ESTOP], run.permit[GUARD] = _stamp(v[5]), _stamp(v[6])
        rig.permissives = asked << 1
        run.hold = held
        run.start_tick = (0, TICK + 1, TICK)[v[9]]
        run.steering_tick = run.drive_tick = TICK - FRESH - 1 + v[10]
        run.beyond[3] = 6 if v[11] > 0 else 0
        rig.monitor_trips[3] = 1 if v[11] == 2 else 0
        run.diverged = v[12]
        run.fallen_tick, run.scenario_tick, rig.limit_ticks = -1, 1000, 5000
        run.station = 200.0 if v[13] == 1 else 0.0
        run.ramp_start = TICK - (RAMP if v[14] == 1 else RAMP // 2)
        run.missing = run.trip_missing = v[15]
        run.trip_reason = TripReason.BUS if state == TRIPPED else 0
        run.end_reason = 5 if state == TRIPPED else (3 if state == STOPPING else 0)
        ramp_start = run.ramp_start

        if event == STOP:
            stop(run, END_STOPPED)
        elif event == TRIP:
            trip(run, TripReason.OPERATOR)
        elif event in (HOLD, HOLD_AFAR):
            hold(run, event - HOLD)
        elif event in (GO, GO_AFAR):
            go(run, event - GO)
        elif event == ACKNOWLEDGE:
            acknowledge(run)
        between, held = run.state, run.hold
        next_state(rig, run)
        after, share = run.state, rest_share(rig, run)
        ways[state, after] += 1

        permitted = v[4] == 2 and (v[5] == 3 or asked & 1 == 0) and (v[6] == 3 or asked & 2 == 0)
        ok[:] = True
        if after == RUNNING:
            ok[0] = between in (ARMED, RUNNING)
            ok[1] = permitted
            ok[2] = between == RUNNING or v[9] == 2
            ok[3] = between == RUNNING or held == 0
            ok[14] = share == 0.0
        if after == ARMED and between != ARMED:
            ok[4] = between == STANDBY and state == STANDBY and v[2] > 0 and not finished and permitted
        if between in (ARMED, RUNNING):
            ok[5] = permitted or after == TRIPPED
            if not permitted:
                lost = TripReason.HEARTBEAT
                if asked & 2 and v[6] != 3:
                    lost = TripReason.GUARD
                if asked & 1 and v[5] != 3:
                    lost = TripReason.ESTOP
                ok[6] = run.trip_reason == lost
            elif v[11] == 2:
                ok[7] = after == TRIPPED and run.trip_reason == TripReason.LEAN_ESTIMATE
            else:
                ok[7] = run.trip_reason != TripReason.LEAN_ESTIMATE
        if state == TRIPPED:
            left = after != TRIPPED
            ok[8] = not left or (
                event == ACKNOWLEDGE and finished == 1 and v[15] == 0 and v[12] == 0 and after == STANDBY
            )
            ok[9] = left or run.trip_reason == TripReason.BUS
        if after in (STOPPING, TRIPPED):
            out = state in (STOPPING, TRIPPED)
            ok[10] = run.ramp_start == (ramp_start if out else TICK)
            part = min(1.0, (TICK - run.ramp_start) / RAMP)
            over = TICK - run.ramp_start >= RAMP
            ok[11] = not over or (run.finished == 1 and share == 1.0)
            ok[12] = run.finished == 1 or abs(share - part * part * (3.0 - 2.0 * part)) < 1e-12
        if finished:
            ok[13] = run.finished == 1 and share == 1.0
        if after == ARMED and held:
            ok[15] = run.start_tick == 0 and run.scenario_tick < -1_000_000
        for k in range(16):
            if not ok[k]:
                broken[k] += 1
                example[k] = n


@pytest.fixture(scope="module")
def explored():
    rig, run = np.zeros(1, RIG_DTYPE), np.zeros(1, RUN_DTYPE)
    r = rig[0]
    r["heartbeat_ticks"] = r["command_ticks"] = r["permissive_ticks"] = FRESH
    r["ramp_ticks"], r["arming_ticks"], r["finish_station"] = RAMP, ARMING, 100.0
    r["monitor_ticks"] = 5
    broken, example, ways = np.zeros(16, np.int64), np.zeros(16, np.int64), np.zeros((5, 5), np.int64)
    explore(SIZES, rig[0], run[0], broken, ways, example)
    return broken, example, ways


@pytest.mark.parametrize("rule", range(len(RULES)), ids=RULES)
def test_no_step_breaks(explored, rule):
    broken, example, _ = explored
    values, rest = [], int(example[rule])
    for size in SIZES:
        values.append(rest % size)
        rest //= size
    assert broken[rule] == 0, f"{broken[rule]} steps, for example {values}"


def test_the_ways_between_states_are_these(explored):
    _, _, ways = explored
    assert {(int(a), int(b)) for a, b in zip(*np.nonzero(ways), strict=True)} == {
        *((state, state) for state in range(5)),
        *((state, TRIPPED) for state in range(4)),
        (STANDBY, ARMED),
        (ARMED, RUNNING),
        (ARMED, STOPPING),
        (RUNNING, STOPPING),
        (STOPPING, STANDBY),
        (TRIPPED, STANDBY),
    }
