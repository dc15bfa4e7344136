"""The cycle on the stepped clock, against stand-ins; and what a steady tick allocates."""

import os
import sys

import numpy as np
import pytest

from emulator.core import compiler
from emulator.core.signals import INDEX
from emulator.loop.bus_watch import BusFault, BusRules
from emulator.loop.certificate import GNSS, OutputSpec, TimingAccounts
from emulator.loop.contract import CycleLimits, StopRequest
from emulator.loop.runner import run_cycle
from emulator.shared_memory.block import Snapshot
from emulator.shared_memory.layout import Sizes
from emulator.shared_memory.rings import TX
from emulator.shared_memory.status import Command, LoopEvent, RecorderState, Status
from tests.support.stepped_clock import SteppedClock
from tests.support.stub_plant import (
    FRAME_ID,
    GNSS_LATENCY_NS,
    LATENCY_NS,
    RUNNING,
    TRIPPED,
    StubCan,
    StubGnss,
    StubPlant,
)

OVERRUN, BUS = 5, 6
MS = 1_000_000


class Bench:
    """Everything one run needs."""

    def __init__(self, **limits):
        self.snapshot = Snapshot.create(Sizes(4096, 4096, 256, 64))
        self.plant, self.can, self.gnss = StubPlant(), StubCan(), StubGnss()
        self.clock = SteppedClock(10**12)
        self.limits = CycleLimits(OVERRUN, BUS, **limits)
        self.budget = TimingAccounts(
            [
                OutputSpec("stub", FRAME_ID, 100.0, LATENCY_NS),
                OutputSpec("gnss", GNSS, 10.0, GNSS_LATENCY_NS),
            ],
            lateness_counts=self.snapshot.lateness_counts,
        )
        self.stop = StopRequest()
        self.events = self.snapshot.event_reader()

    def run(self, supervisor_pid=0, pulse=None):
        return run_cycle(
            self.plant,
            self.can,
            self.gnss,
            self.snapshot,
            self.clock,
            self.limits,
            self.budget,
            self.stop,
            supervisor_pid,
            pulse,
        )

    def event_texts(self):
        return [e.text for e in self.events.read()[0]]

    def event_codes(self):
        return [e.code for e in self.events.read()[0]]


@pytest.fixture
def bench():
    made = []

    def make(**limits):
        made.append(Bench(**limits))
        return made[-1]

    yield make
    for b in made:
        b.snapshot.close()


@pytest.mark.parametrize("late", [False, True])
def test_a_quiet_run_ticks_once_a_period_and_publishes_every_tick(bench, late):
    b = bench(max_ticks=1000)
    b.plant = StubPlant(late=late)
    b.plant.keep = True
    reader, frames, bursts = b.snapshot.signal_reader(), b.snapshot.frame_reader(), b.snapshot.gnss_reader()
    outcome = b.run()
    assert (outcome.at_rest, outcome.stop_cause, outcome.trip_tick, outcome.problems) == (
        True,
        "tick limit",
        None,
        [],
    )
    got = reader.read()
    assert got.tick.tolist() == list(range(outcome.ticks))
    assert got.rows[:, INDEX["truth.speed_m_s"]].tolist() == got.tick.tolist()
    assert b.plant.received == [(n, [n * MS]) for n in range(outcome.ticks)]
    sent = frames.read()
    assert (sent.direction == TX).sum() == b.can.sent == 1 + outcome.last_tick // 10
    assert np.array_equal(sent.time_ns[sent.direction == TX], np.arange(b.can.sent) * 10 * MS)
    assert len(bursts.read()[0]) == b.gnss.sent == 1 + outcome.last_tick // 100
    certificate = b.budget.certificate()
    assert certificate["loop"]["lateness_us"]["max"] == 0.0
    assert certificate["outputs"]["stub"]["kept_ppm"] == 0.0
    assert certificate["outputs"]["stub"]["age_ms_max"] == LATENCY_NS / MS
    assert certificate["outputs"]["gnss"]["age_ms_max"] == GNSS_LATENCY_NS / MS


@pytest.mark.parametrize("late", [False, True])
def test_frames_are_sent_before_the_rest_of_their_tick_is_computed_if_they_are_known(bench, late):
    """What the rest takes is then no part of when they went."""
    b = bench(max_ticks=50)
    b.plant = StubPlant(late=late)
    frames, finish, takes_ns = b.snapshot.frame_reader(), b.plant.finish_tick, 70_000

    def slow(*arguments):
        b.clock.advance(takes_ns)
        return finish(*arguments)

    b.plant.finish_tick = slow
    b.run()
    sent = frames.read()
    ours = sent.direction == TX
    after_ns = sent.time_ns[ours] - sent.valid_ns[ours] - LATENCY_NS
    assert after_ns.tolist() == [takes_ns * late] * b.can.sent
    assert b.can.sent > 4
    assert b.budget.certificate()["outputs"]["stub"]["age_ms_max"] == (LATENCY_NS + takes_ns * late) / MS


