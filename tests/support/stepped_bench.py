"""A whole bench run in stepped time: the real supervisor, processes that are stand-ins, nobody sleeps.

What is real: ``supervise`` with its watch, its operator and its child processes' outside, shared memory, and
in the loop's stand-in the real cycle on a plant that keeps the ride's states without a motorcycle. What is
not: the processes themselves. They take jobs, messages and signals as real ones do, and may leave, be killed
or hang at any time. The event loop's clock jumps to what is due next.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import selectors
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from unittest import mock

import numpy as np

from emulator.core.errors import EmulatorError
from emulator.core.signals import INDEX, STANDBY, UNARMED_TICK
from emulator.record.reader import Frames, Run
from emulator.stages.bench.hook_host import HookFailed
from emulator.stages.bench.supervisor import supervise
from emulator.stages.bench.waiting import Waiting
from emulator.verdict.judge import Verdict, judge
from tests.support.stub_processes import MS, PROCESSES, SLICE_NS, StubLoop, StubProcess


class StubHook:
    """A hook that looks every 50 ms, and fails once it is told to."""

    def __init__(self) -> None:
        self.fails = False
        self._next = 0

    def due(self, tick):
        if tick < self._next:
            return False
        self._next = tick + 50
        return True

    def look(self, tick, row, timeout_s=0.0):
        if self.fails:
            raise HookFailed("hook Bad of bad.py failed")
        return []


# --- time --------------------------------------------------------------------------------------------------


class _Selector(selectors.SelectSelector):
    """Waiting is what lets time pass."""

    world: SteppedBench

    def select(self, timeout=None):
        ready = super().select(0)
        if timeout is None:
            raise AssertionError("everybody waits for ever")
        if not ready and timeout > 0:
            self.world.pass_ns(int(timeout * 1e9) + 1)
        return ready


class _SteppedLoop(asyncio.SelectorEventLoop):
    """An event loop whose time is the world's."""

    def __init__(self, world: SteppedBench) -> None:
        selector = _Selector()
        selector.world = world
        super().__init__(selector)
        self.world = world

    def time(self):
        return self.world.now_ns * 1e-9

    def add_signal_handler(self, number, callback, *args):
        self.world.handlers[number] = (callback, args)

    def add_reader(self, fd, callback, *args):
        if fd != 0:  # the loop's own
            return super().add_reader(fd, callback, *args)
        self.world.reader = callback
        return None

    def remove_reader(self, fd):
        if fd != 0:
            return super().remove_reader(fd)
        self.world.reader = None
        return True

    def run_in_executor(self, executor, function, *args):
        done = self.create_future()
        try:
            done.set_result(function(*args))
        except Exception as error:
            done.set_exception(error)
        return done


