"""Every sample and every instant come back from each form, by readers that are not ours."""

from __future__ import annotations

import errno
import json
import math
from dataclasses import replace
from pathlib import Path

import asammdf
import duckdb
import mf4_rs
import numpy as np
import pandas as pd
import polars as pl
import pyarrow.parquet as pq
import pytest

from emulator.core.errors import RecordError, RunFailed, StartFailed
from emulator.core.signals import SIGNALS
from emulator.record.reader import Run, read_run
from emulator.track.out import export as export_module
from emulator.track.out.export import ExportReport, export
from emulator.track.out.groups import Group, groups_of
from tests.support.command_line import emulator_command
from tests.support.stored_runs import unpack_runs

US = 1e-6


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Run:
    return read_run(unpack_runs(tmp_path_factory.mktemp("runs")) / "virtual")


@pytest.fixture(scope="module")
def groups(run: Run) -> tuple[Group, ...]:
    return groups_of(run).groups


@pytest.fixture(scope="module")
def written(run: Run, tmp_path_factory: pytest.TempPathFactory) -> ExportReport:
    return export(run, tmp_path_factory.mktemp("out") / "all", ("mdf", "parquet", "csv", "geojson"), 10)


def test_signals_and_frames_are_groups_with_their_own_rates(run: Run, groups: tuple[Group, ...]) -> None:
    by_name = {group.name: group for group in groups}
    assert [c.name for c in by_name["signals"].columns] == list(run.signals)
    assert by_name["signals"].step_s == 1e-3
    rates = {name: round(1 / group.step_s) for name, group in by_name.items() if group.step_s}
    assert len(set(rates.values())) > 3  # the rig sends at several
    frames = sum(len(g.time_ns) for g in groups if g.name.startswith("frame "))
    assert frames == len(run.frames.tick)


def test_parquet_is_the_record_to_the_bit(written: ExportReport, groups: tuple[Group, ...]) -> None:
    for group in groups:
        path = written.folder / f"{group.stem}.parquet"
        for table in (
            pd.read_parquet(path),
            pl.read_parquet(path),
            duckdb.sql(f"select * from '{path}'").df(),
        ):
            _same(group, {name: np.asarray(table[name]) for name in table.columns})
        schema = pq.read_schema(path)
        for column in group.columns:
            assert schema.field(column.name).metadata[b"unit"].decode() == column.unit


def test_csv_is_the_record_to_the_bit(written: ExportReport, groups: tuple[Group, ...]) -> None:
    for group in groups:
        path = written.folder / f"{group.stem}.csv"
        for table in (
            pd.read_csv(path),
            pl.read_csv(path),  # which looks at the first hundred rows, and refuses what is no such number
            duckdb.sql(f"select * from '{path}'").df(),
        ):
            columns = {name: np.asarray(table[name]).astype(float) for name in table.columns}
            _same(group, columns)
    units = pd.read_csv(written.folder / "columns.csv", keep_default_na=False)
    known = {s.name: (s.unit, s.meaning) for s in SIGNALS}
    for row in units[units.file == "signals.csv"].itertuples():
        assert (str(row.unit), row.meaning) == known[row.column]


def test_mdf_is_the_record_to_the_bit_with_units_and_markers(
    written: ExportReport, groups: tuple[Group, ...], run: Run
) -> None:
    for group in groups:
        with asammdf.MDF(written.folder / f"{group.stem}.mf4") as file:
            signals = {c.name: file.get(c.name) for c in group.columns}
            markers = [(e.value, e.name, e.comment) for e in file.events]
        for column in group.columns:
            assert signals[column.name].unit == column.unit
        columns = {name: s.samples for name, s in signals.items()}
        _same(group, {"time_s": next(iter(signals.values())).timestamps, **columns})
        assert [m[1] for m in markers] == [e.kind for e in run.events]
        np.testing.assert_allclose([m[0] for m in markers], [e.time_s for e in run.events], atol=US)
        assert all(e.text in m[2] for m, e in zip(markers, run.events, strict=True))


def test_an_independent_reader_finds_the_same_in_mdf(
    written: ExportReport, groups: tuple[Group, ...]
) -> None:
    for group in groups:
        file = mf4_rs.Mdf(str(written.folder / f"{group.stem}.mf4"))
        (found,) = file.groups
        assert found.record_count == len(group.time_ns)
        master = next(c for c in found.channels if c.name not in {c.name for c in group.columns})
        columns = {c.name: file.values(c.name) for c in group.columns}
        _same(group, {"time_s": file.values(master.name), **columns})