def test_two_runs_on_the_stepped_clock_are_the_same(bench):
    rows = []
    for _ in range(2):
        b = bench(max_ticks=300)
        reader, frames = b.snapshot.signal_reader(), b.snapshot.frame_reader()
        b.run()
        rows.append((reader.read().rows.tobytes(), frames.read().data.tobytes(), b.budget.certificate()))
    assert rows[0] == rows[1]


def test_scenario_time_before_running_is_negative(bench):
    b = bench(max_ticks=50)
    b.plant = StubPlant(first_tick=-40)
    b.plant.keep = True
    reader = b.snapshot.signal_reader()
    b.run()
    assert reader.read().tick[0] == -40
    assert b.plant.received[0] == (-40, [-40 * MS])


def test_times_follow_a_plant_that_jumps_to_tick_zero_when_running_starts(bench):
    b = bench(max_ticks=100)
    b.plant = StubPlant(first_tick=-10_000)
    b.plant.keep = True

    def jump(n):
        if n == -9_950:  # a tick that sends
            b.plant.tick_number = 0

    b.plant.on_tick = jump
    b.run()
    assert (1, [MS]) in b.plant.received
    assert b.plant.received[-1][1] == [b.plant.tick_number * MS]
    out = b.budget.certificate()["outputs"]["stub"]
    # what was sent before the jump, perhaps to nobody, is no part of the promise
    assert 0 < out["sent"] < b.can.sent
    assert (out["skipped"], out["late"]) == (0, 0)
    assert (out["jitter_us_max"], out["kept_ppm"]) == (0.0, 0.0)


def test_commands_reach_the_plant_in_the_same_tick(bench):
    b = bench()
    post = b.snapshot.post
    plan = {3: (Command.ARM, 0.0), 5: (Command.START, 0.0), 50: (Command.STOP, 0.0)}
    b.plant.on_tick = lambda n: post(*plan[n]) if n in plan else None
    states = {}
    finish = b.plant.finish_tick
    b.plant.finish_tick = lambda *a: states.setdefault(b.plant.tick_number, finish(*a))
    outcome = b.run()
    assert b.plant.commands == [(int(c), a) for c, a in plan.values()]
    assert (states[3], states[4], states[6], states[50], states[51]) == (0, 1, RUNNING, RUNNING, 3)
    assert outcome.stop_cause == "command"
    assert b.event_texts() == ["command arm", "command start", "command stop"]


def test_a_mark_made_by_hand_is_told_and_never_reaches_the_plant(bench):
    b = bench()
    b.snapshot.post(Command.MARK, 3.0)
    b.snapshot.post(Command.STOP)
    b.run()
    assert b.plant.commands == [(Command.STOP, 0.0)]
    told = [(e.code, e.value, e.text) for e in b.events.read()[0] if e.code >= LoopEvent.COMMAND]
    assert told[0] == (LoopEvent.MARK, 3.0, "mark 3, made by hand")


@pytest.mark.parametrize("cause", ["SIGTERM", "SIGINT"])
def test_a_signal_stops_in_order_and_once(bench, cause):
    b = bench()
    b.plant.on_tick = lambda n: b.stop.ask(cause) if n in (20, 25) else None
    outcome = b.run()
    assert b.plant.commands == [(Command.STOP, 0.0)]
    assert (outcome.stop_cause, outcome.at_rest, outcome.last_tick) == (cause, True, 40)
    assert b.event_texts() == [f"stopping: {cause}"]


def test_a_dead_supervisor_stops_the_run_in_order(bench):
    b = bench()
    outcome = b.run(supervisor_pid=os.getppid() + 1)
    assert (outcome.stop_cause, outcome.at_rest) == ("supervisor gone", True)
    assert outcome.ticks < 40
    assert b.plant.commands == [(Command.STOP, 0.0)]


def test_a_living_supervisor_does_not(bench):
    b = bench(max_ticks=200)
    assert b.run(supervisor_pid=os.getppid()).stop_cause == "tick limit"


