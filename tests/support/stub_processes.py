"""Stand-ins for the processes of a bench run, in the time of a ``stepped_bench.SteppedBench``."""

from __future__ import annotations

import asyncio
import json
import signal
import threading
from types import SimpleNamespace
from typing import TYPE_CHECKING

from emulator.core.signals import ARMED, INDEX, RUNNING, STANDBY, STOPPING, TRIPPED, UNARMED_TICK
from emulator.core.trip_reasons import TripReason
from emulator.loop.certificate import GNSS, OutputSpec, TimingAccounts
from emulator.loop.contract import CycleLimits, StopRequest
from emulator.loop.runner import run_cycle
from emulator.plant.states import EV_ENABLE, EV_HOLD, EV_TRIP
from emulator.shared_memory.block import Snapshot
from emulator.shared_memory.stalls import Role
from emulator.shared_memory.status import BY_BUTTON, Command, LoopState, RecorderState, Status
from tests.support.stub_plant import FRAME_ID, GNSS_LATENCY_NS, LATENCY_NS, StubCan, StubGnss, StubPlant

if TYPE_CHECKING:
    from tests.support.stepped_bench import SteppedBench

MS = 1_000_000
COUNTDOWN, RIDE, RAMP, HEARTBEAT, ARMING = 200, 1200, 300, 200, 2000
"""Ticks: from armed to running, of the ride, to rest, of silence that trips, waited for the robot."""
SLICE_NS = 10 * MS


# --- the motorcycle ----------------------------------------------------------------------------------------


class RidePlant(StubPlant):
    """States, permissive and outcome as ``emulator.plant.states`` has them, and nothing of a motorcycle."""

    def __init__(self, hears_robot) -> None:
        super().__init__(first_tick=UNARMED_TICK, ramp=RAMP)
        self._hears_robot = hears_robot
        self._heard = self._armed = self._arming = self._now = 0
        self._held = self.awaits_button = False
        self._start = None  # number of the tick in which running starts
        self.ended, self.end_tick, self.trip_code, self.silences = "crashed", None, 0, []
        self.falls = False
        self.trips_for = 0

    def command(self, code, argument):
        self.commands.append((int(code), argument))
        if code == Command.ARM and argument == BY_BUTTON:
            self.awaits_button = True
        elif code == Command.ARM:
            self._arming = self._arming or self._now + 1
        elif code == Command.HOLD and self.state in (STANDBY, ARMED):
            self._held = True
            self.events = [
                *self.events,
                (EV_HOLD, 1, 0.0, "held by the operator at the bench: armed at most"),
            ]
        elif code == Command.GO:
            self._held = False
        elif code == Command.STOP:
            self._stop("stopped")
        elif code == Command.TRIP:
            self._trip(int(argument))

    def press(self):
        """The bench's button, in the way the plant tells a press."""
        if self.awaits_button:
            self.awaits_button, self._arming = False, self._now + 1
            told = (EV_ENABLE, 0, 0.0, "local enable: the button at the bench was pressed")
            self.events = [*self.events, told]

    def _end(self, how):
        if self.ended == "crashed":
            self.ended = how
            self.end_tick = None if self._start is None else self.tick_number + 1

    def _stop(self, how):
        if self.state in (STOPPING, TRIPPED):
            return
        self._end(how)
        if self.state == STANDBY:
            self.finished = True
        else:
            self.state = STOPPING

    def _trip(self, reason):
        if self.state == TRIPPED:
            return
        if self.ended == "crashed":
            self.trip_code = reason
            self._end("tripped")
        self.state = TRIPPED
        self.events = [*self.events, (EV_TRIP, reason, 0.0, TripReason(reason).text)]

    def begin_tick(self, rx, tx):
        self._now += 1
        if self._start is not None and self.tick_number == UNARMED_TICK + self._now - 2:
            self.tick_number = self._now - self._start - 1
        if self._hears_robot():
            self._heard = self._now
        fresh = self._heard > 0 and self._now - self._heard <= HEARTBEAT
        ridden = 0 if self._start is None else self._now - self._start
        if self.trips_for:
            self._trip(self.trips_for)
            self.trips_for = 0
        if self.state == STANDBY and self._arming and not self.finished:
            if fresh:
                self.state, self._armed = ARMED, self._now
            elif self._now - self._arming > ARMING:
                self._trip(TripReason.ARMING)
        elif self.state in (ARMED, RUNNING):
            if not fresh:
                self._lose_robot()
            elif self.state == ARMED:
                self._count_down()
            elif self.falls:
                self._stop("fallen")
            elif ridden >= RIDE:
                self._stop("complete")
        super().begin_tick(rx, tx)

    def finish_tick(self, lateness_us, compute_us):
        leaving = self.state in (STOPPING, TRIPPED)
        state = super().finish_tick(lateness_us, compute_us)
        if leaving and self.finished and self.state == STOPPING:
            self.state = state = STANDBY
        self.row[INDEX["bench.state"]] = state
        self.row[INDEX["truth.fallen"]] = float(self.falls)
        return state

    def _count_down(self):
        if self._held:
            self._armed, self._start = self._now, None
        elif self._start is None:
            self._start = self._armed + COUNTDOWN
            self.tick_number = self._now - self._start - 1
        elif self._now >= self._start:
            self.state = RUNNING

    def _lose_robot(self):
        self._trip(TripReason.HEARTBEAT)
        if self._start is not None:
            since = self._heard - self._start
            self.silences = [
                {
                    "frame": "gear",
                    "id": "0x202",
                    "how": "missing",
                    "since_tick": since,
                    "until_tick": since + HEARTBEAT + 1,
                    "silent_ms": HEARTBEAT + 1,
                    "allowed_ms": HEARTBEAT,
                }
            ]

    def outcome(self):
        """As ``emulator.assembly.bench.Bench.outcome``."""
        now = self.tick_number
        for silence in self.silences:
            silence["until_tick"] = max(silence["until_tick"], now)
        return {
            "ended": self.ended,
            "end_tick": self.end_tick,
            "trip_code": self.trip_code,
            "trip_reason": TripReason(self.trip_code).text if self.trip_code else "",
            "trip_evidence": {"silences": self.silences} if self.silences else {},
            "strangers": {},
        }


