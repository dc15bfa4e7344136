"""``emulator track surface``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from emulator.cli.output import console_of_stdout
from emulator.cli.written_file import check_written, one_line, own_name


def surface(
    record: Annotated[Path, typer.Argument(metavar="RECORD", help="run folder, of a log or of a run")],
    scenario: Annotated[Path, typer.Option("--scenario", help="scenario whose line was ridden")],
    rig: Annotated[Path, typer.Option("--rig", help="rig with the bike that rode: its tyres, fork and drag")],
    every_m: Annotated[
        float, typer.Option("--every-m", min=1.0, max=200.0, help="length of a stretch of grip")
    ] = 10.0,
    name: Annotated[
        str | None, typer.Option("--name", help="of the scenario made [default: the record's]")
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="scenario to write [default: NAME-surface.yaml, here]")
    ] = None,
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="replace the files if they are there")
    ] = False,
) -> None:
    """Tell what a record says of the road: grip used by station, slides, bumps.

    What was used is the least grip that the road had; where a tyre slid it is the grip itself. Bumps follow
    from the fork's travel and the body's movement, in the band that these see. Writes a scenario with that
    road, based on the one that was ridden, a table of the grip, and one HTML page. Exit status 0, or 3 if the
    record is of another line.
    """
    from emulator.record.reader import read_run
    from emulator.record.writer import write_together
    from emulator.survey.ridden_surface.surface import ridden_surface
    from emulator.survey.ridden_surface.surface_file import scenario_text, table_text
    from emulator.survey.ridden_surface.surface_page import console_tables, surface_html

    called = one_line(f"{own_name(record)} surface" if name is None else name)
    path = out or Path(f"{own_name(record)}-surface.yaml")
    table, page = path.with_suffix(".csv"), path.with_name(f"{path.stem}-page.html")
    check_written(path, table, page, overwrite=overwrite)
    found = ridden_surface(read_run(record), scenario, rig, every_m)
    write_together(
        {
            path: scenario_text(found, called, path),
            table: table_text(found),
            page: surface_html(found, called),
        }
    )
    console = console_of_stdout()
    console.print(console_tables(found, called))
    console.print(f"scenario: {path}", markup=False)
    console.print(f"table: {table}; page: {page}", markup=False)
