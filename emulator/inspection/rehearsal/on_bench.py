"""A rehearsal on the rig's own bus: what has to be started for it, and taken down again.

this process                 the bench's turns in a thread; asking and judging in another
  ├── bus    the virtual bus, if the rig has it
  └── robot  the reference robot, if the rig names it as the device under test
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import socket
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import uvloop

from emulator.assembly.bench import Bench
from emulator.assembly.link_specs import bus_words, can_spec, gnss_address, gnss_spec, sole_uses
from emulator.assembly.session import Session
from emulator.config.rig.buses import LoopbackBus
from emulator.config.rig.file import load_rig
from emulator.config.rig.frames import request_codec
from emulator.config.rig.on_bench import bench_findings
from emulator.core.clock import MonotonicClock
from emulator.core.errors import ConfigError, Problem
from emulator.inspection.rehearsal.conduct import Ask, Rehearsed, Say, conduct
from emulator.inspection.rehearsal.live import LiveExchange
from emulator.inspection.sensors.capture import level_session
from emulator.links.can_bus import open_can
from emulator.links.device_lock import acquire
from emulator.links.gnss_port import open_gnss
from emulator.links.loopback import listen
from emulator.shared_memory.block import Snapshot
from emulator.shared_memory.layout import Sizes
from emulator.shared_memory.stalls import Role
from emulator.stages.bench.child_process import ChildProcess
from emulator.stages.bench.stopping import StopAsked

_ROBOT_CHILD = "emulator.inspection.rehearsal.robot_child"
_FEW = Sizes(2, 2, 2, 2)
"""Nothing is recorded: only the stalls of the processes stand in the shared memory."""


def read_bench(rig_path: Path) -> tuple[Session, list[Problem]]:
    """The rig as its bench stands by, and warnings. Raises ConfigError with every problem of its files."""
    session = level_session(rig_path)
    rig, source = load_rig(rig_path)
    problems, warnings = bench_findings(rig, source)
    if problems:
        raise ConfigError(problems)
    return session, [*session.warnings, *warnings]


def rehearse(session: Session, rig_path: Path, ask: Callable[[StopAsked], Ask] | None, say: Say) -> Rehearsed:
    """Go through the rig's robot in real time.

    ask  makes what asks a person, from what knows whether a stop was asked for; None: nobody is there

    Raises DeviceAbsent, StartFailed or RunFailed, and Stopped if a person stops it; nothing is left running.
    """
    return uvloop.run(_rehearse(session, rig_path, ask, say))


async def _rehearse(
    session: Session, rig_path: Path, ask: Callable[[StopAsked], Ask] | None, say: Say
) -> Rehearsed:
    rig, clock = session.rig, MonotonicClock(round(session.rig.loop.spin_us * 1e3))
    stop = StopAsked(clock)
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        loop.add_signal_handler(number, stop.signalled, number)
    async with contextlib.AsyncExitStack() as opened:
        logs = Path(opened.enter_context(tempfile.TemporaryDirectory(prefix="rehearsal-")))
        snapshot = opened.enter_context(contextlib.closing(Snapshot.create(_FEW)))
        job: dict[str, Any] = {
            "fd": snapshot.fd,
            "rig": str(rig_path),
            "supervisor": os.getpid(),
            "port": 0,
            "cpus": sorted(session.other_cpus),
        }
        for kind, name in sole_uses(rig):
            opened.callback(acquire(kind, name).close)
        if isinstance(rig.bus, LoopbackBus):
            entrances = listen(rig.bus.host, rig.bus.port)
            job["port"] = entrances[0].getsockname()[1]
            bus = await _started(opened, "bus", logs, clock)
            await bus.start(_bus_job(session, job, entrances), snapshot.fd, *(e.fileno() for e in entrances))
            for entrance in entrances:
                entrance.close()
            await bus.ready(stop)
        say(f"bus: {bus_words(rig, job['port'])}")
        Bench.rehearse(session)
        can = open_can(can_spec(rig, session.codec, job["port"]))
        opened.callback(can.close)
        gnss = open_gnss(gnss_spec(rig))
        opened.callback(gnss.close)
        say(f"GNSS: {rig.gnss_port.kind} {gnss_address(rig, gnss)}".rstrip())
        request = request_codec(*load_rig(rig_path))
        exchange = LiveExchange(
            session,
            can,
            gnss,
            clock,
            request,
            stopped=lambda: stop.causes[0] if stop.causes else "",
            stalls=lambda: snapshot.stalls(Role.BUS).with_open(clock.now_ns()).spans,
        )
        opened.enter_context(exchange)
        if rig.device_under_test.kind == "reference":
            robot = await _started(opened, "robot", logs, clock, _ROBOT_CHILD)
            await robot.start({**job, "gnss": gnss_address(rig, gnss)}, snapshot.fd)
            await robot.ready(stop)
        return await asyncio.to_thread(conduct, session, exchange, None if ask is None else ask(stop), say)


async def _started(
    opened: contextlib.AsyncExitStack, role: str, logs: Path, clock: MonotonicClock, module: str | None = None
) -> ChildProcess:
    """A child to be started, which is ended and waited for on every way out."""
    path = logs / f"{role}.log"
    child = ChildProcess(role, path.open("wb"), path, clock, *([] if module is None else [module]))

    async def end() -> None:
        child.signal(signal.SIGTERM)
        await child.leave()
        child.close()

    opened.push_async_callback(end)
    return child


def _bus_job(session: Session, job: dict[str, Any], entrances: list[socket.socket]) -> dict[str, Any]:
    rules = session.rig.loop
    return {
        **job,
        "sockets": [entrance.fileno() for entrance in entrances],
        "cpu": None,
        "priority": max(0, rules.priority - 1),
        "lock_memory": rules.lock_memory,
        "awake": False,  # nothing here says in shared memory when it sends
    }