# --- processes ---------------------------------------------------------------------------------------------


class StubProcess:
    """What asyncio gives for a process, from outside; from inside, what ``turn`` of each role does."""

    ready_ms = 40
    stalls_as = None
    every_ns = 2 * MS

    def __init__(self, world: SteppedBench, pid: int) -> None:
        self.world, self.pid = world, pid
        self.returncode: int | None = None
        self.hung = False
        self.born_ns = world.now_ns
        self.stdout = asyncio.StreamReader()
        self.stdin = SimpleNamespace(write=self._given, drain=self._drained, close=lambda: None)
        self._gone = asyncio.Event()
        self._pending: list[int] = []
        self._ready = False
        self.job: dict[str, object] = {}
        self.snapshot: Snapshot | None = None
        self._turned_ns = 0
        self._leaves_ns: int | None = None

    def _given(self, line: bytes) -> None:
        self.job |= json.loads(line)  # a robot's second line is the rest of its job
        if self.snapshot is None:
            self.snapshot = Snapshot.attach(self.job["fd"])

    async def _drained(self) -> None: ...

    async def wait(self) -> int:
        await self._gone.wait()
        assert self.returncode is not None
        return self.returncode

    def send_signal(self, number: int) -> None:
        if self.returncode is not None:
            raise ProcessLookupError
        self.world.sent.append((self.world.now_ns, self, number))
        if number == signal.SIGKILL:
            self.leave(-signal.SIGKILL)
        elif self.hung:
            self._pending.append(number)
        else:
            self.take_signal(number)

    def take_signal(self, number: int) -> None:
        """A polite one; ends it soon, unless the role does otherwise."""
        self.leaves_in(10)

    def leaves_in(self, ms: int) -> None:
        if self._leaves_ns is None:
            self._leaves_ns = self.world.now_ns + ms * MS

    def leave(self, returncode: int) -> None:
        """It ends now."""
        if self.returncode is None:
            self.returncode = returncode
            self.on_leaving()
            if self.snapshot is not None:
                self.snapshot.close()
            self.stdout.feed_eof()
            self._gone.set()
            self.world.news = True

    def tell(self, **message) -> None:
        self.stdout.feed_data(json.dumps(message).encode() + b"\n")
        self.world.news = True

    def hang(self) -> None:
        self.hung = True

    def go_on(self) -> None:
        self.hung = False
        pending, self._pending = self._pending, []
        for number in pending:
            self.take_signal(number)

    def until(self, now_ns: int) -> None:
        """Whatever it does up to ``now_ns``."""
        if self.returncode is not None or self.hung:
            return
        if not self._ready and self.knows_all() and now_ns >= self.born_ns + self.ready_ms * MS:
            self._ready = True
            self.tell(ready=True, gnss="/dev/pts/0")
            self.begins()
        if self._ready:
            self._turns(now_ns)
            self.turn(now_ns)
        if self._leaves_ns is not None and now_ns >= self._leaves_ns:
            self.last_words()
            self.leave(0)

    def _turns(self, now_ns: int) -> None:
        if self.stalls_as is None or self.snapshot is None:
            return
        stalls = self.snapshot.stall_writer(self.stalls_as)
        at = self._turned_ns + self.every_ns if self._turned_ns else now_ns
        if self._turned_ns and now_ns - self._turned_ns > 2 * SLICE_NS:
            at = now_ns  # it hung meanwhile
        while at <= now_ns:
            stalls.turn(at)
            self._turned_ns = at
            at += self.every_ns

    def knows_all(self) -> bool:
        """Whether it has been told its whole job."""
        return True

    def begins(self) -> None: ...

    def turn(self, now_ns: int) -> None: ...

    def last_words(self) -> None: ...

    def on_leaving(self) -> None: ...


