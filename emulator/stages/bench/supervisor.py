"""The supervisor of a bench run: starts the processes, serves the virtual bus, arms, watches, stops.

    supervisor (this process, uvloop)  bus server, progress, orderly stop
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
import time
from collections.abc import Callable, Coroutine
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import uvloop

from emulator.assembly.link_specs import bus_words
from emulator.assembly.provenance import manifest_of
from emulator.assembly.session import Session
from emulator.config.rig.buses import LoopbackBus
from emulator.core.errors import RunFailed, StartFailed
from emulator.core.signals import INDEX, RUNNING
from emulator.links.device_lock import acquire
from emulator.links.loopback import BusServer
from emulator.plant.states import PERMISSIVE_TEXTS, PERMISSIVES
from emulator.record.writer import (
    CERTIFICATE_FILE,
    COPIES_FOLDER,
    EVENTS_FILE,
    FRAMES_FILE,
    INPUTS_FILE,
    MANIFEST_FILE,
    SIGNALS_FILE,
)
from emulator.shared_memory.block import Snapshot
from emulator.shared_memory.layout import Sizes
from emulator.shared_memory.status import Command, LoopState, Status
from emulator.stages.bench.child import collect_logs
from emulator.stages.bench.child_process import LEAVE_TIMEOUT_S, ChildProcess, raise_if_stopped
from emulator.stages.bench.hook_host import HookSteps
from emulator.stages.bench.operator import Operator
from emulator.stages.bench.watch import RideWatch, Say

_POLL_S = 0.05
_HOOK_POLL_S = 0.002
Beside = Callable[[Snapshot], Coroutine[Any, Any, None]]
"""Something that reads the snapshot beside a run, until it is cancelled."""
Progress = Callable[[float, float, float], None]


@dataclass
class BenchResult:
    """How a bench run ended.

    outcome   as the verdict reads it
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
    hook: HookSteps | None = None,
) -> BenchResult:
    """Run the scenario in real time; the record is in ``folder`` when this returns.

    paths     of the rig and the scenario file; the children read them again
    say       takes sentences for the screen
    progress  called twice a second with (scenario time [s], speed [m/s], station [m])
    beside    runs next to it as long as there is a loop; what becomes of it is not the run's business
    hold      stay armed, not running, until a line comes on standard input
    hook      looks at the ride; if it fails, the ride is stopped and its outcome is that it crashed

    Raises DeviceAbsent, StartFailed or RunFailed; then nothing of it is left running, and if it never came to
    a ride nothing is left in ``folder`` but the log of a process that broke.
    """
    return uvloop.run(_run(session, paths, folder, say, progress, beside, hold, hook))


async def _run(
    session: Session,
    paths: tuple[Path, Path],
    folder: Path,
    say: Say,
    progress: Progress | None,
    beside: Beside | None,
    hold: bool,
    hook: HookSteps | None,
) -> BenchResult:
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
    stop_asked: list[str] = []
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        loop.add_signal_handler(number, stop_asked.append, signal.Signals(number).name)

    rig = session.rig
    server = BusServer()
    armed = False
    sizes = Sizes(data_bytes=session.payload_bytes)
    with contextlib.closing(Snapshot.create(sizes)) as snapshot, contextlib.ExitStack() as files:
        companion = asyncio.create_task(_accompanied(beside, snapshot, say)) if beside else None
        children = {}
        for role in ("loop", "recorder", "robot"):
            path = logs / f"{role}.log"
            children[role] = ChildProcess(role, path.open("wb"), path)
            files.callback(children[role].close)
        try:
            port = 0
            if isinstance(rig.bus, LoopbackBus):
                if rig.bus.port:
                    sole = acquire("virtual CAN bus on port", str(rig.bus.port))
                    files.callback(sole.close)
                await server.start(rig.bus.host, rig.bus.port)
                port = server.port
            await _start(session, paths, (folder, logs), snapshot, children, port, stop_asked, say)
            armed = True
            return await _ride(session, snapshot, children, server, stop_asked, say, progress, hold, hook)
        finally:
            for child in children.values():
                if not child.gone:
                    child.signal(signal.SIGTERM)
            await children["robot"].leave()
            # On the way down the loop takes the signals to rest, for as long as the rig says.
            await children["loop"].leave(rig.limits.ramp_to_rest_s + LEAVE_TIMEOUT_S)
            snapshot.status[Status.RECORDER_END] = 1
            await children["recorder"].leave()
            if companion is not None:
                companion.cancel()
                await asyncio.wait([companion], timeout=LEAVE_TIMEOUT_S)
            await server.stop()
            files.close()
            collect_logs(logs, folder)
            if not armed:
                _withdraw(folder, made=made)


async def _accompanied(beside: Beside, snapshot: Snapshot, say: Say) -> None:
    try:
        await beside(snapshot)
    except Exception as error:  # whatever it is, the ride goes on
        say(f"what ran beside the ride broke off ({type(error).__name__}: {error}); the ride goes on")


def _withdraw(folder: Path, *, made: bool) -> None:
    """Take away the empty record of a ride that never was."""
    for name in (SIGNALS_FILE, FRAMES_FILE, INPUTS_FILE, EVENTS_FILE, MANIFEST_FILE, CERTIFICATE_FILE):
        (folder / name).unlink(missing_ok=True)
    shutil.rmtree(folder / COPIES_FOLDER, ignore_errors=True)
    if made:
        with contextlib.suppress(OSError):  # a log that says something stays, and the folder with it
            folder.rmdir()