class SteppedBench:
    """One bench run; ``begin``, then let time ``pass_s`` and do things, then ``end``.

    said        (time [ns], sentence) of the screen
    latest      the last process of each role
    rested_ns   when the loop's cycle came to its end [ns]; 0 if it did not
    ended_ns    when everything was over
    """

    def __init__(
        self,
        session,
        folder: Path,
        *,
        held: bool = False,
        enable: bool = False,
        with_hook: bool = False,
        guest=None,
    ) -> None:
        self.now_ns = 10**12
        self.said: list[tuple[int, str]] = []
        self.latest: dict[str, StubProcess] = {}
        self.started: list[StubProcess] = []
        self.sent: list[tuple[int, StubProcess, int]] = []
        self.handlers: dict[int, tuple] = {}
        self.reader = None
        self.typed = b""
        self.news = False
        self.rows = self.certificate = None
        self.record_closed, self.recorded_ns = False, 0
        self.folder = folder
        self.hook = StubHook() if with_hook else None
        if with_hook:
            scenario = session.scenario.model_copy(update={"hook": SimpleNamespace(budget_ms=60.0)})
            session = replace(session, scenario=scenario)
        self.session, self._held, self._enable = session, held, enable
        self._stack = contextlib.ExitStack()
        self.ended_ns = self.rested_ns = 0

    # --- what the supervisor meets

    async def _exec(self, _python, _m, _module, role, **_options):
        process = PROCESSES[role](self, 4_000_000 + len(self.started))
        self.latest[role] = process
        self.started.append(process)
        return process

    def _terminal(self):
        return {"get_blocking": lambda _: True, "set_blocking": lambda *_: None, "read": self._read}

    def _read(self, _fd, _size):
        data, self.typed = self.typed, b""
        return data

    def now(self) -> int:
        return self.now_ns

    # --- what processes meet

    def alive(self, role: str) -> StubProcess | None:
        process = self.latest.get(role)
        return process if process is not None and process.returncode is None else None

    def robot_is_heard(self) -> bool:
        robot, bus = self.alive("robot"), self.alive("bus")
        return bool(robot and bus and robot._ready and not robot.hung and not bus.hung)

    def pass_ns(self, duration_ns: int) -> None:
        """Let time pass, slice by slice; no further than where something happened."""
        end_ns = self.now_ns + duration_ns
        self.news = False
        while self.now_ns < end_ns and not self.news:
            self.now_ns = min(end_ns, (self.now_ns // SLICE_NS + 1) * SLICE_NS)
            for process in self.started:
                process.until(self.now_ns)

    # --- what a test does

    def begin(self) -> None:
        patch = self._stack.enter_context
        self._loop = _SteppedLoop(self)
        no_proc = self.folder.parent / "no-proc"
        bench = "emulator.stages.bench"
        patch(mock.patch("asyncio.create_subprocess_exec", self._exec))
        patch(mock.patch(f"{bench}.supervisor.os.sched_setaffinity"))
        patch(mock.patch(f"{bench}.supervisor.Waiting", return_value=Waiting(no_proc)))
        patch(mock.patch(f"{bench}.supervisor.stop_collector", return_value=True))
        patch(mock.patch(f"{bench}.supervisor.manifest_of", return_value={}))
        patch(mock.patch(f"{bench}.operator.os", SimpleNamespace(**self._terminal())))
        clock = SimpleNamespace(now_ns=self.now)
        self._run = self._loop.create_task(
            supervise(
                self.session,
                (Path("rig.yaml"), Path("scenario.yaml")),
                self.folder,
                clock,
                lambda text: self.said.append((self.now_ns, text)),
                hold=self._held,
                enable=self._enable,
                hook=self.hook,
            )
        )
        self._run.add_done_callback(lambda _: setattr(self, "ended_ns", self.now_ns))

    @property
    def over(self) -> bool:
        return self._run.done()

    @property
    def phase(self) -> str:
        """Of the run: start, ride (the loop cycles), rest (it no longer does)."""
        loop = self.latest.get("loop")
        if not isinstance(loop, StubLoop) or loop._thread is None:
            return "start"
        return "ride" if loop.outcome is None and loop.returncode is None else "rest"

    @property
    def state(self) -> int:
        """The bench's, as the plant has it; STANDBY without one."""
        loop = self.latest.get("loop")
        return loop.plant.state if isinstance(loop, StubLoop) else STANDBY

    def pass_s(self, duration_s: float) -> None:
        """Let so much time pass, or less if the run is over before."""

        async def wait():
            await asyncio.wait([self._run], timeout=duration_s)

        if not self.over:
            self._loop.run_until_complete(wait())

    def signal(self, number: int) -> None:
        """A person sends a signal to the command."""
        if not self.over and number in self.handlers:
            callback, args = self.handlers[number]
            self._loop.call_soon(callback, *args)
            self._loop.run_until_complete(asyncio.sleep(0))

    def type_in(self, data: bytes) -> None:
        """The operator's keyboard; nothing ends it."""
        if self.reader is not None:
            self.typed = data
            self._loop.call_soon(self.reader)
            self._loop.run_until_complete(asyncio.sleep(0))

    def close(self) -> None:
        """Put away what is left, the threads too."""
        if not self.over:
            self._run.cancel()
            with contextlib.suppress(BaseException):
                self._loop.run_until_complete(self._run)
        for process in self.started:
            process.leave(-9)
        self._stack.close()
        self._loop.close()

    # --- what came of it

    def result(self) -> tuple[Verdict | None, EmulatorError | None]:
        """The verdict, or what was raised."""
        try:
            outcome = self._run.result().outcome
        except EmulatorError as error:
            return None, error
        json.dumps(outcome)
        return judge(self._record(), self.session.scenario.criteria[:1], self.certificate, outcome), None

    def _record(self) -> Run:
        rows = self.rows.read() if self.rows is not None else None
        if rows is None or not len(rows.tick):
            tick, table = np.zeros(0, np.int64), np.zeros((0, len(INDEX)))
        else:
            armed = rows.tick > UNARMED_TICK // 2
            tick, table = rows.tick[armed], rows.rows[armed]
        losses = [] if self.record_closed else ["it was never closed"]
        nothing = np.zeros(0, np.int64)
        frames = Frames(*([nothing] * 6), np.zeros((0, 8), np.uint8), nothing)
        columns = {name: table[:, i] for name, i in INDEX.items()}
        return Run(self.folder, {}, tick, tick * MS, columns, frames, [], losses=losses)


@contextlib.contextmanager
def stepped_bench(session, folder: Path, **options) -> Iterator[SteppedBench]:
    """A bench that is put away behind the test."""
    bench = SteppedBench(session, folder, **options)
    bench.begin()
    try:
        yield bench
    finally:
        bench.close()
