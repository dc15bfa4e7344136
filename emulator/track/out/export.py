"""Writes a record's groups into a folder, and ``export.json`` with what each file holds."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Literal, NamedTuple, TypeAlias

from pyarrow import csv, parquet

from emulator.record.reader import Run
from emulator.record.writer import write_json, write_whole
from emulator.track.filled_folder import filled
from emulator.track.out.groups import Group, groups_of
from emulator.track.out.mdf import asammdf_module, write_mdf
from emulator.track.out.path import path_text
from emulator.track.out.tables import columns_table, events_table, write_csv, write_parquet

Form: TypeAlias = Literal["mdf", "parquet", "csv", "geojson"]
SUFFIX: dict[Form, str] = {"mdf": ".mf4", "parquet": ".parquet", "csv": ".csv", "geojson": ".geojson"}
CONTENTS_FILE = "export.json"


class ExportedFile(NamedTuple):
    """A file that was written: its rows, the usual step between them [s], whether that is kept throughout."""

    name: str
    words: str
    rows: int
    step_s: float | None = None
    even: bool = True


class ExportReport(NamedTuple):
    """What was written, and sentences on what was not."""

    folder: Path
    files: tuple[ExportedFile, ...]
    left_out: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """For programs."""
        return {
            "folder": str(self.folder),
            "files": [file._asdict() for file in self.files],
            "left_out": list(self.left_out),
        }


def export(run: Run, folder: Path, forms: Sequence[Form], path_every: int = 100) -> ExportReport:
    """Write a record in every form asked for; a folder that is there has to be empty.

    path_every  recorded places a point of the GeoJSON's line
    Raises StartFailed: the folder has files, or can't be made, or asammdf is missing; RecordError for a path
    that has no place on earth; RunFailed if the disk refuses. What is broken off leaves nothing behind.
    """
    if "mdf" in forms:
        asammdf_module()
    with filled(folder):
        return _written(run, folder, forms, path_every)


def _written(run: Run, folder: Path, forms: Sequence[Form], path_every: int) -> ExportReport:
    exported = groups_of(run)
    left_out = [*exported.left_out, *(f"what was cut off: {loss}" for loss in run.losses), *run.left_out]
    whole = [group for group in exported.groups if len(group.time_ns)]
    left_out += [f"{group.name}: it has no rows" for group in exported.groups if not len(group.time_ns)]
    write: dict[str, Callable[[Group, Path], None]] = {
        "parquet": write_parquet,
        "csv": write_csv,
        "mdf": lambda group, path: write_mdf(group, run.events, path),
    }
    files: list[ExportedFile] = []
    for form in dict.fromkeys(forms):
        if form == "geojson":
            write_whole(folder / "path.geojson", path_text(run, path_every))
            words = f"the path, a point every {path_every} recorded places, and events where they happened"
            files.append(ExportedFile("path.geojson", words, 1))
            continue
        for group in whole:
            name = f"{group.stem}{SUFFIX[form]}"
            write[form](group, folder / name)
            files.append(ExportedFile(name, group.words, len(group.time_ns), group.step_s, group.even))
        files += _beside(run, folder, form, [(f"{g.stem}{SUFFIX[form]}", g) for g in whole])
    if run.gnss:
        (folder / "gnss.nmea").write_bytes(run.gnss)
        files.append(ExportedFile("gnss.nmea", "the receiver's bytes as sent", run.gnss.count(b"\n")))
    report = ExportReport(folder, tuple(files), tuple(left_out))
    about = {"run": run.folder.name, "time": "seconds from the start of the ride", **report.as_dict()}
    write_json(folder / CONTENTS_FILE, {key: value for key, value in about.items() if key != "folder"})
    return report


def _beside(run: Run, folder: Path, form: Form, written: list[tuple[str, Group]]) -> list[ExportedFile]:
    """Events and units, where a form has no room for them in its files."""
    events = events_table(run.events)
    if form == "parquet":
        parquet.write_table(events, folder / "events.parquet")
        return [ExportedFile("events.parquet", "the event log", events.num_rows)]
    if form == "csv":
        csv.write_csv(events, folder / "events.csv")
        units = columns_table(written)
        csv.write_csv(units, folder / "columns.csv")
        return [
            ExportedFile("events.csv", "the event log", events.num_rows),
            ExportedFile("columns.csv", "unit and meaning of every column", units.num_rows),
        ]
    return []
