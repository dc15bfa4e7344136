"""One run from files to verdict: ride it, virtual or on the bench, judge it, write certificate and report."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from emulator.assembly.provenance import copies, manifest_of
from emulator.assembly.session import Session
from emulator.record.documents import read_certificate
from emulator.record.lap_times import lap_times
from emulator.record.localisation import position_error
from emulator.record.reader import Run, read_run
from emulator.record.thin import make_thin
from emulator.record.writer import (
    CERTIFICATE_FILE,
    LONG_BLOCK_TICKS,
    OUTCOME_FILE,
    RunWriter,
    jsonable,
    write_json,
)
from emulator.report.run_report import write_report
from emulator.runs.interruptions import Interruptions
from emulator.stages.bench.hook_host import hook_of
from emulator.stages.own_robot.choice import robot_of
from emulator.stages.virtual import VirtualRide
from emulator.verdict.expectation import expectation
from emulator.verdict.judge import Verdict, judge, numbered, write_verdict
from emulator.verdict.junit import write_junit
from emulator.verdict.laps import reference_laps
from emulator.verdict.timing import TimingTolerance, processes_kept, with_allowed

if TYPE_CHECKING:
    from emulator.stages.bench.supervisor import Beside

Say = Callable[[str], None]
Progress = Callable[[float, float, float], None]


def ride(
    session: Session,
    paths: tuple[Path, Path],
    folder: Path,
    *,
    virtual: bool,
    say: Say = lambda _text: None,
    progress: Progress | None = None,
    beside: Beside | None = None,
    hold: bool = False,
    enable: bool = False,
    patient: bool = False,
    interfaces: Callable[[], Iterable[str]] | None = None,
    whole: bool = False,
) -> Verdict:
    """Run, judge and report; everything is in ``folder`` afterwards.

    paths   of the rig and the scenario file
    beside, hold, enable  of a bench run, see emulator.stages.bench.supervisor.run_bench
    patient, interfaces  of a robot's own software in the virtual stage: whether its steps have no limit, and
            the hashes that emulator.stages.own_robot.choice.robot_of asks for
    whole   the record stays so for now, whatever the rig says: who asked still reads it
    Raises EmulatorError when the run could not take place; what was recorded by then stays readable.
    """
    with Interruptions(say) as interrupted:
        outcome = (
            _virtual(session, folder, say, progress, interrupted, patient, interfaces)
            if virtual
            else _bench(session, paths, folder, say, progress, beside, hold=hold, enable=enable)
        )
        interrupted.take_over()
        verdict = judge_run(session, folder, outcome)
        if session.rig.record == "thin" and not whole:
            make_thin(folder)
    for refused in _refused(folder):
        say(f"the loop ran without: {refused}")
    return verdict


def _virtual(
    session: Session,
    folder: Path,
    say: Say,
    progress: Progress | None,
    interrupted: Interruptions,
    patient: bool,
    interfaces: Callable[[], Iterable[str]] | None,
) -> dict[str, Any]:
    kept = copies(session.files, session.paths)
    with (
        hook_of(session) as hook,
        robot_of(session, patient=patient, hashes=interfaces, say=say) as robot,
        RunWriter(
            folder,
            manifest_of(session, stage="virtual", robot=robot.about if robot else None),
            kept,
            block_ticks=LONG_BLOCK_TICKS,
            packed=True,
            payload_bytes=session.payload_bytes,
        ) as writer,
    ):
        outcome, certificate = VirtualRide(session, robot).run(writer, progress, hook, lambda: interrupted.by)
        write_json(folder / CERTIFICATE_FILE, certificate)
    return outcome


def _bench(
    session: Session,
    paths: tuple[Path, Path],
    folder: Path,
    say: Say,
    progress: Progress | None,
    beside: Beside | None,
    *,
    hold: bool,
    enable: bool,
) -> dict[str, Any]:
    from emulator.stages.bench.supervisor import run_bench

    with hook_of(session) as hook:
        result = run_bench(
            session,
            paths,
            folder,
            say=say,
            progress=progress,
            beside=beside,
            hold=hold,
            enable=enable,
            hook=hook,
        )
    for line in result.log_tail:
        say(line)
    return result.outcome


def _refused(folder: Path) -> list[str]:
    """What the host did not grant the loop (core, priority, locked memory), with advice."""
    path = folder / CERTIFICATE_FILE
    loop = read_certificate(folder).get("loop", {}) if path.exists() else {}
    return [str(text) for text in loop.get("host", {}).get("refused", [])]


def decide(session: Session, run: Run, outcome: Mapping[str, Any]) -> tuple[Run, Verdict]:
    """The verdict on a record with what the scenario expected, and the record with what its rig allows.

    Laps and position error decide nothing and are left out. Nothing is written.
    """
    tolerance = TimingTolerance(**session.rig.timing.model_dump())
    if run.certificate is not None:
        kept = {"processes": processes_kept(outcome.get("processes") or {})}
        run = replace(run, certificate={**with_allowed(run.certificate, tolerance), **kept})
    verdict = judge(
        run, numbered(session.scenario.criteria), run.certificate, outcome, tolerance, session.sector_ends
    )
    return run, replace(verdict, expectation=expectation(session.scenario.expected, verdict, run))


def judge_run(session: Session, folder: Path, outcome: dict[str, Any]) -> Verdict:
    """Judge a recorded run, time its laps, see how well the robot knew its place; write it down."""
    write_json(folder / OUTCOME_FILE, jsonable(outcome))
    run, verdict = decide(session, read_run(folder), outcome)
    if run.certificate is not None:
        write_json(folder / CERTIFICATE_FILE, run.certificate)
    references, note = reference_laps(session)
    laps = lap_times(run, session.sector_ends, references, note)
    verdict = replace(verdict, laps=laps, place=position_error(run))
    write_verdict(folder, verdict)
    write_junit(folder, verdict, run.manifest)
    write_report(folder, signals=run)
    return verdict
