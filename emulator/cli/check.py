"""``emulator check``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from emulator.cli.output import WRONG_INPUT, console_of_stdout
from emulator.cli.settings import Settings, parameter_values


def check(
    files: Annotated[
        list[Path],
        typer.Argument(help="rig, vehicle, scenario or circuit files; what they name is checked too"),
    ],
    settings: Settings = None,
) -> None:
    """Check files without starting anything: every problem at once, each with file:line:column.

    Of a rig whose bus has a known bit rate it also prints what the bus has to carry, how long each frame may
    take at worst, and how far from its latency each output arrives.

    Exit status 0 if all is well (warnings are shown), 3 if anything is wrong.
    """
    from emulator.assembly.check import check as check_files
    from emulator.report.bus_tables import bus_load_tables

    console = console_of_stdout()
    wrong = 0
    for checked in check_files(files, parameter_values(settings)):
        for problem in checked.problems:
            console.print(str(problem), style="red", markup=False)
        for warning in checked.warnings:
            console.print(f"{warning} (warning)", style="yellow", markup=False)
        wrong += len(checked.problems)
        if checked.budget is not None:
            console.print(bus_load_tables(checked.budget))
        if not checked.problems:
            console.print(f"{checked.path}: {checked.kind}, no problems", markup=False)
    raise typer.Exit(WRONG_INPUT if wrong else 0)
