"""The verdict on one run: did the robot's ride meet its criteria, and may the run be counted at all?

    error     the run broke down (a process of ours crashed); it says nothing
    invalid   the bench did not keep its timing, lost part of the record, or misbehaved; never counted as pass
    fail      a valid run in which the robot fell short of a criterion, was tripped, or did not finish
    pass      complete, valid, every criterion met

The first that applies, from the top, is the result; the reasons of all of them are kept. A criterion that
meets a missing or non-finite value has not been met, whatever the rest of the ride looked like.

The margin of a criterion is its robustness in its own unit: limit less the worst value, so positive with
room to spare, zero on the limit, negative beyond.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path
from typing import Any, ClassVar, Literal, TypeAlias, TypeGuard, get_args

import numpy as np
from numpy.typing import NDArray

from emulator.campaign.laps import LapTimes, laps_from
from emulator.campaign.place import PlaceKnowledge, place_from
from emulator.campaign.temporal import Formula, Monitor, signals_of
from emulator.errors import InternalError, RecordError
from emulator.record.reader import Run, read_json_object
from emulator.record.writer import VERDICT_FILE, write_json
from emulator.signals import INDEX, RUNNING, SIGNALS

Result: TypeAlias = Literal["pass", "fail", "invalid", "error"]


# -- what is asked ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class NoFall:
    """The bike is never down while running. Margin: +1 up, -1 down."""

    name: str = "no fall"
    kind: ClassVar[str] = "no_fall"


@dataclass(frozen=True)
class DistanceFromLine:
    """|line.offset_m| stays within ``limit_m`` [m] from ``from_s`` [s] after the support's release."""

    limit_m: float
    from_s: float = 0.0
    name: str = "distance from line"
    kind: ClassVar[str] = "distance_from_line"

    def __post_init__(self) -> None:
        """Raises InternalError for a limit or start time that makes no sense."""
        _check_numbers(self.name, self.limit_m, self.from_s)


@dataclass(frozen=True)
class SpeedError:
    """|truth.speed - line.target_speed| stays within ``limit_m_s`` [m/s] from ``from_s`` after release."""

    limit_m_s: float
    from_s: float = 0.0
    name: str = "speed error"
    kind: ClassVar[str] = "speed_error"

    def __post_init__(self) -> None:
        """Raises InternalError for a limit or start time that makes no sense."""
        _check_numbers(self.name, self.limit_m_s, self.from_s)


@dataclass(frozen=True)
class Holds:
    """A formula of temporal logic holds, from ``from_s`` after release to the end of running."""

    formula: Formula
    from_s: float = 0.0
    name: str = "condition"
    kind: ClassVar[str] = "holds"


Criterion: TypeAlias = NoFall | DistanceFromLine | SpeedError | Holds


def _check_numbers(name: str, limit: float, from_s: float) -> None:
    if not (math.isfinite(limit) and limit > 0 and math.isfinite(from_s) and from_s >= 0):
        raise InternalError(
            f"criterion {name!r}: limit {limit} must be above 0 and from_s {from_s} not below"
        )


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


# -- what came out ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class CriterionResult:
    """How one criterion came out.

    margin            [unit]  limit less worst; None if it could not be judged
    worst_time_s      [s]     scenario time of the worst instant (0: running starts), None if not judged
    worst_station_m   [m]     station of the line there
    sentence          the same for people; speeds in km/h, angles in degrees
    limit             [unit]  None where the criterion has no number
    """

    name: str
    kind: str
    passed: bool
    margin: float | None
    unit: str
    worst_time_s: float | None
    worst_station_m: float | None
    sentence: str
    limit: float | None = None


@dataclass(frozen=True)
class Verdict:
    """Result, reasons (most serious first; for a pass, what was kept) and criteria in the order given.

    ``laps`` and ``place`` stand beside them and decide nothing; None where nobody timed laps or the robot
    never said where it was.
    """

    result: Result
    reasons: list[str] = field(default_factory=list)
    criteria: list[CriterionResult] = field(default_factory=list)
    laps: LapTimes | None = None
    place: PlaceKnowledge | None = None


