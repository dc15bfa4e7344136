"""``emulator export``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from emulator.cli.output import console_of_stdout
from emulator.cli.written_file import check_vacant

if TYPE_CHECKING:
    from emulator.track.out.export import Form

_FORMS: tuple[Form, ...] = ("mdf", "parquet", "csv", "geojson")
_HELP = f"{', '.join(_FORMS)}; may be repeated [default: parquet]"


def export(
    run_folder: Annotated[Path, typer.Argument(metavar="RUN", help="run folder, as `emulator run` wrote it")],
    to: Annotated[list[str] | None, typer.Option("--to", metavar="FORM", help=_HELP)] = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="folder to write, new or empty [default: RUN/export]")
    ] = None,
    path_every: Annotated[
        int, typer.Option("--path-every", min=1, help="recorded places a point of the GeoJSON's line")
    ] = 100,
    quiet: Annotated[bool, typer.Option("--quiet", help="print the folder and nothing else")] = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="print what was written as JSON, and nothing else")
    ] = False,
) -> None:
    """Write a record as files that other programs read: MDF 4, Parquet, CSV, and GeoJSON of the path.

    One file a time base: every recorded signal a row a tick, every frame of the bus and every note a row each
    time it came. Nothing is brought to another rate. Names are the record's, units stand beside them, events
    are markers of MDF and a file of their own elsewhere. mdf needs asammdf: pip install 'emulator[mdf]'.
    """
    from emulator.record.reader import read_run
    from emulator.report.terminal_table import terminal_table
    from emulator.track.out.export import export as write_export

    if quiet and as_json:
        raise typer.BadParameter("--json: expected either --quiet or --json, got both")
    for form in to or ():
        if form not in _FORMS:
            raise typer.BadParameter(f"--to: expected {', '.join(_FORMS)}, got {form}")
    run = read_run(run_folder)
    folder = out or run_folder / "export"
    check_vacant(folder)
    forms = [form for form in _FORMS if form in (to or ["parquet"])]
    report = write_export(run, folder, forms, path_every)
    console = console_of_stdout()
    if as_json:
        console.print(json.dumps(report.as_dict(), indent=1, ensure_ascii=False), markup=False)
        return
    if quiet:
        console.print(str(report.folder), markup=False)
        return
    rows = [(file.name, f"{file.rows:,}", _rate(file.step_s, file.even), file.words) for file in report.files]
    console.print(terminal_table(f"Written to {report.folder}", ("file", "rows", "rate", "holds"), rows))
    for sentence in report.left_out:
        console.print(f"left out: {sentence}", style="yellow", markup=False)


def _rate(step_s: float | None, even: bool) -> str:
    if not step_s:
        return "–"
    return f"{1.0 / step_s:.4g} Hz" if even else f"about {1.0 / step_s:.3g} Hz"
