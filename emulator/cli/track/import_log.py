"""``emulator track import``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from emulator.cli.output import EXIT_STATUS, console_of_stdout
from emulator.cli.written_file import check_vacant

if TYPE_CHECKING:
    from emulator.runs.from_track import TrackRecord


def import_log(
    logs: Annotated[list[Path], typer.Argument(metavar="LOG", help="logs of one ride")],
    map_file: Annotated[Path, typer.Option("--map", metavar="FILE", help="what their channels are")],
    out: Annotated[
        Path | None, typer.Option("--out", help="run folder to write [default: runs/track-NAME of the log]")
    ] = None,
    quiet: Annotated[bool, typer.Option("--quiet", help="print the folder and nothing else")] = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="print what was found as JSON, and nothing else")
    ] = False,
) -> None:
    """Make a record of logs of the track: MDF, Parquet, CSV, NMEA, and bus logs with a DBC.

    A map says which channel is which signal, in which unit, with which sign, by which clock. Clocks are
    brought together and the mounting of the inertial unit is found, each with its uncertainty. Gaps and
    outliers are marked and never filled. The record is judged by the scenario that the map names, and has a
    report as any run's. Exit status as of a run; 0 where nothing is asked of it.
    """
    from emulator.report.terminal import console_summary
    from emulator.runs.from_track import import_track

    if quiet and as_json:
        raise typer.BadParameter("--json: expected either --quiet or --json, got both")
    folder = out or Path("runs") / f"track-{logs[0].stem}"
    check_vacant(folder)
    record = import_track(logs, map_file, folder)
    console = console_of_stdout()
    if as_json:
        console.print(json.dumps(_as_dict(record), indent=1, ensure_ascii=False), markup=False)
    elif quiet:
        console.print(str(folder), markup=False)
    else:
        _tell(record, console)
        if record.verdict is not None:
            console.print(console_summary(folder))
        console.print(f"record and report: {folder}", markup=False)
    raise typer.Exit(0 if record.verdict is None else EXIT_STATUS[record.verdict.result])


def _tell(record: TrackRecord, console: Any) -> None:
    from emulator.report.terminal_table import terminal_table

    brought = record.brought
    rows = [
        (
            c["signal"],
            c["channel"],
            f"{c['samples']:,}",
            f"{1.0 / c['step_s']:.4g}" if c["step_s"] else "–",
            ", ".join(f"{count:,} {kind}" for kind, count in c["marked"].items() if count) or "–",
        )
        for c in brought.channels
    ]
    console.print(terminal_table("Channels", ("signal", "channel", "samples", "Hz", "marked"), rows))
    for name, fit in brought.clocks.items():
        console.print(
            f"clock {name}: its first sample comes {fit.offset_s:+.4f} s after the main one's, known to "
            f"{fit.offset_95_s:.4f} s; drift {fit.drift_ppm:+.1f} ppm, known to {fit.drift_95_ppm:.1f} ppm "
            "(95 %)",
            markup=False,
        )
    if brought.mounting is not None:
        names = ("roll", "pitch", "yaw")
        told = ", ".join(
            f"{name} {angle:+.2f}° known to {half:.2f}°"
            for name, angle, half in zip(
                names, brought.mounting.angles_deg, brought.mounting.half_deg, strict=True
            )
        )
        console.print(f"inertial unit: {told} (95 %)", markup=False)
    for one in brought.agreements:
        console.print(f"{one.signal} beside {one.beside}: {one.words}", markup=False)
    for ours, source in brought.stand_ins.items():
        console.print(f"{ours} is {source}", markup=False)
    for remark in brought.remarks:
        console.print(f"note: {remark}", style="yellow", markup=False)


def _as_dict(record: TrackRecord) -> dict[str, Any]:
    from emulator.record.documents import read_manifest

    result = None if record.verdict is None else record.verdict.result
    return {"folder": str(record.folder), "result": result, **read_manifest(record.folder)["track"]}
