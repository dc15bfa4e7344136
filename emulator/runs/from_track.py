"""Logs of the track as a record like any run's: read, brought together, written, judged, reported."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray
from pyarrow import csv

from emulator.assembly.provenance import copies, copy_places
from emulator.assembly.session import drawn
from emulator.config.scenario import schema
from emulator.config.scenario.course import Course
from emulator.config.scenario.schema import Scenario, load_course, load_scenario
from emulator.config.track.map_file import TrackMap, load_map, named_path
from emulator.config.yaml_source import Source
from emulator.core.compiled import jit
from emulator.core.errors import RunFailed
from emulator.core.signals import RUNNING, STANDBY
from emulator.record.lap_times import lap_times
from emulator.record.reader import Event, Frames, Run
from emulator.record.writer import SIGNAL_NAMES, RunWriter, jsonable, write_whole
from emulator.report.run_report import REPORT_FILE, report_html
from emulator.road.line import Line, continue_station, curvature_at, locate
from emulator.track.filled_folder import filled
from emulator.track.into.log_import import Brought, bring_together, wanted_of
from emulator.track.into.marks import Mark
from emulator.track.logs.log import Log, LogError
from emulator.track.logs.opening import read_log
from emulator.track.on_disk import Columns, Shelf
from emulator.verdict.judge import Verdict, write_verdict
from emulator.verdict.junit import write_junit
from emulator.verdict.on_track import judge_log
from emulator.wire.geodesy import Origin

MARKS_FILE = "marks.csv"
_ROWS_AT_ONCE = 50_000
_MOST_EVENTS = 500
_NEAR_m = 100.0


class TrackRecord(NamedTuple):
    """What was made of a log: its record's folder, what came of it, the verdict if anything was asked."""

    folder: Path
    brought: Brought
    verdict: Verdict | None


@dataclass(frozen=True)
class _Asked:
    """A map with what it names."""

    map: TrackMap
    source: Source
    scenario: Scenario | None
    course: Course | None
    origin: Origin | None
    paths: dict[str, str]
    dbc: Path | None


def import_track(logs: Sequence[Path], map_file: Path, folder: Path) -> TrackRecord:
    """Make a record of logs; the folder is made. What is broken off leaves nothing behind.

    Raises ConfigError for the map and what it names, LogError for the logs, StartFailed for the folder,
    RunFailed where the disk refuses on the way.
    """
    asked = _asked(map_file)
    try:
        with filled(folder):  # known before minutes are spent
            return _imported(logs, asked, folder)
    except RunFailed as error:  # of a writer that is used to rides, whose records stay
        raise RunFailed(
            error.what,
            advice="free the disk or restore the folder, then import again; nothing of it was kept",
        ) from error


def _imported(logs: Sequence[Path], asked: _Asked, folder: Path) -> TrackRecord:
    shelf = Shelf(folder)
    read = _read(logs, asked, shelf)
    brought = bring_together(read, asked.map, asked.origin, shelf)
    read.clear()
    columns = _with_the_line(brought, asked.course)
    manifest: dict[str, Any] = jsonable(_manifest(logs, asked, brought))
    events = _events(brought)
    run = Run(folder, manifest, brought.tick, brought.tick * 10**6, columns, _NO_FRAMES, events)
    _write(run, asked, brought)
    verdict = None
    if asked.scenario is not None:
        ends = () if asked.course is None else asked.course.sector_ends_m
        verdict = judge_log(run, asked.scenario.criteria, ends)
        if "line.station_m" in columns:
            verdict = replace(verdict, laps=lap_times(run, ends))
        write_verdict(folder, verdict)
        write_junit(folder, verdict, manifest)
        run = replace(run, verdict=asdict(verdict))
    write_whole(folder / REPORT_FILE, report_html(run))
    return TrackRecord(folder, brought, verdict)


