"""The bench's inputs, holds and monitors through whole ticks: frames in, states and sentences out."""

import numpy as np
import pytest

from emulator.assembly.bench import EVENT_KINDS
from emulator.config.rig.limits import AngleMonitor, CommandMonitor, Monitors
from emulator.core.signals import ARMED, RUNNING, STANDBY, TRIPPED, UNARMED_TICK
from emulator.core.trip_reasons import TripReason
from emulator.shared_memory.status import Command
from emulator.wire.can_frames import protect
from tests.support.scripted_robot import HELD_CLUTCH, Ride, variant

BOTH = ("estop_released", "guard_closed")
GIVEN = {"estop_released": 1.0, "guard_closed": 1.0}


class Bench(Ride):
    """A ride whose bench says its inputs every so many ticks, too."""

    def __init__(self, session, permissives=BOTH, **rig):
        limits = session.rig.limits.model_copy(update={"arming_timeout_s": 1.0, "ramp_to_rest_s": 0.3})
        super().__init__(variant(session, rig={"permissives": permissives, "limits": limits, **rig}))
        self.inputs = dict(GIVEN)
        self.inputs_every = 10 if permissives else 0

    def step(self, ticks=1, then=None):
        state = -1
        for _ in range(ticks):
            if self.inputs_every and self.count % self.inputs_every == 0:
                self.say(self.inputs)
            state = super().step(1, then)
        return state

    def say(self, inputs):
        return self.robot.send(self.rx, "bench_inputs", inputs)

    def told(self, *kinds):
        return [text for _, code, _, _, text in self.events if EVENT_KINDS[code] in kinds]


@pytest.fixture
def bench(session):
    return Bench(session)


def test_with_every_input_given_it_arms_and_runs(bench):
    bench.start(100)
    assert bench.states[-1] == RUNNING
    assert bench["bench.permissives_missing"] == 0.0
    assert bench.bench.frame_counts()["bench_inputs"]["accepted"] > 10


def test_an_input_frame_that_never_comes_is_told_by_name_and_times_out(bench):
    bench.inputs_every = 0
    bench.step()
    bench.arm()
    assert bench.step(500) == STANDBY
    assert bench.told("permissive") == ["emergency stop released: not given", "guard closed: not given"]
    assert bench["bench.permissives_missing"] == 6.0
    assert bench.step(600) == TRIPPED
    missing = "permissives missing at the arming timeout: emergency stop released, guard closed"
    assert bench.told("trip") == [missing]
    assert bench.bench.outcome()["trip_reason"] == missing


def test_while_waiting_each_input_is_told_as_it_comes(bench):
    bench.inputs = {"estop_released": 0.0, "guard_closed": 1.0}
    bench.every = 0
    bench.step(20)
    bench.arm()
    bench.step(20)
    bench.every = 10
    bench.step(20)
    bench.inputs = GIVEN
    assert bench.step(20) == ARMED
    assert bench.told("permissive") == [
        "robot heartbeat: not given",
        "emergency stop released: not given",
        "robot heartbeat: given",
        "emergency stop released: given",
    ]


@pytest.mark.parametrize("code", [0.0, 2.0, np.nan])
@pytest.mark.parametrize("signal", BOTH)
def test_no_code_but_one_permits(session, signal, code):
    bench = Bench(session)
    if code == 2.0:  # beyond the range: no sender of ours packs it
        place = 16 + 2 * BOTH.index(signal)
        bench.inputs = {**GIVEN, signal: 0.0}
        bench.say = lambda inputs: _with_bits(bench, inputs, place)
    else:
        bench.inputs = {**GIVEN, signal: code}
    bench.step()
    bench.arm()
    bench.step(300)
    assert set(bench.states) == {STANDBY}


