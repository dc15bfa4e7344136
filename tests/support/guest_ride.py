"""One bench ride in a process of its own, for a test: ``guest_ride.py RIG SCENARIO FOLDER``.

The last line on standard output is how it ended, as JSON; everything else is in the run folder. The guest
has one CPU, which loop, recorder and robot share alike: however slow it is, each of them gets on. The
reference robot comes from outside, as a real one would, and is ready before the bench starts.
"""

from __future__ import annotations

import json
import multiprocessing
import sys
import time
from multiprocessing.synchronize import Event
from pathlib import Path

from emulator.assembly.link_specs import can_spec
from emulator.assembly.session import Session, load_session, mission
from emulator.config.rig.ports import TcpPort
from emulator.core.clock import MonotonicClock
from emulator.core.errors import DeviceAbsent
from emulator.links.can_bus import open_can
from emulator.links.gnss_port import open_gnss_reader
from emulator.robot.mission import ReferenceRider
from emulator.robot.process import run_robot
from emulator.stages.bench.supervisor import run_bench


def robot(session: Session, ready: Event, over: Event) -> None:
    """Warm up, wait for the bench's GNSS port, ride until told that it is over."""
    port = session.rig.gnss_port
    assert isinstance(port, TcpPort)
    rider = ReferenceRider(mission(session))
    rider.rehearse()
    bus = open_can(can_spec(session.rig, session.codec, 0))
    ready.set()
    gnss = None
    while gnss is None and not over.is_set():
        try:
            gnss = open_gnss_reader("tcp", f"{port.host}:{port.port}")
        except DeviceAbsent:
            time.sleep(0.2)
    if gnss is not None:
        run_robot(rider, bus, gnss, MonotonicClock(0), over.is_set)
        gnss.close()
    bus.close()


def main() -> None:
    """Robot first, then the bench."""
    rig, scenario, folder = (Path(argument) for argument in sys.argv[1:])
    session = load_session(rig, scenario)
    processes = multiprocessing.get_context("fork")  # it has imported all there is to import
    ready, over = processes.Event(), processes.Event()
    rider = processes.Process(target=robot, args=(session, ready, over))
    rider.start()
    ready.wait()
    try:
        result = run_bench(session, (rig, scenario), folder)
    finally:
        over.set()
        rider.join()
    print(json.dumps({"outcome": result.outcome, "log": result.log_tail}))


if __name__ == "__main__":
    main()
