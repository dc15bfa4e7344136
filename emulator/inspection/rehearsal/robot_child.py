"""The reference robot's process in a rehearsal: as on a ride, but it answers requests and has no scenario."""

from __future__ import annotations

from pathlib import Path

from emulator.assembly.session import Session, mission
from emulator.config.rig.file import dbc_path, load_rig
from emulator.inspection.sensors.capture import level_session
from emulator.robot.mission import ReferenceRider
from emulator.robot.rehearsed import RehearsedRider
from emulator.stages.bench.child import Job, main, ride_on_bus
from emulator.wire.dbc_frames import load_codec


def _robot(job: Job) -> None:
    ride_on_bus(job, lambda: _made(Path(job["rig"])))


def _made(rig_path: Path) -> tuple[Session, ReferenceRider]:
    session = level_session(rig_path)
    rig, source = load_rig(rig_path)
    request = rig.rehearsal.request_frame
    if request is None:
        return session, ReferenceRider(mission(session))
    return session, RehearsedRider(mission(session), load_codec(Path(dbc_path(rig, source)), [request]))


if __name__ == "__main__":
    main({"robot": _robot})
