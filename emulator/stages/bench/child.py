"""Bodies of the child processes: bus, loop, recorder, robot. ``python -m emulator.stages.bench.child ROLE``.

The job comes as one JSON object on standard input; standard output carries one JSON object a line back to
the supervisor; standard error goes to a log in the run folder. Ctrl-C in the terminal does not reach them:
the supervisor decides how a run ends, and if it dies, each of them notices.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from emulator.core.collector import stop_collector
from emulator.core.errors import EmulatorError

if TYPE_CHECKING:
    from emulator.assembly.session import Session
    from emulator.robot.mission import ReferenceRider
    from emulator.shared_memory.rings import EventRecord

Job = dict[str, Any]


def _tell(message: dict[str, Any]) -> None:
    # straight to the descriptor: a supervisor that is gone must not end us halfway through our work
    with contextlib.suppress(OSError):
        os.write(1, json.dumps(message).encode() + b"\n")


def collect_logs(logs: Path, folder: Path) -> None:
    """Logs that say something go into the run folder; the rest goes away."""
    with contextlib.suppress(OSError):
        for path in list(logs.iterdir()):
            if path.stat().st_size == 0:
                path.unlink()
            elif folder.is_dir():
                path.rename(folder / path.name)
        logs.rmdir()


def session_of(job: Job) -> Session:
    """The session of the supervisor, made anew from its files and settings."""
    from emulator.assembly.session import load_session

    return load_session(
        Path(job["rig"]), Path(job["scenario"]), seed=job["seed"], parameters=job["parameters"]
    )


def _bus(job: Job) -> None:
    # nothing here may import numpy or compiled code: see links.bus_process
    import mmap
    import socket

    from emulator.core.log_bins import BINS
    from emulator.links.bus_process import run_bus
    from emulator.links.loopback import BusServer
    from emulator.loop import host
    from emulator.shared_memory.layout import integer_parts
    from emulator.shared_memory.stalls import Role, StallWriter
    from emulator.shared_memory.status import BusWord

    asked: list[int] = []
    signal.signal(signal.SIGTERM, lambda number, _frame: asked.append(number))
    parts = integer_parts(mmap.mmap(job["fd"], 0))
    words = parts["bus.words"]
    # the supervisor may not read for a while: then it is told less, and nobody on the bus waits
    os.set_blocking(1, False)

    def tell(kind: str, particulars: dict[str, Any]) -> None:
        try:
            os.write(1, json.dumps({"notice": kind, **particulars}).encode() + b"\n")
        except OSError:
            words[BusWord.UNTOLD] += 1

    server = BusServer(
        [socket.socket(fileno=fd) for fd in job["sockets"]],
        words=words,
        delays=parts["bus.delays"][:BINS],
        tell=tell,
    )
    report = host.apply(job["cpu"], job["priority"], lock_memory=job["lock_memory"])
    stalls = StallWriter(parts[f"stall.{Role.BUS}.words"], parts[f"stall.{Role.BUS}.rows"], Role.BUS)
    _tell({"ready": True, "host": report.as_dict()})
    why = run_bus(server, stalls, parts["status"], job["supervisor"], lambda: bool(asked), awake=job["awake"])
    participants = server.participants()
    server.close()
    os.set_blocking(1, True)
    _tell({"ended": why, "participants": participants})


def _loop(job: Job) -> None:
    from emulator.assembly.bench import Bench
    from emulator.assembly.link_specs import (
        bus_rules,
        can_spec,
        gnss_address,
        gnss_spec,
        output_specs,
        pulse_spec,
        sole_uses,
    )
    from emulator.assembly.provenance import changed
    from emulator.config.rig.bus_load import rig_wire_times
    from emulator.core.clock import MonotonicClock
    from emulator.core.trip_reasons import TripReason
    from emulator.links.can_bus import open_can
    from emulator.links.device_lock import acquire
    from emulator.links.gnss_port import open_gnss
    from emulator.links.pulse import open_pulse
    from emulator.loop.contract import CycleLimits
    from emulator.loop.process import HostSettings, Parts, run_loop_process
    from emulator.record.writer import jsonable
    from emulator.shared_memory.block import Snapshot

    session = session_of(job)
    for name, digest in session.files.items():
        if digest != job["files"][name]:
            raise changed(session.paths[name])
    rig = session.rig
    built: list[Bench] = []
    # first of all, and until this process ends: a second loop must not even open the bus
    held = [acquire(kind, name) for kind, name in sole_uses(rig)]

    def build() -> Parts:
        Bench.rehearse(session)
        bench = Bench(session)
        built.append(bench)
        with contextlib.ExitStack() as opened:
            can = open_can(can_spec(rig, session.codec, job["port"]))
            opened.callback(can.close)
            gnss = open_gnss(gnss_spec(rig))
            opened.callback(gnss.close)
            pulse_per_second = pulse_spec(rig)
            pulse = None if pulse_per_second is None else open_pulse(pulse_per_second)
            opened.pop_all()
        _tell({"ready": True, "gnss": gnss_address(rig, gnss)})
        limits = CycleLimits(
            reason_overrun=TripReason.OVERRUN,
            reason_bus=TripReason.BUS,
            overrun_ns=round(rig.limits.overrun_limit_ms * 1e6),
            ramp_ticks=round(rig.limits.ramp_to_rest_s * 1e3) + 2000,
            bus_rules=bus_rules(rig),
        )
        times = rig_wire_times(session.rig, session.codec)
        return Parts(bench, can, gnss, output_specs(session), limits, pulse, times)

    with contextlib.closing(Snapshot.attach(job["fd"])) as snapshot:
        result = run_loop_process(
            build,
            snapshot,
            MonotonicClock(round(rig.loop.spin_us * 1e3)),
            HostSettings(job["loop_cpu"], rig.loop.priority, rig.loop.lock_memory, rig.loop.idle_exit_us),
            supervisor_pid=job["supervisor"],
        )
    for sole in held:
        sole.close()
    bench = built[0]
    outcome = {**bench.outcome(), "trip_tick": result["outcome"]["trip_tick"]}
    outcome["rig_problems"] = result["outcome"]["problems"]
    outcome["stopped_by"] = result["outcome"]["stop_cause"]
    certificate = {
        **result["certificate"],
        "robot_frames": bench.frame_counts(),
        "bus": result["outcome"]["bus"],
    }
    folder = Path(job["folder"])
    if folder.is_dir():
        # Written here too, so that a record is whole even when the supervisor is gone.
        from emulator.record.writer import CERTIFICATE_FILE, OUTCOME_FILE, write_json

        write_json(folder / CERTIFICATE_FILE, certificate)
        write_json(folder / OUTCOME_FILE, jsonable(outcome))
    _tell({"outcome": jsonable(outcome), "cycle": jsonable(result["outcome"])})


def _recorder(job: Job) -> None:
    # what makes a session or a plant is not imported: on two cores the robot gets ready beside this
    from emulator.assembly.provenance import copies
    from emulator.record.kept import kept_in
    from emulator.record.process import run_recorder
    from emulator.record.writer import RunWriter
    from emulator.shared_memory.block import Snapshot

    def describe(event: EventRecord) -> tuple[str, str, str]:
        return job["event_kinds"].get(str(event.code), "event"), event.text, event.text

    with contextlib.closing(Snapshot.attach(job["fd"])) as snapshot:
        folder = Path(job["folder"])
        kept = kept_in(folder) if job.get("go_on") else None
        if kept is None:
            writer = RunWriter(folder, job["manifest"], copies(job["files"], job["paths"]))
        else:
            writer = RunWriter(folder, {}, ends=kept.ends)
        stop_collector()
        _tell({"ready": True})
        recorded = run_recorder(snapshot, writer, describe, supervisor_pid=job["supervisor"], kept=kept)
    _tell({"recorded": recorded.as_dict()})
    if os.getppid() != job["supervisor"]:
        collect_logs(Path(job["logs"]), Path(job["folder"]))  # nobody else is left to do it


def _robot(job: Job) -> None:
    from emulator.assembly.session import mission
    from emulator.robot.mission import ReferenceRider

    def make() -> tuple[Session, ReferenceRider]:
        session = session_of(job)
        return session, ReferenceRider(mission(session))

    ride_on_bus(job, make)


def ride_on_bus(job: Job, make: Callable[[], tuple[Session, ReferenceRider]]) -> None:
    """Let the rider that is made ride on its session's bus and GNSS port until it is told to end."""
    from emulator.assembly.link_specs import can_spec
    from emulator.core.clock import MonotonicClock
    from emulator.links.can_bus import open_can
    from emulator.links.gnss_port import open_gnss_reader
    from emulator.loop import host
    from emulator.robot.process import run_robot
    from emulator.shared_memory.block import Snapshot
    from emulator.shared_memory.stalls import Role

    asked: list[int] = []
    signal.signal(signal.SIGTERM, lambda number, _frame: asked.append(number))
    if not host.die_with_parent(job["supervisor"]):
        return
    session, rider = make()
    rider.rehearse()
    # Below loop and bus: a bench whose own robot waits for other programs says nothing. Locking memory takes
    # long on a busy host, and who is on the bus and does not read is cut off.
    rules = session.rig.loop
    host.apply(None, max(0, rules.priority - 2), lock_memory=rules.lock_memory)
    if "gnss" not in job:  # it was not known when this process was started
        rest = sys.stdin.readline()
        if not rest:
            return
        job |= json.loads(rest)
    bus = open_can(can_spec(session.rig, session.codec, job["port"]))
    try:
        gnss = open_gnss_reader(session.rig.gnss_port.kind, job["gnss"])
        try:
            with contextlib.closing(Snapshot.attach(job["fd"])) as snapshot:
                stalls = snapshot.stall_writer(Role.ROBOT)
                _tell({"ready": True})
                why = run_robot(rider, bus, gnss, MonotonicClock(0), lambda: bool(asked), stalls.turn)
                stalls.end()
                del stalls
        finally:
            gnss.close()
    finally:
        bus.close()
    _tell({"ended": why} | ({} if rider.stopped is None else {"stopped": list(rider.stopped)}))


_ROLES: dict[str, Callable[[Job], None]] = {
    "bus": _bus,
    "loop": _loop,
    "recorder": _recorder,
    "robot": _robot,
}


def main(roles: dict[str, Callable[[Job], None]] = _ROLES) -> None:
    """Run one role; an error this package knows is told to the supervisor, others end in the log."""
    role = sys.argv[1]
    job: Job = json.loads(sys.stdin.readline())
    if cpus := job.get("cpus"):
        with contextlib.suppress(OSError):
            os.sched_setaffinity(0, cpus)
    try:
        roles[role](job)
    except EmulatorError as error:
        _tell({"error": type(error).__name__, "what": error.what, "advice": error.advice})
        sys.exit(error.exit_status)


if __name__ == "__main__":
    main()