def test_a_stall_is_made_up_for_with_held_inputs_and_counted(bench):
    b = bench(max_ticks=100)
    b.plant.keep = True
    b.plant.on_tick = lambda n: b.clock.advance(5 * MS + 300_000) if n == 50 else None
    outcome = b.run()
    assert outcome.problems == []
    assert [t for t, frames in b.plant.received if not frames] == [51, 52, 53, 54]
    assert b.plant.lateness_us[51:57] == [4300.0, 3300.0, 2300.0, 1300.0, 300.0, 0.0]
    assert b.plant.received[55] == (55, [55 * MS + 300_000])
    assert (b.budget.missed_ticks, b.budget.overruns) == (4, 1)
    begun = 10**12 + MS // 2  # half a period off the kernel's timer
    assert b.clock.now_ns() - begun == outcome.ticks * MS  # locked to the wall clock again
    assert b.snapshot.status[Status.MISSED_TICKS] == 4
    out = b.budget.certificate()["outputs"]["stub"]
    assert (out["late"], out["skipped"]) == (1, 0)  # tick 50's own frame, 5.3 ms after it was due


def test_a_loop_that_is_always_late_still_hears_the_robot(bench):
    b = bench(max_ticks=300, overrun_ns=1000 * MS)
    b.plant.keep = True
    b.plant.on_tick = lambda n: b.clock.advance(3 * MS if n == 20 else MS) if n >= 20 else None
    b.run()
    heard = [tick for tick, frames in b.plant.received if frames and tick > 20]
    assert heard[:3] == [31, 42, 53]


def test_a_long_stall_trips_the_rig_once_and_is_still_made_up_for(bench):
    b = bench(overrun_ns=20 * MS)
    b.plant.on_tick = lambda n: b.clock.advance(100 * MS) if n == 50 else None
    outcome = b.run()
    assert b.plant.commands == [(Command.TRIP, float(OVERRUN))]
    assert (outcome.trip_tick, outcome.final_state, outcome.skipped_ticks) == (51, TRIPPED, 0)
    assert outcome.problems == ["the loop stalled for 99.0 ms (limit 20.0 ms)"]
    assert b.event_texts() == outcome.problems


def test_a_stall_beyond_making_up_for_is_cut_and_the_rest_counted_as_skipped(bench):
    b = bench(catch_up_ticks=100)
    b.plant = StubPlant(ramp=300)
    b.plant.on_tick = lambda n: b.clock.advance(1000 * MS) if n == 10 else None
    outcome = b.run()
    assert outcome.skipped_ticks == 899
    assert b.snapshot.status[Status.SKIPPED_TICKS] == 899
    assert outcome.ticks + outcome.skipped_ticks == (b.clock.now_ns() - 10**12) // MS
    assert b.budget.missed_ticks == 100


def test_refused_frames_are_lost_in_the_certificate_and_not_in_the_record(bench):
    b = bench(max_ticks=200)
    b.can.refuse = b.gnss.refuse = True
    frames, bursts = b.snapshot.frame_reader(), b.snapshot.gnss_reader()
    b.run()
    out = b.budget.certificate()["outputs"]
    assert (out["stub"]["sent"], out["gnss"]["sent"]) == (0, 0)
    refused = [out[name]["lost"] + out[name]["lost_after"] for name in ("stub", "gnss")]
    assert refused == [b.can.lost, b.gnss.lost]
    assert b.can.lost > 0 < b.gnss.lost
    assert not (frames.read().direction == TX).any()
    assert bursts.read() == ([], 0)
    assert b.snapshot.status[Status.SEND_LOST] > 0


def test_whoever_commands_the_plant_it_is_published_with_the_tick_it_acts_in(bench):
    """From the mailbox, by a stall and by a signal: all that the plant gets besides frames."""
    b = bench()
    given, acted = b.snapshot.applied_reader(), []

    def on_tick(n):
        acted.extend((n, *command) for command in b.plant.commands[len(acted) :])
        if n == 30:
            b.snapshot.post(Command.ARM)
            b.snapshot.post(Command.HOLD, 1.0)
        elif n == 40:
            b.stop.ask("SIGTERM")
        elif n == 50:
            b.clock.advance(25_000_000)

    b.plant.on_tick = on_tick
    b.run()
    assert acted == [
        (31, Command.ARM, 0.0),
        (31, Command.HOLD, 1.0),
        (41, Command.STOP, 0.0),
        (51, Command.TRIP, float(OVERRUN)),
    ]
    assert given.read() == (acted, 0)