class StubBus(StubProcess):
    """The virtual bus."""

    stalls_as = Role.BUS

    def last_words(self) -> None:
        self.tell(ended="asked to end", participants=[])


class StubRobot(StubProcess):
    """The reference robot; without the bus it leaves."""

    stalls_as = Role.ROBOT

    def knows_all(self) -> bool:
        return self.job.get("gnss") == "/dev/pts/0"  # as the loop said

    def turn(self, now_ns: int) -> None:
        bus = self.world.alive("bus")
        if bus is None:
            self.leaves_in(0)

    def last_words(self) -> None:
        self.tell(ended="asked to end")


class StubRecorder(StubProcess):
    """Takes the rows, until the loop has ended or it is told to end."""

    stalls_as = Role.RECORDER
    every_ns = 100 * MS

    def begins(self) -> None:
        self.snapshot.status[Status.RECORDER_STATE] = RecorderState.RECORDING

    def take_signal(self, number: int) -> None:
        """It takes note, no more."""

    def turn(self, now_ns: int) -> None:
        world, status = self.world, self.snapshot.status
        world.recorded_ns = now_ns
        status[Status.RECORDER_HEARTBEAT] += 1
        loop_ended = status[Status.LOOP_STATE] in (LoopState.ENDED, LoopState.FAILED)
        if status[Status.RECORDER_END] or loop_ended or ("loop" in world.latest and not world.alive("loop")):
            self.leaves_in(20)

    def last_words(self) -> None:
        self.snapshot.status[Status.RECORDER_STATE] = RecorderState.CLOSED
        self.world.record_closed = True
        self.tell(recorded={"rows": 1})


class Killed(BaseException):
    """Leaves the cycle of a loop that is no more."""