def _asked(map_file: Path) -> _Asked:
    asked, source = load_map(map_file)
    paths = {"map": source.path, **{f"map base {k}": path for k, path in enumerate(source.bases, 1)}}
    dbc = None if asked.dbc is None else named_path(source, asked.dbc)
    if dbc is not None:
        paths["dbc"] = str(dbc)
    if asked.scenario is None:
        origin = None if asked.origin is None else _on_earth(asked.origin)
        return _Asked(asked, source, None, None, origin, paths, dbc)
    scenario, scenario_source = load_scenario(named_path(source, asked.scenario))
    course, circuit = load_course(scenario, scenario_source)
    chains = {"scenario": (scenario_source.path, *scenario_source.bases)}
    if circuit is not None:
        chains["circuit"] = (circuit.path, *circuit.bases)
    for name, chain in chains.items():
        paths |= {name if k == 0 else f"{name} base {k}": path for k, path in enumerate(chain)}
    return _Asked(asked, source, scenario, course, _on_earth(scenario.origin), paths, dbc)


def _on_earth(where: schema.Origin) -> Origin:
    return Origin(np.deg2rad(where.latitude_deg), np.deg2rad(where.longitude_deg), where.height_m)


def _read(logs: Sequence[Path], asked: _Asked, shelf: Shelf) -> list[Log]:
    wanted = wanted_of(asked.map)
    time, form = asked.map.time, asked.map.csv
    return [read_log(path, wanted, time=time, form=form, dbc=asked.dbc, shelf=shelf) for path in logs]


# -- columns ---------------------------------------------------------------------------------------------


def _with_the_line(brought: Brought, course: Course | None) -> Columns:
    """The columns with the bench's and the line's, in the order of every record.

    A ride is from where its place is first known to where it is last known: receivers begin after loggers do.
    """
    columns, n = brought.columns, len(brought.tick)
    state = np.full(n, float(RUNNING))
    if "truth.x_m" in columns and (known := np.isfinite(columns["truth.x_m"])).any():
        state[: int(np.argmax(known))] = state[n - int(np.argmax(known[::-1])) :] = STANDBY
    columns["bench.state"] = state
    columns["bench.events_active"] = np.zeros(n)
    columns["truth.support"] = columns["bench.events_active"]
    if course is not None and "truth.x_m" in columns:
        beside = np.empty((3, n))
        _along(course.line, np.array(columns["truth.x_m"]), np.array(columns["truth.y_m"]), beside)
        _near(beside[1])
        columns.update(zip(("line.station_m", "line.offset_m", "line.curvature_1_m"), beside, strict=True))
    return columns.in_order(SIGNAL_NAMES)


def _near(offset_m: NDArray[np.float64]) -> None:
    """Raises LogError where the places (n,) [m] beside the line never come near it."""
    known = np.abs(offset_m[np.isfinite(offset_m)])
    if len(known) and (least := float(known.min())) > _NEAR_m:
        far = f"{least:,.0f} m" if least < 1e4 else f"{least / 1e3:,.0f} km"
        raise LogError(
            f"the log's places never come nearer to the scenario's line than {far}",
            advice="see latitude and longitude with their signs, and the scenario's origin and circuit",
        )


@jit
def _along(line: Line, x: NDArray[np.float64], y: NDArray[np.float64], beside: NDArray[np.float64]) -> None:
    """Where places x, y (n,) lie beside a line.

    beside  (3, n)  out: station, counted on over laps [m], offset [m], curvature [1/m]; NaN without a place
    """
    before, at = np.nan, np.nan
    for k in range(len(x)):
        if not (np.isfinite(x[k]) and np.isfinite(y[k])):
            at = np.nan  # it may be anywhere when it is seen again
            beside[:, k] = np.nan
            continue
        station, offset, _ = locate(line, x[k], y[k], at)
        at = station
        before = station if np.isnan(before) else continue_station(line, station, before)
        beside[0, k] = before
        beside[1, k] = offset
        beside[2, k] = curvature_at(line, station)


# -- the folder ------------------------------------------------------------------------------------------

_NO_FRAMES = Frames(
    tick=np.empty(0, np.int64),
    time_ns=np.empty(0, np.int64),
    valid_ns=np.empty(0, np.int64),
    direction=np.empty(0, np.uint8),
    can_id=np.empty(0, np.int64),
    length=np.empty(0, np.uint8),
    data=np.empty((0, 64), np.uint8),
    arrival_ns=np.empty(0, np.int64),
)