def test_a_dead_link_trips_within_ten_ticks(bench):
    b = bench()

    def die(n):
        b.can.alive = n < 100

    b.plant.on_tick = die
    outcome = b.run()
    assert b.plant.commands == [(Command.TRIP, float(BUS))]
    assert 100 < outcome.trip_tick <= 110
    assert outcome.problems == ["the CAN link is gone"]


def faulty(bench, answer, at, until=60, **limits):
    """A run that is armed at tick 20 and has a full queue from tick ``at`` to before ``until``."""
    rules = BusRules(dict.fromkeys(BusFault, answer))
    b = bench(bus_rules=rules, max_ticks=600, **limits)
    post = b.snapshot.post

    def step_events(n):
        if n == 20:
            post(Command.ARM)
        if at <= n < until:
            b.can.more = {"send_full": n}

    b.plant.on_tick = step_events
    return b


@pytest.mark.parametrize("answer", ["trip", "mark", "note"])
def test_a_fault_of_the_bus_is_answered_by_the_rigs_rule(bench, answer):
    b = faulty(bench, answer, 40)
    reader = b.snapshot.signal_reader()
    outcome = b.run()
    told = [e for e in b.events.read()[0] if e.code >= LoopEvent.BUS_FAULT]
    assert 40 <= told[0].tick <= 48
    assert (told[0].index, told[0].text) == (BusFault.TRANSMIT_FULL, "the transmit queue is full")
    tripped = (Command.TRIP, float(BUS)) in b.plant.commands
    assert tripped is (answer == "trip")
    assert outcome.final_state == TRIPPED if tripped else outcome.trip_tick is None
    assert len(outcome.problems) == (answer != "note")
    if not tripped:
        assert outcome.ticks >= 600
        assert told[1].code == LoopEvent.BUS_FAULT_OVER
        assert outcome.bus["transmit_full"]["count"] == 59
        assert b.snapshot.status[Status.SEND_FULL] == 59
        assert b.snapshot.status[Status.BUS_FAULTS] == 0
    else:
        assert 40 < outcome.trip_tick <= 50
        assert b.snapshot.status[Status.BUS_FAULTS] == 1 << BusFault.TRANSMIT_FULL
    assert reader.read().tick.tolist() == list(range(outcome.ticks))  # every tick was published


def test_a_fault_before_arming_is_told_and_answered_only_if_it_is_still_there(bench):
    b = faulty(bench, "trip", 0, until=16)
    outcome = b.run()
    assert (outcome.problems, outcome.trip_tick) == ([], None)
    assert "the transmit queue is full" in b.event_texts()
    assert 20 < faulty(bench, "trip", 0).run().trip_tick <= 30


def test_a_node_that_sends_our_identifiers_trips_the_rig(bench):
    b = bench(max_ticks=300)
    post = b.snapshot.post

    def step_events(n):
        if n == 20:
            post(Command.ARM)
        b.can.heard_id = FRAME_ID if n == 100 else 0x10

    b.plant.on_tick = step_events
    outcome = b.run()
    assert 100 < outcome.trip_tick <= 110
    assert outcome.problems == [
        "another node sends identifiers of ours (1 frames, first 0.1 s into the ride)"
    ]
    assert b.snapshot.status[Status.OWN_FRAMES] == 1


def test_a_fault_while_stopping_is_told_and_not_answered(bench):
    b = bench(max_ticks=100)
    b.plant = StubPlant(ramp=200)
    b.plant.on_tick = lambda n: setattr(b.can, "more", {"send_full": n}) if n > 200 else None
    outcome = b.run()
    assert "the transmit queue is full" in b.event_texts()
    assert (outcome.problems, outcome.trip_tick) == ([], None)


def test_a_recorder_that_stops_beating_is_told_once_and_the_loop_goes_on(bench):
    b = bench(max_ticks=1200, recorder_gone_ticks=200)
    status = b.snapshot.status

    def beat(n):
        if n < 300 or n > 900:
            status[Status.RECORDER_HEARTBEAT] += 1

    b.plant.on_tick = beat
    outcome = b.run()
    assert b.event_codes() == [LoopEvent.RECORDER_GONE, LoopEvent.RECORDER_BACK, LoopEvent.STOP_ASKED]
    assert outcome.ticks >= 1200
    assert len(outcome.problems) == 1
    assert outcome.problems == ["recorder gone 0.6 s into the ride"]


def test_a_recorder_that_says_it_failed_is_told_at_once(bench):
    b = bench(max_ticks=700, recorder_gone_ticks=100_000)
    status = b.snapshot.status
    status[Status.RECORDER_HEARTBEAT] = 1

    def fail(n):
        if n == 100:
            status[Status.RECORDER_STATE] = RecorderState.FAILED

    b.plant.on_tick = fail
    b.run()
    assert LoopEvent.RECORDER_GONE in b.event_codes()


