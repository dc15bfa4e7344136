"""A bench run under every order of what can happen to it: how it ends, when, what is told, whose it was.

Rules plant; what must hold is judged from what was planted, not from what the supervisor made of it.
"""

import os
import shutil
import signal
import tempfile
from collections import Counter
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    precondition,
    rule,
    run_state_machine_as_test,
)

from emulator.cli.output import EXIT_STATUS
from emulator.core.signals import ARMED, RUNNING
from emulator.core.trip_reasons import TripReason
from emulator.stages.bench.child_process import LEAVE_TIMEOUT_S
from tests.support.scripted_robot import demo_session
from tests.support.stepped_bench import SteppedBench, stepped_bench
from tests.support.stub_processes import ARMING, COUNTDOWN, HEARTBEAT, MS, RAMP, RIDE

ROLES = ("loop", "bus", "recorder", "robot")
HANDS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
LEAVES = st.sampled_from((0, 1, 4, -signal.SIGKILL, -signal.SIGSEGV, -signal.SIGTERM))
HANG_NS, AT_ONCE_NS = 3_000 * MS, 1_100 * MS
WHOLE_S = (COUNTDOWN + ARMING + RIDE + RAMP) * 1e-3 + 1.0
"""Longest that a run lasts to which nothing happens: it starts, arms or gives up, rides and rests."""
WAY_OUT_NS = (HEARTBEAT + RAMP + 700) * MS
"""From whatever ends it to the end: noticed, to rest, and what everybody takes to leave."""
STUCK_S = WAY_OUT_NS * 1e-9 + 4 * LEAVE_TIMEOUT_S
"""The same where processes hang: each is waited for in turn, and killed."""
TICK_NS, STALL_NS = 10 * MS, 130 * MS
"""A slice of the stepped bench's time; a stall of the loop beyond its limit (100 ms)."""
SEEN_NS = 100 * MS
"""What happened so long before is noticed: two looks of the supervisor."""


class Planted(NamedTuple):
    """What was planted, when [ns] and in which phase of the run."""

    ns: int
    what: str
    phase: str


