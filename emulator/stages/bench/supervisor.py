"""The supervisor of a bench run: starts the processes, arms, watches, stops.

    supervisor (this process, uvloop)  progress, what was measured of the others, orderly stop
      ├── bus       the virtual bus, if the rig has it: the loop's core is not its own, its priority is below
      ├── loop      1 kHz, own core; its result is the certificate and how the ride ended
      ├── recorder  empties the rings to disk
      └── robot     the reference robot, if the rig names it as the device under test

Shared memory is one anonymous file that all of them hold open: when the last one is gone, so is it.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import shutil
import signal
import socket
from collections.abc import Callable, Coroutine
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import uvloop

from emulator.assembly.bench import EVENT_KINDS
from emulator.assembly.link_specs import bus_words, link_kind
from emulator.assembly.provenance import manifest_of
from emulator.assembly.session import Session
from emulator.config.rig.buses import LoopbackBus
from emulator.core.clock import Clock, MonotonicClock
from emulator.core.collector import resume_collector, stop_collector
from emulator.core.errors import DeviceAbsent, RunFailed, StartFailed
from emulator.core.signals import INDEX, RUNNING
from emulator.links.device_lock import acquire
from emulator.links.loopback import listen
from emulator.plant.states import PERMISSIVE_TEXTS, PERMISSIVES
from emulator.record.writer import (
    CERTIFICATE_FILE,
    COPIES_FOLDER,
    EVENTS_FILE,
    FRAMES_FILE,
    INPUTS_FILE,
    MANIFEST_FILE,
    OUTCOME_FILE,
    SIGNALS_FILE,
)
from emulator.shared_memory.block import Snapshot
from emulator.shared_memory.layout import Sizes
from emulator.shared_memory.stalls import Role
from emulator.shared_memory.status import BY_BUTTON, Command, LoopState, Status
from emulator.stages.bench.child import collect_logs
from emulator.stages.bench.child_process import LEAVE_TIMEOUT_S, READY_TIMEOUT_S, ChildProcess
from emulator.stages.bench.end_of_ride import how_it_ended
from emulator.stages.bench.evidence import RideTime, leaving, processes
from emulator.stages.bench.hook_host import HookSteps
from emulator.stages.bench.open_files import allow_open_files
from emulator.stages.bench.operator import Operator
from emulator.stages.bench.stopping import StopAsked
from emulator.stages.bench.waiting import Waiting
from emulator.stages.bench.watch import Bench, RideWatch, Say

ROLES = ("bus", "loop", "recorder", "robot")
_POLL_S = 0.05
_ENDING_S = 3.0
"""What a loop that has closed its links takes to end."""
_CLOSING_S = 1.0
"""What the recorder gets to close its files when everything is ended at once."""
_HOOK_POLL_S = 0.002
_SHOW_EVERY_NS = 500_000_000
Beside = Callable[[Snapshot], Coroutine[Any, Any, None]]
"""Something that reads the snapshot beside a run, until it is cancelled."""
Progress = Callable[[float, float, float], None]


@dataclass
class BenchResult:
    """How a bench run ended.

    outcome   as the verdict reads it, with what was measured of the processes: see ``evidence``
    log_tail  last lines of a child's log if it broke
    """

    outcome: dict[str, Any]
    log_tail: list[str] = field(default_factory=list)


def run_bench(
    session: Session,
    paths: tuple[Path, Path],
    folder: Path,
    *,
    say: Say = lambda _text: None,
    progress: Progress | None = None,
    beside: Beside | None = None,
    hold: bool = False,
    enable: bool = False,
    hook: HookSteps | None = None,
) -> BenchResult:
    """Run the scenario in real time; the record is in ``folder`` when this returns.

    paths     of the rig and the scenario file; the children read them again
    say       takes sentences for the screen
    progress  called twice a second with (scenario time [s], speed [m/s], station [m])
    beside    runs next to it as long as there is a loop; what becomes of it is not the run's business
    hold      stay armed, not running, until a line comes on standard input
    enable    arm only when a line comes on standard input, typed after it was asked for; a rig whose
              ``local_enable`` is a button is always armed by that, and by nothing else
    hook      looks at the ride; if it fails, the ride is stopped and its outcome is that it crashed

    Raises DeviceAbsent, StartFailed or RunFailed; then nothing of it is left running, and if it never came to
    a ride nothing is left in ``folder`` but the log of a process that broke.
    """
    allow_open_files()
    try:
        return uvloop.run(
            supervise(session, paths, folder, MonotonicClock(), say, progress, beside, hold, enable, hook)
        )
    finally:
        resume_collector()


async def supervise(
    session: Session,
    paths: tuple[Path, Path],
    folder: Path,
    clock: Clock,
    say: Say,
    progress: Progress | None = None,
    beside: Beside | None = None,
    hold: bool = False,
    enable: bool = False,
    hook: HookSteps | None = None,
) -> BenchResult:
    """What ``run_bench`` does, on the event loop that runs; ``clock`` tells the time this loop goes by."""
    logs = folder.parent / f".{folder.name}.logs"
    try:
        made = not folder.exists()
        folder.mkdir(parents=True, exist_ok=True)
        occupied = any(folder.iterdir())
        if not occupied:
            logs.mkdir(exist_ok=True)
    except OSError as error:
        raise StartFailed(
            f"the run folder {folder} can't be made: {error.strerror}",
            advice="name another folder with --out, or check the permissions of this one's parent",
        ) from error
    if occupied:
        raise StartFailed(
            f"the run folder {folder} already holds something",
            advice="name another one with --out, or move it",
        )
    stop = StopAsked(clock)
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        loop.add_signal_handler(number, stop.signalled, number)

    rig = session.rig
    armed = False
    sizes = Sizes(data_bytes=session.payload_bytes)
    with contextlib.closing(Snapshot.create(sizes)) as snapshot, contextlib.ExitStack() as files:
        companion = asyncio.create_task(_accompanied(beside, snapshot, say)) if beside else None
        children = {role: _child(role, logs / f"{role}.log", files, clock) for role in ROLES}
        another = _child("recorder", logs / "recorder-2.log", files, clock)
        bench = Bench(session, snapshot, children, stop, say, clock, another)
        stop.ends_by(lambda cause: _end_now(bench, cause))
        try:
            entrances: list[socket.socket] = []
            if isinstance(rig.bus, LoopbackBus):
                if rig.bus.port:
                    sole = acquire("virtual CAN bus on port", str(rig.bus.port))
                    files.callback(sole.close)
                entrances = listen(rig.bus.host, rig.bus.port)
                for entrance in entrances:
                    files.callback(entrance.close)
            await _start(bench, paths, (folder, logs), entrances)
            armed = True
            return await _ride(bench, progress, hook, hold=hold, enable=enable)
        finally:
            for role in ("loop", "recorder", "robot"):
                if not children[role].gone:
                    children[role].signal(signal.SIGTERM)
            await children["robot"].leave()
            # On the way down the loop takes the signals to rest, for as long as the rig says.
            await children["loop"].leave(rig.limits.ramp_to_rest_s + LEAVE_TIMEOUT_S)
            snapshot.status[Status.RECORDER_END] = 1
            await children["recorder"].leave()
            children["bus"].signal(signal.SIGTERM)
            await children["bus"].leave()
            if companion is not None:
                companion.cancel()
                await asyncio.wait([companion], timeout=LEAVE_TIMEOUT_S)
            stop.ends_by(lambda _cause: None)  # there is nothing left to end
            files.close()
            collect_logs(logs, folder)
            if not armed:
                _withdraw(folder, made=made)


def _child(role: str, log: Path, files: contextlib.ExitStack, clock: Clock) -> ChildProcess:
    """A process to be started, with its log, which is closed with the others."""
    child = ChildProcess(role, log.open("wb"), log, clock)
    files.callback(child.close)
    return child


def _end_now(bench: Bench, cause: str) -> None:
    """End every process, in whatever state; only the recorder gets the time to close its files."""
    bench.say(f"{cause} again: everything is ended at once")
    for role in ("loop", "robot", "bus"):
        bench.children[role].signal(signal.SIGKILL)
    bench.snapshot.status[Status.RECORDER_END] = 1
    recorder = bench.children["recorder"]
    asyncio.get_running_loop().call_later(_CLOSING_S, recorder.signal, signal.SIGKILL)


async def _accompanied(beside: Beside, snapshot: Snapshot, say: Say) -> None:
    try:
        await beside(snapshot)
    except Exception as error:  # whatever it is, the ride goes on
        say(f"what ran beside the ride broke off ({type(error).__name__}: {error}); the ride goes on")


def _withdraw(folder: Path, *, made: bool) -> None:
    """Take away the empty record of a ride that never was."""
    documents = (MANIFEST_FILE, CERTIFICATE_FILE, OUTCOME_FILE)
    for name in (SIGNALS_FILE, FRAMES_FILE, INPUTS_FILE, EVENTS_FILE, *documents):
        (folder / name).unlink(missing_ok=True)
    shutil.rmtree(folder / COPIES_FOLDER, ignore_errors=True)
    if made:
        with contextlib.suppress(OSError):  # a log that says something stays, and the folder with it
            folder.rmdir()


def _cores(session: Session) -> tuple[int | None, int | None, set[int]]:
    """Cores of loop and bus, and those of everything else; None: among those.

    The bus gets one of its own where there are three or more.
    """
    rest = set(session.other_cpus)
    taken = session.rig.device_under_test.cpu if session.rig.device_under_test.kind == "reference" else None
    spare = sorted(rest - {taken})
    if session.loop_cpu is None or session.loop_cpu in rest or len(rest) < 2 or not spare:
        return session.loop_cpu, None, rest
    return session.loop_cpu, spare[-1], rest - {spare[-1]}


async def _start(
    bench: Bench, paths: tuple[Path, Path], folders: tuple[Path, Path], entrances: list[socket.socket]
) -> None:
    """Start all processes and wait until each is ready.

    folders    the run folder and that of the logs
    entrances  sockets of the virtual bus, the bus process's from now on; none where the rig has another bus
    """
    session, snapshot, children, stop, say = (
        bench.session,
        bench.snapshot,
        bench.children,
        bench.stop,
        bench.say,
    )
    rig, status = session.rig, snapshot.status
    status[Status.SUPERVISOR_PID] = os.getpid()
    # Who runs where is settled before this process gives up the loop's core.
    loop_cpu, bus_cpu, cpus = _cores(session)
    with contextlib.suppress(OSError):
        os.sched_setaffinity(0, cpus)
    port = entrances[0].getsockname()[1] if entrances else 0
    job = {
        "fd": snapshot.fd,
        "rig": str(paths[0]),
        "scenario": str(paths[1]),
        "seed": session.seed,
        "files": session.files,
        "paths": session.paths,
        "parameters": dict(session.set_parameters),
        "port": port,
        "loop_cpu": loop_cpu,
        "supervisor": os.getpid(),
        "folder": str(folders[0]),
        "logs": str(folders[1]),
        "cpus": sorted(cpus),
    }
    loop_child, recorder, robot = children["loop"], children["recorder"], children["robot"]
    say(f"bus: {bus_words(rig, port)}")
    if entrances:
        await _start_bus(bench, entrances, bus_cpu)
    # The loop takes longest to be ready: from the start it is on its own core, and not on that of all others.
    await loop_child.start({**job, "cpus": None if loop_cpu is None else [loop_cpu]}, snapshot.fd)
    kinds = {str(code): kind for code, kind in EVENT_KINDS.items()}
    bench.recorder_job |= {**job, "manifest": manifest_of(session, stage="bench"), "event_kinds": kinds}
    await recorder.start(bench.recorder_job, snapshot.fd)
    reference = rig.device_under_test.kind == "reference"
    if reference:  # it gets ready beside the loop; the GNSS port's address it is told once there is one
        cpu = rig.device_under_test.cpu
        own = {**job, "cpus": job["cpus"] if cpu == "auto" else [cpu]}
        await robot.start(own, snapshot.fd, more_later=True)
    await loop_child.ready(stop)
    await recorder.ready(stop)
    gnss = str(loop_child.messages.get("gnss", ""))
    say(f"GNSS: {rig.gnss_port.kind} {gnss}".rstrip())
    if reference:
        await robot.hand_over({"gnss": gnss})
        try:
            await robot.ready(stop)
        except DeviceAbsent as error:
            await _raise_if_ended(loop_child, error)
            raise
    begun_by = asyncio.get_running_loop().time() + READY_TIMEOUT_S
    while status[Status.LOOP_STATE] == LoopState.BUILDING and not loop_child.gone:
        stop.raise_if_asked()
        if asyncio.get_running_loop().time() > begun_by:
            raise StartFailed(
                f"the loop was ready, and did not begin within {READY_TIMEOUT_S:.0f} s",
                advice=f"look into {folders[1] / 'loop.log'}",
            )
        await asyncio.sleep(_POLL_S)
    stop.raise_if_asked()


async def _raise_if_ended(loop_child: ChildProcess, error: DeviceAbsent) -> None:
    """What the robot misses may have gone with the loop: then that is what has to be said.

    Raises StartFailed.
    """
    assert loop_child.process is not None
    with contextlib.suppress(TimeoutError):
        await asyncio.wait_for(loop_child.process.wait(), _ENDING_S)
    if loop_child.gone:
        await loop_child.leave()  # all that it said is here
        problems = loop_child.messages.get("outcome", {}).get("rig_problems", [])
        raise StartFailed(
            f"the loop ended before the robot was ready: {'; '.join(problems) or loop_child.returncode}",
            advice="the machine was too busy, or something stopped the loop: see `emulator host`; try again",
        ) from error


async def _start_bus(bench: Bench, entrances: list[socket.socket], cpu: int | None) -> None:
    """The bus's process, just below the loop in priority, with the entrances handed over to it."""
    loop_host = bench.session.rig.loop
    bus = bench.children["bus"]
    job = {
        "fd": bench.snapshot.fd,
        "sockets": [entrance.fileno() for entrance in entrances],
        "supervisor": os.getpid(),
        "cpu": cpu,
        "priority": max(0, loop_host.priority - 1),
        "lock_memory": loop_host.lock_memory,
        "awake": loop_host.spin_us > 0.0,
    }
    await bus.start(job, bench.snapshot.fd, *(entrance.fileno() for entrance in entrances))
    await bus.ready(bench.stop)
    for entrance in entrances:  # or newcomers would wait for ever at a bus whose process died
        entrance.close()


