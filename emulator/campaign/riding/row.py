"""A case that was ridden, or could not be, as a row of the campaign's table."""

from __future__ import annotations

import hashlib
import json
import math
import os
from collections.abc import Iterable, Mapping
from functools import cache
from importlib import metadata
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from emulator.assembly.session import Session
from emulator.campaign.plan.case import Case
from emulator.campaign.riding.disturbances import disturbances
from emulator.campaign.store.schema import COUNTING, ERROR, Row
from emulator.core.keeping.code_key import code_key
from emulator.core.signals import RUNNING
from emulator.core.trip_reasons import TripReason
from emulator.criteria.base import CriterionResult
from emulator.plant.step import tick
from emulator.record.content_hash import frames_hash, signals_hash
from emulator.record.reader import Run
from emulator.verdict.expectation import unexpected
from emulator.verdict.judge import Verdict


class Judged(Protocol):
    """A run with its verdict, wherever its record lies."""

    @property
    def session(self) -> Session:
        """What it was ridden with."""

    @property
    def run(self) -> Run:
        """What was recorded."""

    @property
    def outcome(self) -> Mapping[str, Any]:
        """How it ended, as the verdict reads it."""

    @property
    def robot(self) -> Mapping[str, Any]:
        """Who rode: kind, name, version."""

    @property
    def verdict(self) -> Verdict:
        """What follows."""


def row_of_run(case: Case, judged: Judged, plan: Path) -> Row:
    """The row of a case that was ridden, without timings; plan: its file, which paths are relative to."""
    verdict, run, session = judged.verdict, judged.run, judged.session
    expected = session.scenario.expected
    as_expected = not unexpected(expected, verdict, run)
    counts = case.expectation_counts and (verdict.result in COUNTING or as_expected)
    kind, cause, whose = _cause(verdict, judged.outcome)
    criteria = [_criterion(c) for c in verdict.criteria]
    thinnest = min(
        (c for c in criteria if c["percent"] is not None), key=lambda c: float(c["percent"]), default=None
    )
    return {
        **_of_case(case, plan),
        "scenario": session.scenario.name,
        "requirements": list(session.scenario.requirements),
        "result": verdict.result,
        "expected": expected.result,
        "as_expected": as_expected if counts else None,
        "expectation": verdict.expectation,
        "cause_kind": kind,
        "cause": cause,
        "whose": whose,
        "fell": any(event.kind == "fall" for event in run.events),
        "ended": str(judged.outcome.get("ended")),
        "ridden_s": verdict.ridden_s,
        "distance_m": _distance_m(run),
        "thinnest": None if thinnest is None else thinnest["name"],
        "thinnest_percent": None if thinnest is None else thinnest["percent"],
        "thinnest_at_s": None if thinnest is None else thinnest["at_s"],
        "criteria": criteria,
        "signals_sha256": signals_hash(run),
        "frames_sha256": frames_hash(run),
        "robot_version": str(judged.robot.get("version", "")),
        **file_hashes(session),
    }


def row_of_error(case: Case, plan: Path, kind: str, text: str, whose: str = "nobody") -> Row:
    """The row of a case that could not be ridden or judged.

    plan   its file
    kind   in a word or two, for grouping
    whose  the robot's, the bench's, ... whose failing it was
    """
    return {
        **_of_case(case, plan),
        "scenario": case.scenario.stem,
        "requirements": [],
        "result": ERROR,
        "expectation": "could not be ridden",
        "cause_kind": kind,
        "cause": text,
        "whose": whose,
        "criteria": [],
    }


def case_columns(case: Case, plan: Path) -> Row:
    """What ``cases.parquet`` has of a case, without its turn."""
    return {
        **_what(case, plan),
        "label": case.label,
        "scenario_overlay": _json(case.scenario_overlay),
        "rig_overlay": _json(case.rig_overlay),
        "vehicle_overlay": _json(case.vehicle_overlay),
    }


def _of_case(case: Case, plan: Path) -> Row:
    return {**_what(case, plan), "attempt": 1, "tool": tool_version(), "model": model_key()}


def _what(case: Case, plan: Path) -> Row:
    return {
        "number": case.number,
        "case_id": case.id,
        "scenario_file": _from_plan(plan, case.scenario),
        "rig": _from_plan(plan, case.rig),
        "vehicle": None if case.vehicle is None else _from_plan(plan, case.vehicle),
        "robot": case.robot,
        "stage": case.stage,
        "seed": case.seed,
        "repeat": case.repeat,
        "parameters": _json(case.parameters),
        "factors": _json(case.factors),
        "drawn": _json(case.drawn) if case.drawn else None,
        "disturbances": disturbances(case.scenario_overlay),
    }


def _from_plan(plan: Path, file: Path) -> str:
    """A file's path from the plan's folder, the same on every machine that has the tree."""
    return Path(os.path.relpath(file, plan.parent)).as_posix()


def _json(values: Mapping[str, Any]) -> str:
    return json.dumps(dict(values), sort_keys=True, ensure_ascii=False)


@cache
def tool_version() -> str:
    """Version of this program."""
    return metadata.version("emulator")


@cache
def model_key() -> str:
    """Key (16 hex digits) of the plant's code."""
    return code_key(tick)[:16]


def file_hashes(session: Session) -> Row:
    """Hashes of the files a session was read from, each with those it is based on."""
    return {
        f"{kind}_sha256": joined_hashes(
            digest
            for name, digest in session.files.items()
            if name == kind or name.startswith(f"{kind} base ")
        )
        for kind in ("rig", "scenario", "vehicle")
    }


def joined_hashes(digests: Iterable[str]) -> str:
    """One hash of a file's and of those it is based on, the nearest first."""
    return hashlib.sha256("\n".join(digests).encode()).hexdigest()


def _criterion(result: CriterionResult) -> dict[str, Any]:
    return {
        "name": result.name,
        "kind": result.kind,
        "met": result.passed,
        "margin": _finite(result.margin),
        "limit": _finite(result.limit),
        "unit": result.unit,
        "percent": _finite(result.margin_percent),
        "at_s": _finite(result.worst_time_s),
    }


def _finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


def _cause(verdict: Verdict, outcome: Mapping[str, Any]) -> tuple[str, str, str]:
    """Kind of what began it, in a sentence, and whose it was; a criterion that was missed is the robot's."""
    if verdict.result == "pass":
        return "", "", "nobody"
    text = verdict.reasons[0] if verdict.reasons else ""
    first = next((cause for cause in verdict.causes if not cause.follows), None)
    missed = verdict.missed
    if first is None:
        kind = f"criterion {missed[0].kind}" if missed else verdict.result
        return kind, text, "robot" if verdict.result == "fail" else "unknown"
    whose = "nobody" if first.whose == "scenario" else first.whose
    if verdict.timing_missed:
        return "timing", text, whose
    ended = str(outcome.get("ended"))
    if ended == "tripped" and verdict.trip_code:
        return f"trip {TripReason(verdict.trip_code).name.lower()}", text, whose
    # what does not count is not told by how the ride ended, but by whose it was
    return (ended if verdict.result == "fail" else f"{verdict.result} {first.whose}"), text, whose


def _distance_m(run: Run) -> float:
    """Way along the line while running."""
    state, station = run.signals.get("bench.state"), run.signals.get("line.station_m")
    if state is None or station is None:
        return 0.0
    on_the_way = station[(state == RUNNING) & np.isfinite(station)]
    return float(on_the_way[-1] - on_the_way[0]) if len(on_the_way) else 0.0