def _write(run: Run, asked: _Asked, brought: Brought) -> None:
    kept = copies({name: _hash(Path(path)) for name, path in asked.paths.items()}, asked.paths)
    names = list(run.signals)
    with RunWriter(run.folder, run.manifest, kept, names=names) as writer:
        for first in range(0, len(run.tick), _ROWS_AT_ONCE):
            rows = slice(first, first + _ROWS_AT_ONCE)
            writer.append_signals(run.tick[rows], np.array([run.signals[n][rows] for n in names]).T)
        for event in run.events:
            writer.append_event(event.tick, event.kind, event.name, event.text)
    table = pa.Table.from_pylist([mark._asdict() for mark in brought.marks], schema=_MARK_SCHEMA)
    csv.write_csv(table, run.folder / MARKS_FILE)


_MARK_SCHEMA = pa.schema(
    [
        ("signal", pa.string()),
        ("kind", pa.string()),
        ("from_s", pa.float64()),
        ("to_s", pa.float64()),
        ("samples", pa.int64()),
        ("value", pa.float64()),
    ]
)


def _events(brought: Brought) -> list[Event]:
    """Gaps of half a second and more as events, and what was left out of each signal as one."""
    events = [
        Event(0, 0.0, "left_out", signal, f"{signal}: {count:,} samples are {kind}; {MARKS_FILE} has them")
        for (signal, kind), count in _left_out(brought.marks).items()
    ]
    gaps = [mark for mark in brought.marks if mark.kind == "gap" and mark.to_s - mark.from_s >= 0.5]
    for mark in gaps[:_MOST_EVENTS]:
        tick = int(mark.from_s * 1e3)
        text = f"{mark.signal}: no samples for {mark.to_s - mark.from_s:.2f} s"
        events.append(Event(tick, tick / 1e3, "gap", mark.signal, text))
    return sorted(events, key=lambda event: event.tick)


def _left_out(marks: Sequence[Mark]) -> dict[tuple[str, str], int]:
    called = {"outlier": "outliers", "no_number": "no numbers", "time_back": "back in time"}
    counts: dict[tuple[str, str], int] = {}
    for mark in marks:
        if mark.kind in called:
            key = (mark.signal, called[mark.kind])
            counts[key] = counts.get(key, 0) + mark.samples
    return counts


def _manifest(logs: Sequence[Path], asked: _Asked, brought: Brought) -> dict[str, Any]:
    scenario = asked.scenario
    started = brought.started_epoch_s
    return {
        "format": 1,
        "stage": "track",
        "rig": {"name": asked.map.name},
        **({} if scenario is None else {"scenario": scenario.model_dump(mode="json")}),
        "files": {
            **{name: _hash(Path(path)) for name, path in asked.paths.items()},
            **{f"log {k}": _hash(path) for k, path in enumerate(logs, 1)},
        },
        "copies": copy_places(asked.paths),
        "given": {**{f"log {k}": str(path) for k, path in enumerate(logs, 1)}, "map": asked.source.path},
        "versions": {"emulator": metadata.version("emulator"), "numpy": metadata.version("numpy")},
        **({} if started is None else {"started_utc": datetime.fromtimestamp(started, UTC).isoformat()}),
        **({} if asked.course is None else {"line": drawn(asked.course.line)}),
        "track": {**_found(brought), **_told(asked.map)},
    }


_KEPT = ("conditions", "inertial_unit", "antenna", "origin")


def _told(asked: TrackMap) -> dict[str, Any]:
    """What the map says of the day and the devices."""
    return {key: asked.model_dump(mode="json")[key] for key in _KEPT}


def _found(brought: Brought) -> Mapping[str, Any]:
    """What the import found out, for the manifest."""
    mounting = brought.mounting
    return {
        "zero_s": brought.zero_s,
        "step_ms": brought.step_ms,
        "channels": brought.channels,
        "stand_ins": brought.stand_ins,
        "clocks": {name: fit._asdict() for name, fit in brought.clocks.items()},
        "mounting": None if mounting is None else mounting._asdict(),
        "agreements": [one._asdict() for one in brought.agreements],
        "remarks": brought.remarks,
    }


def _hash(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