async def _hooked(hook: HookSteps, bench: Bench, watch: RideWatch, budget_s: float) -> None:
    """Show the ride to the scenario's hook, and post what it asks for. Raises HookFailed."""
    state, snapshot = INDEX["bench.state"], bench.snapshot
    while True:
        await asyncio.sleep(_HOOK_POLL_S)
        latest = snapshot.latest()
        if latest is None or latest[1][state] != RUNNING or not hook.due(latest[0]):
            continue
        for command, argument in await asyncio.to_thread(hook.look, latest[0], latest[1].copy(), budget_s):
            watch.post(command, argument)


async def _ride(
    bench: Bench, progress: Progress | None, hook: HookSteps | None, *, hold: bool, enable: bool
) -> BenchResult:
    """Arm and watch until the loop has ended; then gather what the processes say about the ride."""
    session, snapshot, children, say = bench.session, bench.snapshot, bench.children, bench.say
    watch = RideWatch(bench)
    if hold:
        snapshot.post(Command.HOLD)
    button = session.rig.local_enable == "enable_pressed"
    if button or not enable:
        snapshot.post(Command.ARM, BY_BUTTON if button else 0.0)
    permissives = [
        PERMISSIVE_TEXTS[PERMISSIVES.index(name)] for name in ("robot_heartbeat", *session.rig.permissives)
    ]
    say(
        f"{'standby: armed after the local enable' if enable or button else 'arming: the ride starts'} when "
        "these are "
        f"given: {', '.join(permissives)}; Ctrl-C stops in an orderly way, a second one at once"
    )
    if button:
        say("local enable: press the button at the bench, let go of it first; neither a key nor a page can")
    operator = Operator(held=hold, events=session.asked_events, say=say, arms=enable and not button)
    if hook is not None and session.scenario.hook is not None:
        budget_s = session.scenario.hook.budget_ms * 1e-3
        watch.looking = asyncio.create_task(_hooked(hook, bench, watch, budget_s))
    stalls = snapshot.stall_writer(Role.SUPERVISOR)
    waiting = Waiting()
    stop_collector()
    shown_ns = 0
    while not children["loop"].gone:
        await asyncio.sleep(_POLL_S)
        now_ns = bench.clock.now_ns()
        stalls.turn(now_ns)
        waiting.look(now_ns)
        snapshot.status[Status.SUPERVISOR_HEARTBEAT] += 1
        watch.tell_events()
        for command, argument in operator.pop():
            watch.post(command, argument)
        watch.look_at_hook()
        watch.pass_on_stop()
        watch.look_at_loop()
        watch.look_at_processes()
        watch.look_at_bus()
        if progress is not None and now_ns - shown_ns > _SHOW_EVERY_NS:
            shown_ns = now_ns
            _show(snapshot, progress)
    stalls.end()
    operator.close()
    if watch.looking is not None:
        watch.looking.cancel()
    return await _gather(bench, watch, waiting)