def test_no_recorder_is_no_problem(bench):
    b = bench(max_ticks=700, recorder_gone_ticks=100)
    assert b.run().problems == []


def test_a_plant_that_does_not_come_to_rest_can_not_hold_the_loop(bench):
    b = bench(ramp_ticks=100)
    b.plant = StubPlant(ramp=10**9)
    b.stop.ask("SIGTERM")
    outcome = b.run()
    assert not outcome.at_rest
    assert "not at rest 0.1 s after the stop" in outcome.problems[0]


def test_events_of_the_plant_are_published(bench):
    b = bench(max_ticks=30)

    def step_events(n):
        if n == 7:
            b.plant.events = [(3, 1, 0.5, "fault on: wheel speed stuck")]

    b.plant.on_tick = step_events
    b.run()
    event = b.events.read()[0][0]
    assert (event.tick, event.code, event.index, event.value, event.text) == (
        7,
        3,
        1,
        0.5,
        "fault on: wheel speed stuck",
    )


class Pulse:
    """Keeps what it is told; its line is gone from tick ``until`` on."""

    def __init__(self, until=10**9):
        self.until, self.told = until, []

    def follow(self, utc_ns, *, on_time):
        self.told.append((utc_ns, on_time))
        return len(self.told) < self.until

    def close(self):
        pass


def test_the_pulse_per_second_follows_every_tick_and_knows_the_late_ones(bench):
    b = bench(max_ticks=300, overrun_ns=10**9)
    b.plant.on_tick = lambda n: (
        setattr(b.plant, "utc_ns", n * MS) or (b.clock.advance(5 * MS) if n == 100 else None)
    )
    pulse = Pulse()
    outcome = b.run(pulse=pulse)
    assert [utc for utc, _ in pulse.told] == [n * MS for n in range(outcome.ticks)]
    late = [utc // MS for utc, on_time in pulse.told if not on_time]
    assert late == [101, 102, 103, 104]
    assert outcome.problems == []


def test_a_pulse_whose_line_is_gone_is_a_problem_of_the_rig_once(bench):
    b, pulse = bench(max_ticks=300), Pulse(until=50)
    outcome = b.run(pulse=pulse)
    assert len(pulse.told) == 50
    assert outcome.problems == ["the pulse per second's line is gone"]
    assert b.event_texts().count("the pulse per second's line is gone") == 1


def test_an_epoch_is_sent_when_its_last_byte_is(bench):
    b = bench(max_ticks=1000)
    b.plant.gnss_line_ns = 30 * MS
    b.run()
    out = b.budget.certificate()["outputs"]["gnss"]
    assert out["age_ms_max"] == GNSS_LATENCY_NS / MS + 30.0
    assert out["late"] == 0


def test_status_block_tells_how_it_goes(bench):
    b = bench(max_ticks=600)
    outcome = b.run()
    status = b.snapshot.status
    assert status[Status.LOOP_HEARTBEAT] == outcome.ticks
    assert status[Status.TICK] == outcome.last_tick
    assert status[Status.LOOP_PID] == os.getpid()
    assert status[Status.GNSS_SENT] > 0
    assert status[Status.FRAMES_RECEIVED] > 500
    assert b.snapshot.lateness_counts.sum() == outcome.ticks
    assert b.snapshot.lateness_edges_us[-1] == np.inf


def test_buffers_are_laid_out_for_compiled_code_before_the_first_tick(bench, monkeypatch):
    """All but an epoch's bytes and the plant's row, which are small."""
    b = bench(max_ticks=50)
    laid_out, bound_entry = [], compiler.bound_entry

    def told(function, *arguments):
        laid_out.append(function.__name__)
        return bound_entry(function, *arguments)

    b.plant.on_tick = lambda _: monkeypatch.setattr(compiler, "bound_entry", told)
    b.run()
    assert laid_out == ["write_gnss", "write_row"]


def test_steady_ticks_allocate_nothing_for_good(bench):
    b = bench(max_ticks=4500)
    blocks = np.zeros(4600, np.int64)
    mark = memoryview(blocks)

    def count(n):
        mark[n] = sys.getallocatedblocks()

    b.plant.on_tick = count
    b.run()
    # A block or two come and go with the size of the integers; a leak of one a tick would show as 2000.
    assert abs(int(blocks[4200] - blocks[2200])) < 20