async def _start(
    session: Session,
    paths: tuple[Path, Path],
    folders: tuple[Path, Path],
    snapshot: Snapshot,
    children: dict[str, ChildProcess],
    port: int,
    stop_asked: list[str],
    say: Say,
) -> None:
    """Start all processes and wait until each is ready; folders are the run folder and that of the logs."""
    rig, status = session.rig, snapshot.status
    status[Status.SUPERVISOR_PID] = os.getpid()
    # Who runs where is settled before this process gives up the loop's core.
    loop_cpu, cpus = session.loop_cpu, session.other_cpus
    with contextlib.suppress(OSError):
        os.sched_setaffinity(0, cpus)
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
    await loop_child.start({**job, "cpus": None}, snapshot.fd)
    await recorder.start({**job, "manifest": manifest_of(session, stage="bench")}, snapshot.fd)
    await loop_child.ready(stop_asked)
    await recorder.ready(stop_asked)
    say(f"GNSS: {rig.gnss_port.kind} {loop_child.messages.get('gnss', '')}".rstrip())
    if rig.device_under_test.kind == "reference":
        gnss = str(loop_child.messages.get("gnss", ""))
        if not gnss:
            raise StartFailed(
                "the reference robot can't read a GNSS port on a serial line",
                advice="use gnss_port: {kind: pty}, or device_under_test: {kind: external}",
            )
        cpu = rig.device_under_test.cpu
        await robot.start({**job, "gnss": gnss, "cpus": job["cpus"] if cpu == "auto" else [cpu]}, snapshot.fd)
        await robot.ready(stop_asked)
    while status[Status.LOOP_STATE] != LoopState.CYCLING and not loop_child.gone:
        raise_if_stopped(stop_asked)
        await asyncio.sleep(_POLL_S)


async def _hooked(hook: HookSteps, snapshot: Snapshot, budget_s: float) -> None:
    """Show the ride to the scenario's hook, and post what it asks for. Raises HookFailed."""
    state = INDEX["bench.state"]
    while True:
        await asyncio.sleep(_HOOK_POLL_S)
        latest = snapshot.latest()
        if latest is None or latest[1][state] != RUNNING or not hook.due(latest[0]):
            continue
        for command, argument in await asyncio.to_thread(hook.look, latest[0], latest[1].copy(), budget_s):
            snapshot.post(command, argument)


async def _ride(
    session: Session,
    snapshot: Snapshot,
    children: dict[str, ChildProcess],
    server: BusServer,
    stop_asked: list[str],
    say: Say,
    progress: Progress | None,
    hold: bool,
    hook: HookSteps | None,
) -> BenchResult:
    """Arm and watch until the loop has ended; then gather what the processes say about the ride."""
    watch = RideWatch(session, snapshot, children, server, stop_asked, say)
    if hold:
        snapshot.post(Command.HOLD)
    snapshot.post(Command.ARM)
    permissives = [
        PERMISSIVE_TEXTS[PERMISSIVES.index(name)] for name in ("robot_heartbeat", *session.rig.permissives)
    ]
    say(
        f"arming: the ride starts when these are given: {', '.join(permissives)}; "
        "Ctrl-C stops in an orderly way"
    )
    operator = Operator(held=hold, events=session.asked_events, say=say)
    if hook is not None and session.scenario.hook is not None:
        budget_s = session.scenario.hook.budget_ms * 1e-3
        watch.looking = asyncio.create_task(_hooked(hook, snapshot, budget_s))
    shown = 0.0
    while not children["loop"].gone:
        await asyncio.sleep(_POLL_S)
        snapshot.status[Status.SUPERVISOR_HEARTBEAT] += 1
        watch.tell_events()
        for command, argument in operator.pop():
            snapshot.post(command, argument)
        watch.look_at_hook()
        watch.pass_on_stop()
        watch.look_at_processes()
        watch.look_at_bus()
        now = time.monotonic()
        if progress is not None and now - shown > 0.5:
            shown = now
            _show(snapshot, progress)
    operator.close()
    if watch.looking is not None:
        watch.looking.cancel()
    return await _gather(snapshot, children, watch)


def _show(snapshot: Snapshot, progress: Progress) -> None:
    latest = snapshot.latest()
    if latest is not None:
        tick, row = latest
        progress(tick * 1e-3, float(row[INDEX["truth.speed_m_s"]]), float(row[INDEX["line.station_m"]]))


async def _gather(snapshot: Snapshot, children: dict[str, ChildProcess], watch: RideWatch) -> BenchResult:
    """End what still runs, and put together how the ride ended. Raises RunFailed."""
    loop_child, recorder, robot = children["loop"], children["recorder"], children["robot"]
    robot.signal(signal.SIGTERM)
    await loop_child.leave()
    snapshot.status[Status.RECORDER_END] = 1
    await robot.leave()
    problems = watch.problems
    if not await recorder.leave():
        problems.append("the recorder did not finish and was ended by force")
    if "outcome" not in loop_child.messages:
        if "error" in loop_child.messages:
            loop_child.raise_its_error()
        tail = loop_child.tail()
        reason = f"the loop process broke (exit {loop_child.returncode})"
        return BenchResult(
            {"ended": "crashed", "trip_reason": reason, "trip_tick": None, "rig_problems": problems}, tail
        )
    outcome = dict(loop_child.messages["outcome"])
    outcome["rig_problems"] = [*outcome["rig_problems"], *problems]
    if watch.hook_failed:
        outcome |= {"ended": "crashed", "trip_reason": watch.hook_failed}
    if not recorder.messages.get("recorded") and not watch.recorder_gone:
        outcome["rig_problems"].append(f"the recorder broke (exit {recorder.returncode})")
    if recorder.messages.get("error") and not recorder.messages.get("recorded"):
        raise RunFailed(recorder.messages["what"], advice=recorder.messages["advice"])
    return BenchResult(outcome)
