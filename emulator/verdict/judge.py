"""The verdict on one run: did the robot's ride meet its criteria, and does the run count at all?

    error     the run broke down (a process of ours crashed); it says nothing
    invalid   the bench did not keep its timing, lost part of the record, or misbehaved; never counted as pass
    fail      a valid run in which the robot missed a criterion, was tripped, or did not finish
    pass      complete, valid, every criterion met

The first that applies, from the top, is the result; the reasons of all of them are kept. A criterion that
meets a missing or non-finite value has not been met, whatever the rest of the ride looked like.

The margin of a criterion is its robustness in its own unit: limit less the worst value, so positive with
room to spare, zero on the limit, negative beyond.
"""

from __future__ import annotations

import json
import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Literal, TypeAlias

import numpy as np
from pydantic import TypeAdapter, ValidationError

from emulator.core.errors import RecordError
from emulator.core.signals import RUNNING
from emulator.core.trip_reasons import trip_reason_of
from emulator.criteria.base import Criterion, CriterionResult
from emulator.criteria.ride import JudgedRide
from emulator.record.lap_times import LapTimes
from emulator.record.localisation import PositionError
from emulator.record.reader import Run, read_json_object
from emulator.record.writer import VERDICT_FILE, write_json

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

Result: TypeAlias = Literal["pass", "fail", "invalid", "error"]
_TIMING_MISSED = "timing not kept: "
"""How a reason begins that tells of the bench's timing."""


@dataclass(frozen=True)
class TimingTolerance:
    """What the timing certificate must keep for a run to count. Defaults: common practice, no source.

    rate_ppm     [ppm]  error of an output's mean period
    age_p99_ms   [ms]   how far an output's age, median and p99, may be off its promised latency
    lost_frames  [1]    frames of one output that the link refused
    """

    rate_ppm: float = 200.0
    age_p99_ms: float = 2.0
    lost_frames: int = 0


@dataclass(frozen=True)
class Verdict:
    """Result, reasons (most serious first; for a pass, what was kept) and criteria in the order given.

    ``ridden_s`` [s] is how long the bench was running. ``laps`` and ``place`` stand beside them and decide
    nothing; None where nobody timed laps or the robot never said where it was. ``expectation`` says whether
    the scenario expected it (emulator.verdict.expectation); it decides nothing either. ``trip_code`` is the
    number of the reason it tripped for (emulator.core.trip_reasons), 0 if it did not or nobody knows.
    ``timing_missed``: the bench's timing is among the reasons.
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
                                'crashed' (a process of ours)
                  trip_code     number of the trip reason (emulator.core.trip_reasons), which says whose
                                it is; one that is none of ours counts against the bench
                  trip_reason   its text
                  trip_tick     scenario tick of the trip, or None
                  rig_problems  what the rig reported about itself; each makes the run invalid
    tolerance     the rig's; None takes ``TimingTolerance()``
    sector_ends_m [m] stations at which the sectors of a lap end; none: the line has no laps

    Never raises for what a run holds or lacks: that is what the verdict says.
    """
    ride = JudgedRide(run, tuple(sector_ends_m))
    results = [criterion.judge(ride) for criterion in criteria]
    errors: list[str] = []
    timing = _certificate_problems(certificate, tolerance)
    invalid = _record_problems(run, outcome) + timing
    invalid += [str(problem) for problem in outcome.get("rig_problems") or []]
    fails = [f"{r.name}: {r.sentence}" for r in results if not r.passed]
    if not criteria:
        invalid.append("nothing was asked of this ride: the scenario has no criteria")

    ended = outcome.get("ended")
    reason, trip = str(outcome.get("trip_reason") or "no reason given"), trip_reason_of(outcome)
    at = _when(outcome.get("trip_tick"))
    if ended == "crashed":
        errors.append(f"the run broke down{at}: {reason}")
    elif ended == "tripped" and trip is not None and trip.whose == "robot":
        fails.insert(0, f"the rig tripped on the robot{at}: {reason}")
    elif ended == "tripped":
        invalid.insert(0, f"the rig tripped{at}: {reason}")
    elif ended == "fallen":
        fails.insert(0, "the bike fell before the ride was complete")
    elif ended == "stopped":
        fails.insert(0, "stopped by hand before the ride was complete")
    elif ended == "time_limit":
        fails.insert(0, "the time limit came before the ride was complete")
    elif ended != "complete":
        errors.append(f"the run's end is unknown ({ended!r}); it does not count")

    result: Result = "error" if errors else "invalid" if invalid else "fail" if fails else "pass"
    kept = f"complete, timing kept, {_count(len(results), 'criterion', 'criteria')} met"
    reasons = errors + invalid + fails or [kept]
    code = int(trip) if trip is not None and ended == "tripped" else 0
    return Verdict(
        result,
        reasons,
        results,
        ridden_s=_ridden_s(run),
        trip_code=code,
        timing_missed=bool(timing) and bool((certificate or {}).get("outputs")),
    )


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
    return f" {int(tick) / 1000:.1f} s into the ride" if isinstance(tick, int | np.integer) else ""