class EveryOrder(RuleBasedStateMachine):
    """One run; what is planted is kept with its time."""

    session = None

    def __init__(self):
        super().__init__()
        self.folder = Path(tempfile.mkdtemp())
        self.planted = []

    @initialize(held=st.booleans(), with_hook=st.booleans())
    def begin(self, held, with_hook):
        if EveryOrder.session is None:
            EveryOrder.session = demo_session()
        self.bench = SteppedBench(self.session, self.folder / "run", held=held, with_hook=with_hook)
        self.held = held
        self.bench.begin()
        self.bench.pass_s(0.005)

    def plant(self, what):
        self.planted.append(Planted(self.bench.now_ns, what, self.bench.phase))

    # --- what happens

    @rule(seconds=st.sampled_from((0.01, 0.06, 0.25, 1.0, 2.5)))
    def time_passes(self, seconds):
        self.bench.pass_s(seconds)

    @precondition(lambda self: not self.bench.over)
    @rule(number=st.sampled_from(HANDS))
    def a_person_stops(self, number):
        self.plant(f"hand {number.name}")
        self.bench.signal(number)

    @precondition(lambda self: not self.bench.over)
    @rule(role=st.sampled_from(ROLES), status=LEAVES)
    def one_leaves(self, role, status):
        process = self.bench.alive(role)
        if process is not None:
            self.plant(f"{role} leaves")
            process.leave(status)

    @precondition(lambda self: not self.bench.over)
    @rule(role=st.sampled_from(ROLES))
    def one_hangs(self, role):
        process = self.bench.alive(role)
        if process is not None and not process.hung:
            self.plant(f"{role} hangs")
            process.hang()

    @precondition(lambda self: not self.bench.over)
    @rule(role=st.sampled_from(ROLES))
    def one_goes_on(self, role):
        process = self.bench.alive(role)
        if process is not None and process.hung:
            self.plant(f"{role} goes on")
            process.go_on()

    @precondition(lambda self: self.bench.state == RUNNING and self.bench.hook is not None)
    @rule()
    def the_hook_fails(self):
        self.plant("hook fails")
        self.bench.hook.fails = True

    @precondition(lambda self: self.bench.state in (ARMED, RUNNING))
    @rule(reason=st.sampled_from((TripReason.GUARD, TripReason.DIVERGED, TripReason.OPERATOR)))
    def the_rig_trips(self, reason):
        self.plant(f"trip {reason.name}")
        self.bench.latest["loop"].plant.trips_for = reason

    @precondition(lambda self: self.bench.state == RUNNING)
    @rule()
    def the_bike_falls(self):
        self.plant("falls")
        self.bench.latest["loop"].plant.falls = True

    @rule(line=st.sampled_from((b"\n", b"go\n", b"start rain\n", b"")))
    def the_operator_types(self, line):
        if self.bench.reader is not None:
            self.bench.type_in(line)

    @precondition(lambda self: self.bench.alive("bus") is not None)
    @rule()
    def a_guest_is_cut_off(self):
        self.bench.alive("bus").tell(notice="cut_off", participants=[{"name": "127.0.0.1:5", "pid": 0}])

    # --- what must hold

    def teardown(self):
        if not hasattr(self, "bench"):
            return
        try:
            self.it_ends_in_time()
            self.nothing_is_left()
            self.it_is_told_once()
            self.the_verdict_is_fair()
        finally:
            self.bench.close()
            shutil.rmtree(self.folder)

    def of(self, *kinds):
        """What was planted of these kinds, a kind being how its words begin or end."""
        return [p for p in self.planted if p.what.startswith(kinds) or p.what.endswith(kinds)]

    def still_hung(self):
        """The hangs that last, by role."""
        hung = {}
        for p in self.of("hangs", "goes on", "leaves"):
            role = p.what.split()[0]
            if p.what.endswith("hangs"):
                hung[role] = p
            else:
                hung.pop(role, None)
        return hung

    def second_hand(self):
        return next((p for p in self.of("hand")[1:] if not p.what.endswith("SIGHUP")), None)

    def it_ends_in_time(self):
        bench = self.bench
        if not self.second_hand():
            bench.pass_s(WHOLE_S)
        if not bench.over and self.held and bench.state == ARMED:
            self.a_person_stops(signal.SIGINT)
        bench.pass_s(STUCK_S)
        hung = self.still_hung()
        if not bench.over:
            assert "start" in {p.phase for p in hung.values()}, "it does not end"
            bench.pass_s(200.0)  # what a start may take
        assert bench.over, "it does not end"
        if (second := self.second_hand()) is not None:
            assert bench.ended_ns - second.ns <= AT_ONCE_NS, "not at once"
        elif list(hung) == ["loop"] and hung["loop"].phase == "ride":
            assert bench.ended_ns - hung["loop"].ns <= HANG_NS, "the hung loop was not ended in time"
        elif not self.of("hangs"):
            enders = self.of("hand", "loop", "bus", "robot", "hook", "trip", "falls")
            if enders and enders[0].phase != "rest":
                assert bench.ended_ns - enders[0].ns <= WAY_OUT_NS, f"late after {enders[0].what}"

    def nothing_is_left(self):
        for process in self.bench.started:
            assert process.returncode is not None
        assert not (self.folder / ".run.logs").exists()
        if not self.heard("arming: "):
            assert not (self.folder / "run").exists()

    def heard(self, *words):
        return [(ns, text) for ns, text in self.bench.said if text.startswith(words)]

    def it_is_told_once(self):
        for text, count in Counter(text for _, text in self.bench.said).items():
            answered = text.startswith(
                ("virtual bus: ", "no event", "expected start", "the loop stands still")
            )
            assert count == 1 or answered, f"{text!r} {count} times"
        riding = self.heard("arming: ")
        for p in self.planted:
            noticed = p.phase == "ride" and riding and p.ns + SEEN_NS < self.bench.ended_ns
            if not noticed or self.of("hand") or self.of("hangs"):
                continue
            if p.what in TOLD and (p.what != "hook fails" or p is self.planted[0]):
                assert len(self.heard(TOLD[p.what])) == 1, f"{p.what} is not told"
        first = next(iter(self.of("hand")), None)
        if first and first.phase == "ride" and riding and riding[0][0] < first.ns:
            orderly = self.heard(*(f"{number.name}: stopping in an orderly way" for number in HANDS))
            assert len(orderly) == 1 or self.second_hand(), "the stop is not told"
        if self.second_hand() and first.phase == "ride":
            assert len(self.heard(*(f"{number.name} again" for number in HANDS))) == 1

    def the_verdict_is_fair(self):
        verdict, error = self.bench.result()
        status = error.exit_status if error is not None else EXIT_STATUS[verdict.result]
        result = {0: "pass", 1: "fail", 2: "invalid", 4: "error", 5: "stopped"}[status]
        told = f"{result}: {verdict or error!r}"
        by_hand = self.of("hand", "trip OPERATOR")
        before_end = [p for p in self.planted if p.ns < (self.bench.rested_ns or self.bench.ended_ns)]
        troubles = [p for p in before_end if p.what.endswith("leaves") or p.what.startswith(("hook", "trip"))]
        troubles = [p for p in troubles if p.what != "trip OPERATOR" and self.heard("arming: ")]
        if not self.planted:
            assert result == "pass", told
        if not self.of("falls"):
            assert result != "fail", told
        if result == "stopped":
            assert by_hand, told
            first = by_hand[0].ns
            assert not [p for p in troubles if p.ns < first], told
            assert not [p for p in self.of("falls") if p.ns + 2 * TICK_NS < first], told
            hangs = self.of("loop hangs", "loop goes on", "loop leaves")
            for p, then in pairwise([*hangs, Planted(first, "", "")]):
                stood_ns = min(then.ns, first) - p.ns if p.what == "loop hangs" and p.phase == "ride" else 0
                assert stood_ns <= STALL_NS, told
        if by_hand and not troubles and not self.of("falls", "hangs"):
            assert result in ("stopped", "pass"), told
        if result == "error":
            assert self.of("loop", "hook", *(() if self.heard("arming: ") else ("leaves", "hangs"))), told
        if result == "pass":
            seen = [p for p in troubles if p.ns + SEEN_NS + HEARTBEAT * MS < self.bench.rested_ns - RAMP * MS]
            assert not [p for p in seen if p.phase == "ride"], told
        if len(self.planted) == 1 and self.planted[0].phase == "ride" and self.planted[0].what in ALONE:
            assert result in (ALONE[self.planted[0].what], "pass"), told