def _show(snapshot: Snapshot, progress: Progress) -> None:
    latest = snapshot.latest()
    if latest is not None:
        tick, row = latest
        progress(tick * 1e-3, float(row[INDEX["truth.speed_m_s"]]), float(row[INDEX["line.station_m"]]))


async def _gather(bench: Bench, watch: RideWatch, waiting: Waiting) -> BenchResult:
    """End what still runs, and put together how the ride ended. Raises RunFailed."""
    children = bench.children
    loop_child, recorder, robot, bus = (children[role] for role in ("loop", "recorder", "robot", "bus"))
    robot.signal(signal.SIGTERM)
    await loop_child.leave()
    bench.snapshot.status[Status.RECORDER_END] = 1
    bus.signal(signal.SIGTERM)
    await robot.leave()
    await bus.leave()
    watch.look_at_bus()
    if watch.replacing is not None:
        await watch.replacing
        recorder = children["recorder"]
    if not await recorder.leave() and not bench.stop.at_once:
        watch.problems.append("the recorder did not finish and was ended by force")
    outcome, tail = how_it_ended(bench, watch)
    outcome["rig_problems"] = [*outcome["rig_problems"], *watch.problems]
    if stopped := robot.messages.get("stopped"):
        outcome["robot_stopped"] = stopped
    if watch.hook_failed:
        outcome |= {"ended": "crashed", "trip_reason": watch.hook_failed}
    lives = not watch.recorder_gone or watch.replacing is not None
    if not recorder.messages.get("recorded") and lives and not bench.stop.at_once:
        outcome["rig_problems"].append(f"the recorder broke (exit {recorder.returncode})")
    if recorder.messages.get("error") and not recorder.messages.get("recorded"):
        raise RunFailed(recorder.messages["what"], advice=recorder.messages["advice"])
    return BenchResult(outcome | _measured(bench, watch, waiting), tail)


