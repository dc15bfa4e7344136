"""One run from files to verdict: ride it, virtual or on the bench, judge it, write certificate and report."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from emulator.campaign.laps import lap_times, reference_laps
from emulator.campaign.place import place_known
from emulator.campaign.report import write_report
from emulator.campaign.temporal import (
    Always,
    Compare,
    Either,
    Eventually,
    Every,
    Formula,
    Not,
    Until,
    implies,
)
from emulator.campaign.verdict import (
    Criterion,
    DistanceFromLine,
    Holds,
    NoFall,
    SpeedError,
    TimingTolerance,
    Verdict,
    judge,
    write_verdict,
)
from emulator.record.reader import read_json_object, read_run
from emulator.record.writer import CERTIFICATE_FILE, RunWriter, write_json
from emulator.rig.copies import copies, manifest_of
from emulator.rig.session import Session
from emulator.rig.supervisor import Beside, run_bench
from emulator.rig.virtual import VirtualRide
from emulator.scenario.criteria import Condition
from emulator.scenario.criteria import DistanceFromLine as DistanceModel
from emulator.scenario.criteria import Holds as HoldsModel
from emulator.scenario.criteria import NoFall as NoFallModel

Say = Callable[[str], None]
Progress = Callable[[float, float, float], None]


def criteria_of(session: Session) -> list[Criterion]:
    """The scenario's criteria as the verdict takes them."""
    criteria: list[Criterion] = []
    for c in session.scenario.criteria:
        if isinstance(c, NoFallModel):
            criteria.append(NoFall(c.name or "no fall"))
        elif isinstance(c, DistanceModel):
            criteria.append(DistanceFromLine(c.limit_m, c.from_s, c.name or "distance from line"))
        elif isinstance(c, HoldsModel):
            criteria.append(Holds(formula_of(c.that), c.from_s, c.name))
        else:
            criteria.append(SpeedError(c.limit_km_h / 3.6, c.from_s, c.name or "speed error"))
    return criteria


def formula_of(c: Condition) -> Formula:
    """A scenario's condition as temporal logic."""
    if c.signal is not None:
        if c.at_least is not None:
            return Compare(c.signal, "at_least", c.at_least, c.size)
        assert c.at_most is not None  # one of both is given: the schema's rule, as below
        return Compare(c.signal, "at_most", c.at_most, c.size)
    for parts, all_of in ((c.all_of, True), (c.any_of, False), (c.none_of, False)):
        if parts is not None:
            of = tuple(formula_of(part) for part in parts)
            whole = Every(of) if all_of else Either(of)
            return Not(whole) if parts is c.none_of else whole
    if c.when is not None:
        assert c.then is not None
        return implies(formula_of(c.when), formula_of(c.then))
    window = (c.from_s or 0.0, math.inf if c.to_s is None else c.to_s)
    if c.always is not None:
        return Always(formula_of(c.always), *window)
    if c.eventually is not None:
        return Eventually(formula_of(c.eventually), *window)
    assert c.hold is not None
    assert c.until is not None
    return Until(formula_of(c.hold), formula_of(c.until), *window)


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
) -> Verdict:
    """Run, judge and report; everything is in ``folder`` afterwards.

    paths   of the rig and the scenario file
    beside, hold  of a bench run, see emulator.rig.supervisor.run_bench
    Raises EmulatorError when the run could not take place; what was recorded by then stays readable.
    """
    if virtual:
        kept = copies(session.files, session.paths)
        with RunWriter(folder, manifest_of(session, stage="virtual"), kept) as writer:
            outcome, certificate = VirtualRide(session).run(writer, progress)
            write_json(folder / CERTIFICATE_FILE, certificate)
    else:
        result = run_bench(session, paths, folder, say=say, progress=progress, beside=beside, hold=hold)
        outcome = result.outcome
        for line in result.log_tail:
            say(line)
    verdict = judge_run(session, folder, outcome)
    for refused in _refused(folder):
        say(f"the loop ran without: {refused}")
    return verdict


def _refused(folder: Path) -> list[str]:
    """What the host did not grant the loop (core, priority, locked memory), with advice."""
    path = folder / CERTIFICATE_FILE
    loop = read_json_object(path).get("loop", {}) if path.exists() else {}
    return [str(text) for text in loop.get("host", {}).get("refused", [])]


def judge_run(session: Session, folder: Path, outcome: dict[str, Any]) -> Verdict:
    """Judge a recorded run, time its laps, see how well the robot knew its place; write it down."""
    run = read_run(folder)
    timing = session.rig.timing
    tolerance = TimingTolerance(
        rate_ppm=timing.rate_ppm, age_p99_ms=timing.age_p99_ms, lost_frames=timing.lost_frames
    )
    verdict = judge(run, criteria_of(session), run.certificate, outcome, tolerance)
    references, note = reference_laps(session)
    laps = lap_times(run, session.sector_ends, references, note)
    verdict = replace(verdict, laps=laps, place=place_known(run))
    write_verdict(folder, verdict)
    write_report(folder)
    return verdict