def judge(
    run: Run,
    criteria: Sequence[Criterion],
    certificate: Mapping[str, Any] | None,
    outcome: Mapping[str, Any],
    tolerance: TimingTolerance | None = None,
) -> Verdict:
    """Judge a run.

    criteria      at least one; a run of which nothing was asked is invalid
    certificate   as written by the loop: ``outputs`` by name with kept_ppm, age_ms_p50, age_ms_p99,
                  latency_ms, lost, sent, and disordered if it was counted; None or without outputs is invalid
    outcome       ended         'complete' | 'stopped' | 'tripped' | 'time_limit' | 'fallen' |
                                'crashed' (a process of ours)
                  trip_reason   text; see ``is_robots_trip``
                  trip_tick     scenario tick of the trip, or None
                  rig_problems  what the rig reported about itself; each makes the run invalid
    tolerance     the rig's; None takes ``TimingTolerance()``

    Never raises for what a run holds or lacks: that is what the verdict says.
    """
    results = [_judge_one(run, criterion) for criterion in criteria]
    errors: list[str] = []
    invalid = _record_problems(run, outcome) + _certificate_problems(certificate, tolerance)
    invalid += [str(problem) for problem in outcome.get("rig_problems") or []]
    fails = [f"{r.name}: {r.sentence}" for r in results if not r.passed]
    if not criteria:
        invalid.append("nothing was asked of this ride: the scenario has no criteria")

    ended = outcome.get("ended")
    reason = str(outcome.get("trip_reason") or "no reason given")
    at = _when(outcome.get("trip_tick"))
    if ended == "crashed":
        errors.append(f"the run broke down{at}: {reason}")
    elif ended == "tripped" and is_robots_trip(reason):
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
        errors.append(f"the run's end is unknown ({ended!r}); it can't be counted")

    reasons = errors + invalid + fails
    if errors:
        return Verdict("error", reasons, results)
    if invalid:
        return Verdict("invalid", reasons, results)
    if fails:
        return Verdict("fail", reasons, results)
    return Verdict(
        "pass", [f"complete, timing kept, {_count(len(results), 'criterion', 'criteria')} met"], results
    )


_ROBOT_WORDS = ("heartbeat", "command", "fall", "actuator", "steering limit", "estimate")
_RIG_WORDS = (
    "overrun",
    "bus",
    "recorder",
    "link",
    "stall",
    "diverge",
    "supervisor",
    "disk",
    "clock",
    "permissive",
)


def is_robots_trip(reason: str) -> bool:
    """Whether a trip reason is the robot's failing (heartbeat, command, fall, actuator limits).

    Everything else, also what this function does not know, counts against the rig: a run that is wrongly
    called invalid is ridden again, one that is wrongly called a fail sends people looking for nothing.
    """
    words = reason.lower()
    return any(w in words for w in _ROBOT_WORDS) and not any(w in words for w in _RIG_WORDS)


def _count(n: int, one: str, many: str) -> str:
    return f"{n} {one if n == 1 else many}"


def _when(tick: object) -> str:
    return f" {int(tick) / 1000:.1f} s into the ride" if isinstance(tick, int | np.integer) else ""


# -- may the run be counted? -----------------------------------------------------------------------------


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
    return [f"timing not kept: {problem}" for problem in problems]


def _number(item: object, key: str) -> float:
    value = item.get(key) if isinstance(item, Mapping) else None
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else math.nan


def _text(value: float) -> str:
    return "?" if math.isnan(value) else f"{value:.4g}"


# -- the criteria ----------------------------------------------------------------------------------------


class _NotJudged(Exception):
    """Why a criterion can't be judged; its text is the sentence."""


def _judge_one(run: Run, criterion: Criterion) -> CriterionResult:
    try:
        if isinstance(criterion, NoFall):
            return _no_fall(run, criterion)
        return _holds(run, criterion) if isinstance(criterion, Holds) else _within(run, criterion)
    except _NotJudged as why:
        unit = {"distance_from_line": "m", "speed_error": "m/s"}.get(criterion.kind, "1")
        sentence = f"could not be judged: {why}"
        return CriterionResult(
            criterion.name, criterion.kind, False, None, unit, None, None, sentence, _limit(criterion)
        )