class LoopClock:
    """The cycle's clock: it goes on for as long as it is let, in a thread that runs only meanwhile."""

    def __init__(self, now_ns: int) -> None:
        self._now_ns = self._limit_ns = now_ns
        self._mine, self._theirs = threading.Semaphore(0), threading.Semaphore(0)
        self._killed = False

    def now_ns(self) -> int:
        return self._now_ns

    def sleep_until(self, deadline_ns: int) -> int:
        while deadline_ns > self._limit_ns:
            self._theirs.release()
            self._mine.acquire()
            if self._killed:
                raise Killed
        self._now_ns = max(self._now_ns, deadline_ns)
        return self._now_ns

    def begin(self) -> None:
        """In the thread, before anything else."""
        self._mine.acquire()

    def finished(self) -> None:
        """In the thread, behind everything else."""
        self._theirs.release()

    def let(self, limit_ns: int, since_ns: int) -> None:
        """From outside: let it go on up to there; ``since_ns`` is now if it stood still."""
        self._now_ns, self._limit_ns = max(self._now_ns, since_ns), limit_ns
        self._mine.release()
        self._theirs.acquire()

    def kill(self) -> None:
        """From outside: wherever it is, it is over."""
        self._killed = True
        self._mine.release()
        self._theirs.acquire()


class StubLoop(StubProcess):
    """The loop: the real cycle with ``RidePlant``."""

    warm_ms, writing_ms = 30, 60

    def begins(self) -> None:
        self._cycles_ns = self.world.now_ns + self.warm_ms * MS
        self._asked = StopRequest()

    def __init__(self, world: SteppedBench, pid: int) -> None:
        super().__init__(world, pid)
        self.plant = RidePlant(world.robot_is_heard)
        self.can = StubCan()
        self.can.silent = True
        self.outcome, self._thread, self._until_ns = None, None, 0
        self.error: BaseException | None = None
        self._early: list[int] = []

    def _given(self, line: bytes) -> None:
        super()._given(line)
        self.snapshot.status[Status.LOOP_STATE] = LoopState.BUILDING
        self._asked = StopRequest()

    def take_signal(self, number: int) -> None:
        self._early.append(number)
        self._asked.ask(signal.Signals(number).name)

    def _cycle(self) -> None:
        self._clock.begin()
        try:
            self.outcome = run_cycle(
                self.plant,
                self.can,
                StubGnss(),
                self.snapshot,
                self._clock,
                CycleLimits(TripReason.OVERRUN, TripReason.BUS, overrun_ns=100 * MS, ramp_ticks=RAMP + 2000),
                self._timing,
                self._asked,
            )
        except Killed:
            pass
        except BaseException as error:
            self.error = error
        finally:
            self._clock.finished()

    def turn(self, now_ns: int) -> None:
        if self._thread is None and now_ns >= self._cycles_ns:
            self._timing = TimingAccounts(
                [
                    OutputSpec("stub", FRAME_ID, 100.0, LATENCY_NS),
                    OutputSpec("gnss", GNSS, 10.0, GNSS_LATENCY_NS),
                ],
                lateness_counts=self.snapshot.lateness_counts,
            )
            for number in self._early:
                self._asked.ask(signal.Signals(number).name)
            self.world.rows = self.snapshot.signal_reader()
            self._clock = LoopClock(now_ns)
            self._until_ns = now_ns
            self._thread = threading.Thread(target=self._cycle, daemon=True)
            self._thread.start()
        if self._thread is None or self.outcome is not None:
            return
        self.can.alive = self.world.alive("bus") is not None
        stood_still = now_ns - self._until_ns > 2 * SLICE_NS
        self._clock.let(now_ns, now_ns if stood_still else 0)
        self._until_ns = now_ns
        if self.error is not None:
            raise self.error
        if self.outcome is not None:
            self.world.rested_ns = now_ns
            self.snapshot.status[Status.LOOP_STATE] = LoopState.ENDED
            self.leaves_in(self.writing_ms)

    def last_words(self) -> None:
        cycle = self.outcome.as_dict()
        outcome = self.plant.outcome() | {"trip_tick": cycle["trip_tick"]}
        outcome |= {"rig_problems": cycle["problems"], "stopped_by": cycle["stop_cause"]}
        self.world.certificate = self._timing.certificate()
        self.tell(outcome=outcome, cycle={})

    def on_leaving(self) -> None:
        if self._thread is not None:
            if self.outcome is None:
                self._clock.kill()
            self._thread.join()


PROCESSES = {"bus": StubBus, "loop": StubLoop, "recorder": StubRecorder, "robot": StubRobot}