# -- does the run count? ---------------------------------------------------------------------------------


def _record_problems(run: Run, outcome: Mapping[str, Any]) -> list[str]:
    problems = [f"the record was cut short: {loss}" for loss in run.losses]
    state = run.signals.get("bench.state")
    if state is None or not np.any(state == RUNNING):
        return [*problems, "the record holds no running tick"]
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


# A drawn jitter is half-normal: these shares of its sigma are part of the promise at p50 and p99
# (quantiles 0.75 and 0.995 of the normal distribution).
_DRAWN_AGE = {"age_ms_p50": 0.6745, "age_ms_p99": 2.5758}


def _certificate_problems(
    certificate: Mapping[str, Any] | None, tolerance: TimingTolerance | None
) -> list[str]:
    tolerance = tolerance or TimingTolerance()
    outputs = (certificate or {}).get("outputs")
    if not isinstance(outputs, Mapping) or not outputs:
        return ["there is no timing certificate; whether the bench kept its timing is unknown"]
    problems = []
    for name, kept in outputs.items():
        sent, lost = _number(kept, "sent"), _number(kept, "lost")
        if not sent > 0:
            problems.append(f"{name}: never sent")
            continue
        ppm = abs(_number(kept, "kept_ppm"))
        latency = _number(kept, "latency_ms")
        drawn = _number(kept, "drawn_ms") if isinstance(kept, Mapping) and "drawn_ms" in kept else 0.0
        off = max(
            (abs(_number(kept, key) - latency - share * drawn) for key, share in _DRAWN_AGE.items()),
            key=lambda x: math.inf if math.isnan(x) else x,
        )
        # What chance does to a drawn jitter in a short run is no failing of the bench: four sigma of the
        # mean period over the run, and of a mean age. Both vanish with the jitter and with time.
        chance_ppm = 4e3 * drawn * _number(kept, "rate_hz") / sent if drawn else 0.0
        chance_ms = 4.0 * drawn / math.sqrt(sent)
        # Written as "not within", so that a NaN is a problem too.
        if not ppm <= tolerance.rate_ppm + chance_ppm:
            problems.append(
                f"{name}: mean period off by {_text(ppm)} ppm (tolerance {tolerance.rate_ppm:g} ppm)"
            )
        if not off <= tolerance.age_p99_ms + chance_ms:
            problems.append(
                f"{name}: age off its {_text(latency)} ms latency by {_text(off)} ms "
                f"(tolerance {tolerance.age_p99_ms:g} ms)"
            )
        disordered = kept.get("disordered") if isinstance(kept, Mapping) else None
        if disordered:  # samples of one output never overtake each other, whatever the tolerances
            problems.append(f"{name}: {_count(int(disordered), 'sample', 'samples')} out of order")
        if not lost <= tolerance.lost_frames:
            problems.append(f"{name}: {_text(lost)} frames lost (tolerance {tolerance.lost_frames})")
    return [f"{_TIMING_MISSED}{problem}" for problem in problems]


def _number(item: object, key: str) -> float:
    value = item.get(key) if isinstance(item, Mapping) else None
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else math.nan


def _text(value: float) -> str:
    return "?" if math.isnan(value) else f"{value:.4g}"


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