TOLD = {
    "robot leaves": "the robot process is gone",
    "bus leaves": "the virtual bus's process is gone",
    "recorder leaves": "the recorder is gone",
    "hook fails": "hook Bad of bad.py failed",
}
ALONE = {
    "loop leaves": "error",
    "bus leaves": "invalid",
    "recorder leaves": "invalid",
    "robot leaves": "invalid",
    "hook fails": "error",
    "trip GUARD": "invalid",
    "trip DIVERGED": "invalid",
    "trip OPERATOR": "stopped",
    "falls": "fail",
    "loop hangs": "error",
}
"""What comes of a thing that happens to a ride and is the only one; passed if it was too late to matter."""


def explore(examples):
    """So many examples. Not derandomised: each run of the tests looks at others."""
    run_state_machine_as_test(
        EveryOrder,
        settings=settings(
            max_examples=examples,
            stateful_step_count=8,
            deadline=None,
            suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
            report_multiple_bugs=False,
        ),
    )


def test_in_every_order_a_run_ends_in_time_and_accuses_only_the_guilty():
    explore(25)


@pytest.mark.timing  # for the ordinary run's length only
@pytest.mark.timeout(3600)
def test_in_many_more_orders_too():
    explore(int(os.environ.get("ORDERS", "1000")))


# --- what this has found, one by one -------------------------------------------------------------------


def leaves(role):
    return lambda bench: bench.alive(role).leave(-signal.SIGKILL)


def hangs(role):
    return lambda bench: bench.alive(role).hang()


def falls(bench):
    bench.latest["loop"].plant.falls = True


def trips(bench):
    bench.latest["loop"].plant.trips_for = TripReason.DIVERGED