def _limit(criterion: Criterion) -> float | None:
    if isinstance(criterion, DistanceFromLine):
        return criterion.limit_m
    return criterion.limit_m_s if isinstance(criterion, SpeedError) else None


def _column(run: Run, name: str, rows: NDArray[np.bool_]) -> NDArray[np.float64]:
    column = run.signals.get(name)
    if column is None:
        raise _NotJudged(f"the record has no {name}")
    part = column[rows]
    bad = ~np.isfinite(part)
    if bad.any():
        time_s = run.time_s[rows][int(np.argmax(bad))]
        raise _NotJudged(f"{name} is not a number {time_s:.1f} s into the ride")
    return part


def _running(run: Run) -> NDArray[np.bool_]:
    state = run.signals.get("bench.state")
    if state is None:
        raise _NotJudged("the record has no bench.state")
    if not np.isfinite(state).all():
        raise _NotJudged("bench.state is not a number throughout")
    running: NDArray[np.bool_] = state == RUNNING
    if not running.any():
        raise _NotJudged("the ride never started")
    steps = np.diff(run.tick[running])
    if len(steps) and steps.max() != steps.min():
        row = int(np.argmax(steps > steps.min()))
        raise _NotJudged(f"samples are missing {run.time_s[running][row]:.1f} s into the ride")
    return running


def _place(time_s: float, station_m: float) -> str:
    return f"{time_s:.1f} s into the ride at station {station_m:.0f} m"


def _no_fall(run: Run, criterion: NoFall) -> CriterionResult:
    # Past running too: the tick that sees the fall is often the one that leaves running.
    rows = _running(run)
    rows = np.arange(len(rows)) >= int(np.argmax(rows))
    fallen = _column(run, "truth.fallen", rows) != 0
    roll = _column(run, "truth.roll_rad", rows)
    station = _column(run, "line.station_m", rows)
    time_s = run.time_s[rows]
    if fallen.any():
        row = int(np.argmax(fallen))
        speed = 3.6 * _column(run, "truth.speed_m_s", rows)[row]
        margin, sentence = -1.0, f"fell {_place(time_s[row], station[row])}, at {speed:.0f} km/h"
    else:
        row = int(np.argmax(np.abs(roll)))
        lean = abs(math.degrees(roll[row]))
        side = "right" if roll[row] > 0 else "left"
        margin = 1.0
        sentence = f"stayed up; leaned most, {lean:.1f}° to the {side}, {_place(time_s[row], station[row])}"
    return CriterionResult(
        criterion.name,
        criterion.kind,
        margin > 0,
        margin,
        "1",
        float(time_s[row]),
        float(station[row]),
        sentence,
    )


def _ridden(run: Run, from_s: float) -> NDArray[np.bool_]:
    """Rows of the ride from so long after the support's release."""
    running = _running(run)
    free = running & (run.signals.get("truth.support", np.full(len(running), np.nan)) == 0)
    _column(run, "truth.support", running)
    if not free.any():
        raise _NotJudged("the support never let go")
    rows: NDArray[np.bool_] = running & (run.time_s >= run.time_s[int(np.argmax(free))] + from_s)
    if not rows.any():
        raise _NotJudged(f"the ride ended before {from_s:g} s after the support let go")
    return rows


def _holds(run: Run, criterion: Holds) -> CriterionResult:
    rows = _ridden(run, criterion.from_s)
    names = signals_of(criterion.formula)
    missing = [name for name in names if name not in run.signals]
    if missing:
        raise _NotJudged(f"the record has no {missing[0]}")
    period_s = float(np.diff(run.tick[rows][:2])[0]) / 1000 if rows.sum() > 1 else 1e-3
    closest = Monitor({name: run.signals[name][rows] for name in names}, period_s).closest(criterion.formula)
    time_s = float(run.time_s[rows][closest.row])
    station = float(_column(run, "line.station_m", rows)[closest.row])
    c, unit = closest.comparison, "1"
    if c is None:
        words = "the ride was over before what it asks about could come"
    else:
        unit = SIGNALS[INDEX[c.signal]].unit
        value = float(run.signals[c.signal][rows][closest.row])
        shown = "" if unit == "1" else f" {unit}"
        limit = f"{'at least' if c.relation == 'at_least' else 'at most'} {c.limit:g}{shown}"
        subject = f"the size of {c.signal}" if c.size else c.signal
        words = f"{subject} was {_text(value)}{shown} ({limit}) {_place(time_s, station)}"
        if math.isnan(closest.margin):
            raise _NotJudged(f"{c.signal} is not a number {time_s:.1f} s into the ride")
    passed = closest.margin >= 0.0
    return CriterionResult(
        criterion.name,
        criterion.kind,
        passed,
        closest.margin if math.isfinite(closest.margin) else None,
        unit,
        time_s,
        station,
        f"{'held' if passed else 'did not hold'}; what decided: {words}",
        None if c is None else c.limit,
    )