def _same(group: Group, columns: dict[str, np.ndarray]) -> None:
    assert list(columns) == ["time_s", *(c.name for c in group.columns)]
    np.testing.assert_allclose(columns["time_s"], group.time_ns / 1e9, rtol=0, atol=1e-9)
    for column in group.columns:
        np.testing.assert_array_equal(columns[column.name], column.values)


def test_what_was_written_is_told(written: ExportReport) -> None:
    told = json.loads((written.folder / "export.json").read_text())
    on_disk = {path.name for path in written.folder.iterdir()} - {"export.json"}
    assert {file["name"] for file in told["files"]} == on_disk
    signals = next(file for file in told["files"] if file["name"] == "signals.parquet")
    assert (signals["step_s"], signals["even"]) == (1e-3, True)


def test_the_path_lies_where_the_record_says(written: ExportReport, run: Run) -> None:
    document = json.loads((written.folder / "path.geojson").read_text())
    line, *events = document["features"]
    assert line["properties"]["recorded_places_a_point"] == 10
    origin = run.manifest["scenario"]["origin"]
    (lon0, lat0, _), (lon1, lat1, _) = (line["geometry"]["coordinates"][k] for k in (0, -1))
    # 6378 km and 6357 km: semi-axes of WGS 84 (NIMA TR8350.2), good to 1 % over the length of a straight
    north = math.radians(lat1 - lat0) * 6.37e6
    east = math.radians(lon1 - lon0) * 6.37e6 * math.cos(math.radians(origin["latitude_deg"]))
    last = len(run.tick[::10]) * 10 - 10
    ridden = [run.signals[f"truth.{a}_m"][last] - run.signals[f"truth.{a}_m"][0] for a in "xy"]
    assert math.hypot(east - ridden[0], north - ridden[1]) < 0.01 * math.hypot(*ridden) + 1e-3
    assert {e["properties"]["kind"] for e in events} <= {e.kind for e in run.events}
    assert events


def test_the_path_ends_where_places_are_missing(run: Run, tmp_path: Path) -> None:
    x = run.signals["truth.x_m"].copy()
    x[500:700] = np.nan
    holed = replace(run, signals={**run.signals, "truth.x_m": x})
    export(holed, tmp_path / "e", ("geojson",), 10)
    document = json.loads((tmp_path / "e" / "path.geojson").read_text())
    lines = [f["properties"] for f in document["features"] if f["geometry"]["type"] == "LineString"]
    assert len(lines) == 2
    assert lines[0]["to_s"] < run.time_s[500] <= run.time_s[699] < lines[1]["from_s"]


def test_a_record_without_origin_has_no_path(run: Run, tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="no place on earth"):
        export(replace(run, manifest={}), tmp_path / "e", ("geojson",))


def test_nothing_is_written_over(run: Run, tmp_path: Path) -> None:
    (tmp_path / "kept.txt").write_text("mine")
    with pytest.raises(StartFailed, match="already holds files"):
        export(run, tmp_path, ("parquet",))


@pytest.mark.parametrize("there", [False, True])
def test_what_is_broken_off_leaves_nothing_behind(
    there: bool, run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "deep" / "e"
    if there:
        folder.mkdir(parents=True)

    def refused_by(error: BaseException) -> None:
        def refuse(*_: object) -> None:
            assert (folder / "events.csv").exists()
            raise error

        monkeypatch.setattr(export_module, "write_json", refuse)

    refused_by(KeyboardInterrupt())
    with pytest.raises(KeyboardInterrupt):
        export(run, folder, ("csv",))
    assert list(tmp_path.rglob("*")) == ([folder.parent, folder] if there else [])
    refused_by(OSError(errno.ENOSPC, "Error writing bytes to file. Detail: [errno 28]"))  # as pyarrow's
    with pytest.raises(RunFailed, match=r"deep/e can't be written: No space left on device\n"):
        export(run, folder, ("csv",))
    assert list(tmp_path.rglob("*")) == ([folder.parent, folder] if there else [])


def test_the_command_writes_and_tells(run: Run, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = str(tmp_path / "e")
    assert emulator_command("export", str(run.folder), "--to", "csv", "--out", out, "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert {"signals.csv", "events.csv", "columns.csv"} <= {file["name"] for file in told["files"]}
    assert emulator_command("export", str(run.folder), "--to", "xls") == 3
    assert "expected mdf, parquet, csv, geojson" in capsys.readouterr().err