def _with_bits(bench, inputs, place):
    """Send the inputs with a raw 2 in the two bits at ``place``, protected again."""
    row = bench.robot.send(bench.rx, "bench_inputs", inputs)
    data, f = bench.rx.data[row], bench.session.codec.frame("bench_inputs")
    data[place // 8] |= 2 << place % 8
    alive = int(data[1]) & 15
    data[0] = data[1] = 0
    protect(bench.session.codec.table, f, alive, data)
    return row


@pytest.mark.parametrize("signal", BOTH)
@pytest.mark.parametrize("running", [True, False])
def test_losing_an_input_trips_within_the_tick_and_nothing_stays_live(session, signal, running):
    bench = Bench(session)
    if running:
        bench.start(50)
    else:
        bench.step()
        bench.arm()
        while bench.step() != ARMED:
            pass
    bench.inputs_every = 0
    bench.say({**GIVEN, signal: 0.0})
    assert bench.step() == TRIPPED
    what = {"estop_released": "emergency stop input not released", "guard_closed": "guard input not closed"}
    assert bench.told("trip") == [what[signal]]
    bench.inputs_every = 10  # given again: the reason stays
    bench.step(300)
    assert bench.bench.finished
    assert bench["output.wheel_rear_m_s"] == 0.0
    assert abs(bench["output.lean_rad"]) < 0.01
    bench.step(500)
    assert bench.states[-1] == TRIPPED
    assert bench["output.wheel_rear_m_s"] == 0.0


def test_a_pulse_shorter_than_a_tick_trips_too(bench):
    bench.start(50)
    bench.say({**GIVEN, "estop_released": 0.0})
    bench.say(GIVEN)
    assert bench.step() == TRIPPED


@pytest.mark.parametrize("how", ["silent", "hung", "damaged"])
def test_inputs_that_stop_being_fresh_trip_after_their_time(bench, how):
    bench.start(50)
    bench.inputs_every = 0
    row = bench.say(GIVEN)
    frame, length = bench.rx.data[row].copy(), int(bench.rx.length[row])
    bench.step()
    fresh = bench.count
    while bench.states[-1] == RUNNING:
        assert bench.count - fresh < 300
        if how != "silent":
            # the same frame again, or frames whose CRC is wrong, though they say given
            row = bench.say(GIVEN)
            if how == "hung":
                bench.rx.data[row], bench.rx.length[row] = frame, length
            else:
                bench.rx.data[row, 0] ^= 0x5A
        bench.step()
    assert bench.count - fresh == bench.session.rig.limits.permissive_timeout_ms + 1
    assert bench.bench.outcome()["trip_reason"] == "emergency stop input not released"


def test_what_the_rig_does_not_ask_for_does_not_matter(session):
    bench = Bench(session, ("guard_closed",))
    bench.inputs = {"estop_released": 0.0, "guard_closed": 1.0}
    bench.start(50)
    assert bench.states[-1] == RUNNING


def test_a_hold_is_told_and_keeps_it_armed_until_let_go(bench):
    bench.bench.command(Command.HOLD, 0.0)
    bench.step()
    bench.arm()
    assert bench.step(2500) == ARMED
    assert bench.bench.tick_number < UNARMED_TICK // 2
    bench.bench.command(Command.GO, 1.0)  # from afar: not theirs to release
    assert bench.step(2500) == ARMED
    bench.bench.command(Command.GO, 0.0)
    while bench.step() != RUNNING:
        assert bench.count < 7000
    assert bench.told("hold") == ["held by the operator at the bench: armed at most", "hold released"]


def test_a_trip_is_acknowledged_by_reset_when_its_cause_is_gone(bench):
    bench.start(50)
    bench.inputs["guard_closed"] = 0.0
    bench.step(400)
    bench.bench.command(Command.RESET, 0.0)
    assert bench.step() == TRIPPED
    bench.inputs["guard_closed"] = 1.0
    bench.step(20)
    bench.bench.command(Command.RESET, 0.0)
    assert bench.step() == STANDBY
    assert bench.told("state")[-1] == "tripped -> standby"
    assert bench["bench.trip_reason"] == 0.0
    outcome = bench.bench.outcome()
    assert outcome == {
        "ended": "tripped",
        "end_tick": outcome["end_tick"],
        "trip_code": TripReason.GUARD,
        "trip_reason": "guard input not closed",
        "trip_evidence": {"said_no": True},
        "strangers": {},
    }
    bench.arm()
    assert bench.step(1500) == STANDBY


@pytest.mark.parametrize("then", ["trip", "event"])
def test_a_command_beyond_its_limit_for_too_long(session, then):
    monitors = Monitors(command_limit=CommandMonitor(for_ms=40.0, then=then))
    bench = Bench(session, (), monitors=monitors)
    bench.start(50)
    bench.commands = {**HELD_CLUTCH, "drive": {**HELD_CLUTCH["drive"], "rear_brake_Pa": 26e5}}
    bench.step(100)
    assert bench.told("monitor") == ["rear brake asked for beyond its actuator's limit for too long"]
    assert bench.states[-1] == (TRIPPED if then == "trip" else RUNNING)
    if then == "trip":
        assert bench.bench.outcome()["trip_reason"] == "robot command beyond its actuator's limit"


def test_a_robot_whose_steering_angle_is_not_the_plants(session):
    watch = AngleMonitor(for_ms=50.0, within_rad=0.05)
    bench = Bench(session, (), monitors=Monitors(steering_angle=watch))
    bench.start(100)  # both near zero in the support
    assert bench.states[-1] == RUNNING
    bench.commands = {**HELD_CLUTCH, "steering": {"steering_torque_Nm": 0.0, "steering_angle_rad": 0.2}}
    bench.step(80)
    assert bench.states[-1] == TRIPPED
    assert bench.told("trip") == ["steering angle as measured is not the plant's"]


def test_a_command_monitor_trips_an_armed_bench_too(session):
    bench = Bench(session, (), monitors=Monitors(command_limit=CommandMonitor(for_ms=40.0)))
    bench.step()
    bench.arm()
    bench.step(50)
    assert bench.states[-1] == ARMED
    bench.commands = {**HELD_CLUTCH, "steering": {"steering_torque_Nm": 250.0}}
    bench.step(60)
    assert bench.states[-1] == TRIPPED
