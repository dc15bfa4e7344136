"""A virtual run ridden and judged without a file, and written as any other run when it is worth one."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, TypeAlias

from emulator.assembly.provenance import copies, manifest_of, robot_of_rig
from emulator.assembly.session import Session, mission
from emulator.record.in_memory import HeldRecord
from emulator.record.reader import Run
from emulator.record.thin import Extent, make_thin
from emulator.record.writer import CERTIFICATE_FILE, LONG_BLOCK_TICKS, RunWriter, jsonable, write_json
from emulator.robot.mission import design_for
from emulator.runs.one import decide, judge_run
from emulator.stages.bench.hook_host import hook_of
from emulator.stages.own_robot.choice import robot_of
from emulator.stages.virtual import VirtualRide
from emulator.verdict.judge import Verdict

Part: TypeAlias = Literal["build", "design", "ride", "judge"]
"""What a run in memory consists of, in this order: of who has no design to be made, without it."""


@dataclass(frozen=True)
class HeldRun:
    """A run in memory.

    run      as reading its folder would give it; its manifest has only what a verdict looks at
    outcome  how it ended, as the verdict reads it
    robot    who rode: kind, name, version ...
    verdict  without laps and position error, which decide nothing
    """

    session: Session
    record: HeldRecord
    run: Run
    outcome: dict[str, Any]
    certificate: dict[str, Any]
    robot: dict[str, Any]
    verdict: Verdict


def ride_in_memory(
    session: Session,
    begins: Callable[[Part], None] = lambda _part: None,
    stop_asked: Callable[[], str] = lambda: "",
    interfaces: Callable[[], Iterable[str]] | None = None,
) -> HeldRun:
    """Ride a session on the stepped clock and judge it: the signals, frames and verdict of ``ride``.

    begins      called as each part of it begins
    stop_asked  looked at every few seconds of ride: who wants it stopped, empty for nobody
    interfaces  hashes that emulator.stages.own_robot.choice.robot_of asks for
    Raises EmulatorError as ``ride`` does.
    """
    begins("build")
    record = HeldRecord()
    # a hook and a robot's own software are processes; there need be neither
    with (
        hook_of(session) if session.scenario.hook else nullcontext() as hook,
        robot_of(session, hashes=interfaces) as robot,
    ):
        design = None
        if robot is None:
            told = mission(session)
            begins("design")
            design = design_for(told)
            begins("build")
        riding = VirtualRide(session, robot, design)
        begins("ride")
        outcome, certificate = riding.run(record, hook=hook, stop_asked=stop_asked)
    begins("judge")
    who = robot_of_rig(session) if robot is None else robot.about
    run = record.run(_manifest(session, who), jsonable(certificate))
    run, verdict = decide(session, run, outcome)
    return HeldRun(session, record, run, outcome, certificate, who, verdict)


def write_run(held: HeldRun, session: Session, folder: Path, extent: Extent | None = None) -> Verdict:
    """Write a run of memory into a folder as ``ride`` would have left it there, report and all.

    session  the one ridden, or the same from other files: theirs are the copies in the folder
    extent   how much of the record stays; None: as the rig says
    Raises EmulatorError as ``ride`` does.
    """
    manifest = manifest_of(session, stage="virtual", robot=held.robot)
    kept = copies(session.files, session.paths)
    width = session.payload_bytes
    with RunWriter(
        folder, manifest, kept, block_ticks=LONG_BLOCK_TICKS, packed=True, payload_bytes=width
    ) as writer:
        held.record.write_to(writer)
        write_json(folder / CERTIFICATE_FILE, held.certificate)
    verdict = judge_run(session, folder, held.outcome)
    if (extent or session.rig.record) == "thin":
        make_thin(folder)
    return verdict


def _manifest(session: Session, robot: dict[str, Any]) -> dict[str, Any]:
    """Of a run's manifest what its verdict looks at."""
    return {
        "robot": robot,
        "scenario": {
            "name": session.scenario.name,
            "events": [{"name": event.name} for event in session.scenario.events],
        },
        "line": {"length_m": session.line.length, "closed": session.line.closed},
    }
