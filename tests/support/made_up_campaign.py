"""Campaigns that nobody rode: rows by the store's schema, drawn from distributions that the test knows.

Of a scenario under a disturbance the thinnest margin is normal over seeds, in percent of its limit; below
zero the run fails. So what a comparison has to find, and how often it may be wrong, is known.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from emulator.campaign.comparison.ridden import Ridden, rows_of
from emulator.campaign.store.folder import CAMPAIGN_FILE, CASES_FILE, PLAN_FILE, RESULTS_FOLDER
from emulator.campaign.store.schema import CASE_SCHEMA, SCHEMA
from emulator.record.writer import write_json

SCENARIOS = ("short bend", "lane change", "slalom", "braking")
DISTURBANCES = (None, ("dropout", "imu_rates"), ("offset", "gnss"), ("slow", "steering"))
EVENING = datetime(2027, 3, 4, 22, 0, tzinfo=UTC)
OUTCOME = (
    *("result", "as_expected", "expectation", "cause_kind", "cause", "whose", "fell", "ended"),
    *("thinnest", "thinnest_percent", "thinnest_at_s", "criteria", "signals_sha256"),
)
"""Columns that a ride decides."""

Row = dict[str, Any]


def centre(scenario: str, disturbance: str | None) -> float:
    """Mean margin of a group [%]: from 8 to 60, the same on every night."""
    digest = hashlib.sha256(f"{scenario} {disturbance}".encode()).digest()
    return 8.0 + 52.0 * digest[0] / 255.0


def made_up_rows(
    *,
    scenarios: Sequence[str] = SCENARIOS,
    disturbances: Sequence[tuple[str, str] | None] = DISTURBANCES,
    seeds: int = 8,
    draw: int = 1,
    spread: float = 5.0,
    shift: Mapping[str, float] | float = 0.0,
    common: float = 0.8,
    began: datetime = EVENING,
    robot: str = "rider 1.0",
) -> list[Row]:
    """Rows of a night.

    draw    seed of what differs from night to night
    spread  of the thinnest margin over seeds [%]; ``common`` of its variance is the seed's own, every night
    shift   put onto every margin [%], or onto those of a scenario
    """
    fixed, drawn = np.random.default_rng(99), np.random.default_rng(draw)
    rows: list[Row] = []
    for scenario in scenarios:
        for disturbance in disturbances:
            for seed in range(seeds):
                own = np.sqrt(common) * fixed.normal() + np.sqrt(1.0 - common) * drawn.normal()
                by = shift if isinstance(shift, float) else shift.get(scenario, 0.0)
                name = " ".join(disturbance) if disturbance else None
                margin = centre(scenario, name) + spread * own + by
                began_now = began + timedelta(seconds=12 * len(rows))
                rows.append(
                    row(scenario, disturbance, seed, margin, len(rows), began=began_now, robot_version=robot)
                )
    return rows


def row(
    scenario: str,
    disturbance: tuple[str, str] | None,
    seed: int,
    margin: float | None,
    number: int,
    *,
    repeat: int = 0,
    began: datetime = EVENING,
    **changes: Any,
) -> Row:
    """One row; a margin [%] below zero fails. ``changes`` by column."""
    factors = {"disturbance": " ".join(disturbance or ("none",)), "scenario": scenario}
    failed = margin is not None and margin < 0
    place = json.dumps([scenario, factors, seed, repeat])
    criteria = [
        {"name": "lean", "kind": "lean", "met": True, "margin": 0.5, "limit": 0.9, "unit": "rad"}
        | {"percent": 55.6, "at_s": 7.0},
    ]
    if margin is not None:
        criteria.append(
            {"name": "line", "kind": "distance_from_line", "met": not failed, "margin": margin / 50.0}
            | {"limit": 2.0, "unit": "m", "percent": margin, "at_s": 4.5},
        )
    made: Row = {
        "number": number,
        "case_id": hashlib.sha256(place.encode()).hexdigest()[:16],
        "attempt": 1,
        "scenario": scenario,
        "scenario_file": f"../runs/{scenario.replace(' ', '_')}.yaml",
        "rig": "../rigs/loopback.yaml",
        "vehicle": None,
        "robot": "",
        "stage": "virtual",
        "seed": seed,
        "repeat": repeat,
        "parameters": "{}",
        "factors": json.dumps(factors),
        "disturbances": [_disturbed(*disturbance)] if disturbance else [],
        "requirements": [f"R-{scenario.replace(' ', '-')}", "R-all"],
        "result": "fail" if failed else "pass",
        "expected": "pass",
        "as_expected": not failed,
        "expectation": "not as expected: pass expected, got fail" if failed else "pass as expected",
        "cause_kind": "criterion distance_from_line" if failed else "",
        "cause": f"line: up to {2.0 - (margin or 0.0) / 50.0:.2f} m off the line at 4.5 s" if failed else "",
        "whose": "robot" if failed else "nobody",
        "fell": False,
        "ended": "complete",
        "ridden_s": 15.0,
        "distance_m": 300.0,
        "thinnest": None if margin is None else "line",
        "thinnest_percent": margin,
        "thinnest_at_s": None if margin is None else 4.5,
        "criteria": criteria,
        "signals_sha256": hashlib.sha256(f"{place} {margin}".encode()).hexdigest(),
        "frames_sha256": hashlib.sha256(f"{place} {margin} frames".encode()).hexdigest(),
        "tool": "0.1.0",
        "model": "0123456789abcdef",
        "robot_version": "rider 1.0",
        "rig_sha256": "a" * 64,
        "scenario_sha256": "b" * 64,
        "vehicle_sha256": "c" * 64,
        "kept": None,
        "cpu_setup_s": 0.02,
        "cpu_design_s": 0.0,
        "cpu_ride_s": 0.9,
        "cpu_judge_s": 0.02,
        "wall_s": 1.0,
        "processor": "made up",
        "worker": number % 2,
        "began": began,
    }
    unknown = changes.keys() - made.keys()
    assert not unknown, unknown
    return made | changes


def _disturbed(kind: str, signal: str) -> Row:
    return {"kind": kind, "signal": signal, "onset_s": 3.0, "size": None, "duration_s": 0.08}


def invalid(one: Row, cause: str, kind: str = "timing") -> Row:
    """The same run as one that does not count."""
    told = {"result": "invalid", "as_expected": None, "cause_kind": kind, "cause": cause, "whose": "bench"}
    return one | told | {"expectation": "not as expected: pass expected, got invalid"}


def error(one: Row, cause: str, kind: str = "worker lost") -> Row:
    """The same case as one that could not be ridden."""
    empty = dict.fromkeys(("expected", "fell", "ended", "ridden_s", "distance_m", "thinnest"))
    empty |= dict.fromkeys(("thinnest_percent", "thinnest_at_s", "signals_sha256", "frames_sha256"))
    told = {"result": "error", "as_expected": None, "cause_kind": kind, "cause": cause, "whose": "nobody"}
    return one | empty | told | {"criteria": [], "expectation": "could not be ridden", "requirements": []}


def fallen(one: Row) -> Row:
    """The same run ended by a fall, before any margin said so."""
    told = {"result": "fail", "as_expected": False, "cause_kind": "fallen", "cause": "fell at 5.1 s"}
    lost = {"whose": "robot", "fell": True, "ended": "fallen", "thinnest": None, "thinnest_percent": None}
    return one | told | lost | {"criteria": [], "expectation": "not as expected: pass expected, got fail"}


def table_of(rows: Iterable[Row]) -> pa.Table:
    """Rows as the store has them."""
    return pa.Table.from_pylist(list(rows), schema=SCHEMA)


def ridden(rows: Iterable[Row]) -> list[Ridden]:
    """Rows as comparison and pages read them."""
    return rows_of(table_of(rows))


def resampled(rows: Sequence[Row], rng: np.random.Generator) -> list[Row]:
    """The same cases with outcomes drawn, with replacement, from all of their scenario and disturbance."""
    groups: dict[str, list[int]] = {}
    for i, one in enumerate(rows):
        groups.setdefault(one["factors"], []).append(i)
    made = list(rows)
    for members in groups.values():
        for i, j in zip(members, rng.choice(members, len(members)), strict=True):
            made[i] = rows[i] | {key: rows[j][key] for key in OUTCOME}
    return made


def write_campaign(
    folder: Path, rows: Sequence[Row], *, not_ridden: Sequence[Row] = (), **about: Any
) -> Path:
    """A campaign's folder; ``not_ridden``: rows of cases that stand in the plan only."""
    (folder / RESULTS_FOLDER).mkdir(parents=True)
    pq.write_table(table_of(rows), folder / RESULTS_FOLDER / "000001.parquet")
    cases = [_case(one) for one in sorted((*rows, *not_ridden), key=lambda one: one["number"])]
    pq.write_table(pa.Table.from_pylist(cases, schema=CASE_SCHEMA), folder / CASES_FILE)
    (folder / PLAN_FILE).write_text("kind: campaign\n")
    state = "out_of_time" if not_ridden else "complete"
    write_json(folder / CAMPAIGN_FILE, {"format": 1, "plan": "gone.yaml", "state": state} | about)
    return folder


def _case(one: Row) -> Row:
    disturbed = "".join(f" · {d['kind']} {d['signal']} 80 ms at 3 s" for d in one["disturbances"])
    label = f"{one['scenario'].replace(' ', '_')}{disturbed} · seed {one['seed']}"
    repeat = f" · repeat {one['repeat']}" if one["repeat"] else ""
    return {name: one.get(name) for name in CASE_SCHEMA.names} | {
        **{"label": label + repeat, "turn": one["number"]},
        **dict.fromkeys(("scenario_overlay", "rig_overlay", "vehicle_overlay"), "{}"),
    }
