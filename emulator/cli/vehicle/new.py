"""``emulator vehicle new``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from emulator.cli.output import console_of_stdout
from emulator.cli.written_file import check_written


def new(
    sheet: Annotated[Path, typer.Argument(metavar="SHEET", help="data sheet file")],
    out: Annotated[
        Path | None, typer.Option("--out", help="vehicle file to write [default: NAME-vehicle.yaml, here]")
    ] = None,
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="replace the vehicle file if it is there")
    ] = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="print nothing")] = False,
) -> None:
    """Make a vehicle file from a data sheet's numbers: wheelbase, trail, mass, tyres, power, gears.

    What the sheet leaves out has a default; comments in the file tell which, and how it is measured. Numbers
    of no motorcycle are refused at their place. Exit status 0, or 3 if there is no vehicle.
    """
    from emulator.record.writer import write_whole
    from emulator.survey.own_vehicle.left_out import CAUTION
    from emulator.survey.own_vehicle.vehicle_file import new_vehicle

    path = out or Path(f"{sheet.stem}-vehicle.yaml")
    check_written(path, overwrite=overwrite)
    made = new_vehicle(sheet)
    write_whole(path, made.text)
    if quiet:
        return
    console = console_of_stdout()
    for warning in made.file.warnings:
        console.print(f"{warning.key}: {warning.expected} (warning)", style="yellow", markup=False)
    if made.left_out:
        console.print(f"not in the sheet, a default each: {', '.join(made.left_out)}", markup=False)
        console.print(f"Caution: {CAUTION}", markup=False)
    console.print(f"vehicle: {path}", markup=False)