INT = signal.SIGINT
FOUND = {
    "robot gone just before a stop": ((1.0, leaves("robot"), 0.01, INT), "invalid", "process was gone"),
    "loop hung, then ended at once": (
        (1.0, hangs("loop"), 0.5, INT, 0.1, INT),
        "error",
        "stood still for 0.5 s",
    ),
    "bus gone, then ended at once": (
        (1.0, leaves("bus"), 0.1, INT, 0.1, INT),
        "invalid",
        "virtual bus was gone",
    ),
    "loop gone, then ended at once": ((1.0, leaves("loop"), 0.01, INT, INT), "error", "loop was gone"),
    "tripped, then ended at once": ((1.0, trips, 0.06, INT, 0.01, INT), "invalid", "plant diverged"),
    "fallen, then ended at once": ((1.0, falls, 0.06, INT, 0.01, INT), "invalid", "no timing certificate"),
    "stopped in the tick that was to be the first": ((0.31, INT), "stopped", "(SIGINT) before the ride"),
    "ended at once in a ride": ((1.0, INT, 0.1, INT), "stopped", "0.7 s into the ride"),
    "recorder gone while held": ((1.0, leaves("recorder"), 0.2, INT), "invalid", "recorder was gone"),
    "robot gone while held": ((1.0, leaves("robot"), 0.1, INT), "invalid", "process was gone"),
    "loop hangs behind its ride": ((1.84, hangs("loop")), "error", "stood still for 10.0 s"),
    "loop hangs before its first tick": ((0.09, hangs("loop")), "StartFailed", "did not begin within 180 s"),
    "twice at once while it starts": ((0.02, INT, INT), "Stopped", "before the ride was armed"),
    "bus gone behind a stop while it starts": ((0.02, INT, leaves("bus")), "Stopped", "before the ride"),
}
"""What is done (a time to let pass, a signal, something else), and what has to come of it."""


@pytest.mark.parametrize("name", FOUND)
def test_found(session, tmp_path, name):
    steps, result, words = FOUND[name]
    with stepped_bench(session, tmp_path / "run", held="held" in name) as bench:
        for step in steps:
            if isinstance(step, float):
                bench.pass_s(step)
            elif isinstance(step, signal.Signals):
                bench.signal(step)
            else:
                step(bench)
        bench.pass_s(250.0)
        assert bench.over
        verdict, error = bench.result()
    if error is not None:
        assert (type(error).__name__, words in error.what) == (result, True), error
    else:
        assert verdict.result == result, verdict
        assert words in verdict.reasons[0], verdict.reasons


def test_a_recorder_that_leaves_because_the_loop_has_is_not_accused(session, tmp_path):
    """On the bench both had gone between two looks of the supervisor, and the recorder was named first."""
    with stepped_bench(session, tmp_path / "run") as bench:
        bench.pass_s(1.0)
        bench.alive("loop").leave(-signal.SIGKILL)
        recorder = bench.alive("recorder")
        recorder.last_words()
        recorder.leave(0)
        bench.pass_s(5.0)
        verdict, _ = bench.result()
        assert [text for _, text in bench.said if "recorder" in text] == []
    assert "the loop was gone" in verdict.reasons[0]
    assert [reason for reason in verdict.reasons if "recorder" in reason] == []


@pytest.mark.parametrize(("cores", "own", "rest"), [({0, 1}, [1], [0]), ({0}, None, [0])])
def test_the_loop_is_on_its_own_core_from_the_start(session, tmp_path, monkeypatch, cores, own, rest):
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: cores)
    with stepped_bench(session, tmp_path / "run") as bench:
        bench.pass_s(1.0)
        assert bench.latest["loop"].job["cpus"] == own
        assert [bench.latest[role].job["cpus"] for role in ("recorder", "robot")] == [rest, rest]
        bench.pass_s(60.0)


def test_who_asks_twice_at_once_is_not_told_of_a_way_to_rest(session, tmp_path):
    with stepped_bench(session, tmp_path / "run") as bench:
        bench.pass_s(1.0)
        bench.signal(INT)
        bench.signal(INT)
        bench.pass_s(5.0)
        told = [text for _, text in bench.said if text.startswith("SIGINT")]
    assert told == ["SIGINT again: everything is ended at once"]


def test_a_ride_of_which_nothing_is_planted_passes_and_is_over_when_it_says(session, tmp_path):
    with stepped_bench(session, tmp_path / "run") as bench:
        bench.pass_s(WHOLE_S)
        assert bench.result()[0].result == "pass"
        assert [text for _, text in bench.said if "gone" in text or "still" in text] == []