def _within(run: Run, criterion: DistanceFromLine | SpeedError) -> CriterionResult:
    rows = _ridden(run, criterion.from_s)
    station = _column(run, "line.station_m", rows)
    time_s = run.time_s[rows]
    if isinstance(criterion, DistanceFromLine):
        value = np.abs(_column(run, "line.offset_m", rows))
        limit, unit, shown, scale, digits = criterion.limit_m, "m", "m", 1.0, 2
    else:
        value = np.abs(_column(run, "truth.speed_m_s", rows) - _column(run, "line.target_speed_m_s", rows))
        limit, unit, shown, scale, digits = criterion.limit_m_s, "m/s", "km/h", 3.6, 1
    row = int(np.argmax(value))
    worst = float(value[row])
    passed = worst <= limit
    what = "the line" if isinstance(criterion, DistanceFromLine) else "the target speed"
    limit_text = f"limit {limit * scale:.{digits}f} {shown}"
    worst_text = f"{worst * scale:.{digits}f} {shown}"
    worst_place = _place(float(time_s[row]), float(station[row]))
    if passed:
        sentence = f"stayed within {worst_text} of {what} ({limit_text}), closest to the limit {worst_place}"
    else:
        first = int(np.argmax(value > limit))
        sentence = (
            f"was up to {worst_text} off {what} ({limit_text}), worst {worst_place}; "
            f"beyond the limit first {_place(float(time_s[first]), float(station[first]))}"
        )
    return CriterionResult(
        criterion.name,
        criterion.kind,
        passed,
        limit - worst,
        unit,
        float(time_s[row]),
        float(station[row]),
        sentence,
        limit,
    )


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
    """The verdict in a parsed ``verdict.json``. ``where`` names it in errors. Raises RecordError."""
    result = document.get("result")
    reasons, criteria = document.get("reasons"), document.get("criteria")
    if not _is_result(result):
        raise RecordError(f"{where}: result: expected one of {', '.join(get_args(Result))}, found {result!r}")
    if not isinstance(reasons, list) or not all(isinstance(r, str) for r in reasons):
        raise RecordError(f"{where}: reasons: expected a list of sentences")
    if not isinstance(criteria, list):
        raise RecordError(f"{where}: criteria: expected a list")
    laps, place = document.get("laps"), document.get("place")
    return Verdict(
        result,
        list(reasons),
        [_criterion_from(c, f"{where}: criteria.{i}") for i, c in enumerate(criteria)],
        None if laps is None else laps_from(laps, f"{where}: laps"),
        None if place is None else place_from(place, f"{where}: place"),
    )


def _is_result(value: object) -> TypeGuard[Result]:
    return value in get_args(Result)


_TYPES: dict[str, tuple[type, ...]] = {
    "str": (str,),
    "bool": (bool,),
    "float | None": (int, float, type(None)),
}


def _criterion_from(item: object, where: str) -> CriterionResult:
    if not isinstance(item, Mapping):
        raise RecordError(f"{where}: expected an object")
    values: dict[str, Any] = {}
    for f in fields(CriterionResult):
        value = item.get(f.name)
        wanted = _TYPES[str(f.type)]
        if (f.name not in item and f.name != "limit") or not isinstance(value, wanted):
            raise RecordError(f"{where}.{f.name}: expected {f.type}, found {value!r}")
        values[f.name] = value
    return CriterionResult(**values)
