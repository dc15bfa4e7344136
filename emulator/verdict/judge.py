"""The verdict on one run: did the robot's ride meet its criteria, and does the run count at all?

    error     the run broke down (a process of ours crashed); it says nothing
    invalid   the bench did not keep its timing, lost part of the record, or misbehaved, or nobody can tell
              whose it was; never counted as pass
    fail      the robot missed a criterion, was tripped, or did not finish, and the bench is excluded; or
              what the scenario itself did to the bus ended the ride, which accuses nobody
    stopped   a person ended the ride, and nothing had gone wrong before
    pass      complete, valid, every criterion met

What began it decides. A trip that is proven to be the robot's, and a stop by a person, have a time: what the
bench did from then on is their consequence and is told after them; what it did before makes the run invalid.
Otherwise the first that applies, from the top, is the result. The reasons of all of them are kept. A
criterion that meets a missing or non-finite value has not been met, whatever the rest of the ride was like.

The margin of a criterion is its robustness in its own unit: limit less the worst value, so positive with
room to spare, zero on the limit, negative beyond.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any, Literal, NamedTuple, TypeAlias

import numpy as np
from pydantic import TypeAdapter, ValidationError

from emulator.core.errors import RecordError
from emulator.core.signals import RUNNING, in_the_ride
from emulator.core.trip_reasons import TripReason, trip_reason_of
from emulator.criteria.base import Criterion, CriterionResult
from emulator.criteria.ride import JudgedRide
from emulator.record.documents import read_json_object
from emulator.record.lap_times import LapTimes
from emulator.record.localisation import PositionError
from emulator.record.reader import Run
from emulator.record.writer import VERDICT_FILE, write_json
from emulator.verdict.attribution import (
    BenchEvidence,
    Cause,
    crossed_causes,
    evidence_of,
    host_causes,
    in_order,
    rig_problem,
    seen_before_stop,
    seen_causes,
    software_cause,
    stop_cause,
    trip_cause,
)
from emulator.verdict.notes import notes_of
from emulator.verdict.timing import TimingTolerance, not_kept

__all__ = [
    "Result",
    "TimingTolerance",
    "Verdict",
    "judge",
    "numbered",
    "read_verdict",
    "verdict_from",
    "write_verdict",
]

Result: TypeAlias = Literal["pass", "fail", "invalid", "stopped", "error"]


@dataclass(frozen=True)
class Verdict:
    """Result, reasons (what began it first; for a pass, what was kept) and criteria in the order given.

    ``ridden_s`` [s] is how long the bench was running. ``laps`` and ``place`` stand beside them and decide
    nothing; None where nobody timed laps or the robot never said where it was. ``expectation`` says whether
    the scenario expected it (emulator.verdict.expectation); it decides nothing either. ``trip_code`` is the
    number of the reason it tripped for (emulator.core.trip_reasons), 0 if it did not or nobody knows.
    ``timing_missed``: the bench's timing is what began it. ``causes``: whose each of the reasons was, but
    for criteria that were missed, which are the robot's; ``notes``: what was seen besides, deciding nothing.
    ``undecided``: names of criteria that a stopped ride was missing and that its rest might have met, and of
    those that a log does not tell of.
    ``robot``: who rode, with version, empty if nobody knows; ``traceback``: of what its software raised.
    """

    result: Result
    reasons: list[str] = field(default_factory=list)
    criteria: list[CriterionResult] = field(default_factory=list)
    laps: LapTimes | None = None
    place: PositionError | None = None
    ridden_s: float = 0.0
    expectation: str = ""
    trip_code: int = 0
    timing_missed: bool = False
    causes: list[Cause] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    undecided: list[str] = field(default_factory=list)
    robot: str = ""
    traceback: str = ""

    @property
    def missed(self) -> list[CriterionResult]:
        """The criteria that were missed, whatever the rest of the ride might have been."""
        return [c for c in self.criteria if not c.passed and c.name not in self.undecided]

    @property
    def followed(self) -> list[str]:
        """The reasons that are consequences of those before them."""
        return self.reasons[len(self.reasons) - sum(c.follows for c in self.causes) :]


def judge(
    run: Run,
    criteria: Sequence[Criterion],
    certificate: Mapping[str, Any] | None,
    outcome: Mapping[str, Any],
    tolerance: TimingTolerance | None = None,
    sector_ends_m: Sequence[float] = (),
) -> Verdict:
    """Judge a run.

    criteria      at least one; a run of which nothing was asked is invalid
    certificate   as written by the loop: ``outputs`` by name with kept_ppm, age_ms_p50, age_ms_p99,
                  latency_ms, lost, sent, and disordered if it was counted; None or without outputs is invalid
    outcome       ended         'complete' | 'stopped' | 'tripped' | 'time_limit' | 'fallen' |
                                'crashed' (a process of ours) | 'robot_failed' (its software in lockstep)
                  robot_failure how, text, traceback and tick of the latter
                  stopped_by    what asked for the stop; end_tick the scenario tick in which the ride ended
                  trip_code     number of the trip reason (emulator.core.trip_reasons); one that is none of
                                ours counts against the bench
                  trip_reason   its text
                  trip_tick     scenario tick of the trip, or None
                  trip_evidence what came of the robot's frames (emulator.assembly.robot_evidence)
                  rig_problems  what the rig reported about itself; each makes the run invalid
                  and what emulator.verdict.attribution.evidence_of reads
    tolerance     the rig's; None takes ``TimingTolerance()``
    sector_ends_m [m] stations at which the sectors of a lap end; none: the line has no laps

    Never raises for what a run holds or lacks: that is what the verdict says.
    """
    tolerance = tolerance or TimingTolerance()
    outcome = _before_its_first_tick(run, outcome)
    ride = JudgedRide(run, tuple(sector_ends_m))
    results = [criterion.judge(ride) for criterion in criteria]
    missed = [r for r in results if not r.passed]
    evidence = evidence_of(outcome, (certificate or {}).get("robot_frames"))
    end = _end(outcome, evidence)
    lasting = [
        r
        for c, r in zip(criteria, results, strict=True)
        if c.miss_stands and not r.passed and r.margin is not None
    ]
    cut_s = _cut_short(end, outcome, lasting)
    missed_timing = [] if _ended_before_it_began(run, outcome) else not_kept(certificate, tolerance)
    timing = [Cause("bench", *told) for told in missed_timing]
    if certificate is None:
        timing = [replace(cause, at_s=cut_s) for cause in timing]
    bench = [
        *(Cause("bench", f"the record was cut short: {loss}", cut_s) for loss in run.losses),
        *(Cause("bench", text) for text in _record_problems(run, outcome)),
        *timing,
        *seen_causes(outcome),
        *(rig_problem(problem) for problem in outcome.get("rig_problems") or []),
    ]
    if not criteria:
        bench.append(Cause("bench", "nothing was asked of this ride: the scenario has no criteria"))
    before_stop = seen_before_stop(outcome)
    if outcome.get("ended") == "robot_failed":  # the bench stood still with it, and did what it does then
        bench = []
    trip = trip_reason_of(outcome) if outcome.get("ended") == "tripped" else None
    found = _decide(end, bench, missed, lasting, before_stop)
    if found.result == "fail" and trip not in (TripReason.HEARTBEAT, TripReason.COMMAND):
        doubts = [*crossed_causes(evidence), *([] if trip else host_causes(evidence, tolerance.hole_ms))]
        found = _decide(end, [*bench, *doubts], missed, lasting, before_stop)
    measured = bool((certificate or {}).get("outputs"))
    kept = f"complete, timing kept, {_count(len(results), 'criterion', 'criteria')} met"
    return Verdict(
        found.result,
        found.reasons() or [kept],
        results,
        ridden_s=_ridden_s(run),
        trip_code=int(trip) if trip is not None else 0,
        timing_missed=bool(found.causes[:1]) and found.causes[0] in timing and measured,
        causes=found.causes,
        undecided=[r.name for r in missed if found.result == "fail" and r not in found.missed],
        notes=notes_of(run, certificate or {}, outcome),
        robot=who_rode(run.manifest),
        traceback=str((outcome.get("robot_failure") or {}).get("traceback") or ""),
    )


def who_rode(manifest: Mapping[str, Any]) -> str:
    """Who rode by a run's manifest, with version and how; empty for records that do not say.

    Of a robot on the bus nobody knows more than what the rig calls it, which a base may have named.
    """
    robot = manifest.get("robot")
    if not isinstance(robot, Mapping) or not robot.get("name"):
        return ""
    if robot.get("kind") == "external" and not robot.get("how"):
        return f"an external robot (in the rig: {robot['name']})"
    words = " ".join(str(robot[key]) for key in ("name", "version") if robot.get(key))
    return f"{words} ({robot['how']})" if robot.get("how") else words


class _Found(NamedTuple):
    """The result; the causes, what began it first; the criteria among the reasons, before or behind them."""

    result: Result
    causes: list[Cause]
    missed: Sequence[CriterionResult] = ()
    missed_first: bool = False

    def reasons(self) -> list[str]:
        """All of it in sentences, consequences last."""
        causes = [c.text for c in self.causes if not c.follows]
        missed = [f"{r.name}: {r.sentence}" for r in self.missed]
        then = [f"then: {c.text}" for c in self.causes if c.follows]
        return [*(missed + causes if self.missed_first else causes + missed), *then]


def _decide(
    end: Cause | None,
    bench: Sequence[Cause],
    missed: Sequence[CriterionResult],
    lasting: Sequence[CriterionResult],
    before_stop: Sequence[Cause],
) -> _Found:
    """What follows from how it ended, from what the bench did, and from the criteria that were missed.

    lasting      those of the missed ones that no rest of a ride could have made good
    before_stop  what had failed when a person stopped it, for one that had not begun
    """
    if end is None:
        return _Found("invalid" if bench else "fail" if missed else "pass", in_order(bench), missed)
    if end.whose in ("bench", "unknown"):
        return _Found("error" if end.broke else "invalid", in_order([end, *bench]), missed)
    if end.whose == "operator" and end.at_s is None:  # it had not begun: nobody can have failed
        if before_stop:
            return _Found("invalid", [*before_stop, replace(end, follows=True)])
        return _Found("stopped", [end])
    before = [c for c in bench if end.at_s is None or c.at_s is None or c.at_s < end.at_s]
    after = [replace(c, follows=True) for c in in_order(bench) if c not in before]
    if before:
        return _Found("invalid", [*in_order(before), replace(end, follows=True), *after], missed)
    if end.whose in ("robot", "scenario"):
        return _Found("fail", [end, *after], missed)
    if lasting:
        return _Found("fail", [replace(end, follows=True), *after], lasting, missed_first=True)
    return _Found("stopped", [end, *after])


def _cut_short(
    end: Cause | None, outcome: Mapping[str, Any], lasting: Sequence[CriterionResult]
) -> float | None:
    """From when on there is neither record nor certificate since a person ended everything at once; or None.

    Not where something is to be proven against the robot: that takes the certificate.
    """
    at_once = bool((outcome.get("stop") or {}).get("at_once"))
    return end.at_s if at_once and end is not None and end.whose == "operator" and not lasting else None


def _end(outcome: Mapping[str, Any], evidence: BenchEvidence) -> Cause | None:
    """What ended the ride, if it was not that it was complete; whose it was."""
    ended, when = outcome.get("ended"), _when(outcome.get("trip_tick"))
    if ended == "complete":
        return None
    if ended == "crashed":
        reason = str(outcome.get("trip_reason") or "no reason given")
        return Cause("bench", f"the run broke down{when}: {reason}", broke=True)
    if ended == "robot_failed":
        return software_cause(outcome.get("robot_failure") or {})
    if ended == "tripped":
        return trip_cause(outcome, evidence, when)
    if ended == "fallen":
        return Cause("robot", "the bike fell before the ride was complete")
    if ended == "stopped":
        return stop_cause(outcome, _when(outcome.get("end_tick")))
    if ended == "time_limit":
        return Cause("robot", "the time limit came before the ride was complete")
    return Cause("bench", f"the run's end is unknown ({ended!r}); it does not count", broke=True)


def numbered(criteria: Iterable[Criterion]) -> list[Criterion]:
    """Criteria in order, each with a name of its own: one that comes again gets a number."""
    named: list[Criterion] = []
    times: Counter[str] = Counter()
    for one in criteria:
        title = one.title
        times[title] += 1
        again = {"name": f"{title} ({times[title]})"}
        named.append(one if times[title] == 1 else one.model_copy(update=again))
    return named


def _ridden_s(run: Run) -> float:
    state = run.signals.get("bench.state")
    time_s = run.time_s[:0] if state is None else run.time_s[state == RUNNING]
    return float(time_s[-1] - time_s[0]) if len(time_s) else 0.0


def _count(n: int, one: str, many: str) -> str:
    return f"{n} {one if n == 1 else many}"


def _when(tick: object) -> str:
    """When, as a sentence goes on; nothing if that is not known."""
    return f" {in_the_ride(int(tick))}" if isinstance(tick, int | np.integer) else ""


# -- does the run count? ---------------------------------------------------------------------------------


def _began(run: Run) -> bool:
    state = run.signals.get("bench.state")
    return state is not None and bool(np.any(state == RUNNING))


def _before_its_first_tick(run: Run, outcome: Mapping[str, Any]) -> Mapping[str, Any]:
    """The outcome; of a ride that ended in the tick that was to be its first, with an end before that.

    Such a tick ramps or is tripped, and none runs: what ended it came before the ride.
    """
    key = {"stopped": "end_tick", "tripped": "trip_tick"}.get(str(outcome.get("ended")), "")
    return outcome if _began(run) or outcome.get(key) != 0 else {**outcome, key: -1}


def _ended_before_it_began(run: Run, outcome: Mapping[str, Any]) -> bool:
    """Whether a trip came before the ride: then neither record nor certificate lacks one."""
    tick = outcome.get("trip_tick")
    before = isinstance(tick, int | np.integer) and int(tick) < 0
    return outcome.get("ended") == "tripped" and before and not _began(run)


def _record_problems(run: Run, outcome: Mapping[str, Any]) -> list[str]:
    if not _began(run):
        return [] if _ended_before_it_began(run, outcome) else ["the record holds no running tick"]
    problems = []
    steps = np.diff(run.tick)
    if len(steps) and steps.max() != steps.min():
        usual = int(np.bincount(steps).argmax()) if steps.max() < 1_000_000 else int(steps.min())
        row = int(np.argmax(steps != usual))
        missing = int((steps - usual)[steps > usual].sum())
        problems.append(
            f"the record has gaps: {_count(missing, 'tick', 'ticks')} missing, "
            f"first after tick {run.tick[row]}"
        )
    trip = outcome.get("trip_tick")
    if isinstance(trip, int | np.integer) and run.tick[-1] < trip:
        problems.append(f"the record ends at tick {run.tick[-1]}, before the trip at tick {trip}")
    return problems


# -- verdict.json ----------------------------------------------------------------------------------------


def write_verdict(folder: Path | str, verdict: Verdict) -> Path:
    """Write ``verdict.json`` into a run folder, whole or not at all. Raises RunFailed."""
    path = Path(folder) / VERDICT_FILE
    write_json(path, asdict(verdict))
    return path


def read_verdict(folder: Path | str) -> Verdict:
    """Read ``verdict.json`` of a run folder. Raises RecordError if it is missing or is no verdict."""
    path = Path(folder) / VERDICT_FILE
    return verdict_from(read_json_object(path), str(path))


def verdict_from(document: Mapping[str, Any], where: str = VERDICT_FILE) -> Verdict:
    """The verdict in a parsed ``verdict.json``. ``where`` names it in errors. Raises RecordError.

    What a file of an earlier version has not is as if it had not been worked out; what nobody knows any more
    is left out.
    """
    try:
        # Through JSON, because only there does strict mode take lists for tuples.
        return _READER.validate_json(json.dumps(document), strict=True)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        key = ".".join(str(part) for part in first["loc"])
        raise RecordError(f"{where}: {key}: {first['msg']}, found {first['input']!r:.80}") from error


_READER = TypeAdapter(Verdict)