def _measured(bench: Bench, watch: RideWatch, waiting: Waiting) -> dict[str, Any]:
    """What was measured of the processes, in the words of ``evidence``."""
    now_ns = bench.clock.now_ns()
    ride_time = RideTime(bench.snapshot.status, now_ns)
    rig, waited = bench.session.rig, waiting.samples
    measured: dict[str, Any] = {
        "setting": {"link": link_kind(rig.bus), "reference": rig.device_under_test.kind == "reference"},
        "waited": None
        if waited is None
        else [[ride_time.ms(begin), ride_time.ms(end), round(share, 3)] for begin, end, share in waited],
        "processes": processes(bench.snapshot, bench.children, ride_time, now_ns),
        "left": [
            leaving(role, child, ride_time, now_ns)
            | ({"replaced": child is not bench.children[role]} if role == "recorder" else {})
            for role, child in watch.left.items()
        ],
        "bus_events": [
            {
                "kind": event.kind,
                "time_s": ride_time.s(event.time_ns),
                "participants": event.participants,
                "frame": event.frame,
                "identifier": event.identifier,
            }
            for event in watch.bus_events
        ],
        "time_base": ride_time.base,
    }
    if watch.stood_still:
        still = watch.stood_still
        measured["stood_still"] = {"for_s": still["for_s"], "time_s": ride_time.s(still["time_ns"])}
    if bench.stop.by_hand:
        stop = bench.stop
        measured["stop"] = {
            "cause": stop.by_hand,
            "time_s": ride_time.s(stop.hand_ns),
            "at_once": stop.at_once,
        }
    return measured
