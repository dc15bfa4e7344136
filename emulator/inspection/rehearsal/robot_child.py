"""The reference robot's process in a rehearsal: as on a ride, but it answers requests and has no scenario."""

from __future__ import annotations

from pathlib import Path

from emulator.assembly.session import Session, mission
from emulator.config.rig.file import load_rig
from emulator.config.rig.frames import request_codec
from emulator.inspection.sensors.capture import level_session
from emulator.robot.mission import ReferenceRider
from emulator.robot.rehearsed import RehearsedRider
from emulator.stages.bench.child import Job, main, ride_on_bus


def _robot(job: Job) -> None:
    ride_on_bus(job, lambda: _made(Path(job["rig"])))


def _made(rig_path: Path) -> tuple[Session, ReferenceRider]:
    session, request = level_session(rig_path), request_codec(*load_rig(rig_path))
    rider = mission(session)
    return session, ReferenceRider(rider) if request is None else RehearsedRider(rider, request)


if __name__ == "__main__":
    main({"robot": _robot})
