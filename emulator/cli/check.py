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
        typer.Argument(help="scenario, rig, vehicle or circuit files; what they name is checked too"),
    ],
    rig: Annotated[
        Path | None,
        typer.Option("--rig", help="rig that the scenarios are to be ridden on: all that a run would refuse"),
    ] = None,
    virtual: Annotated[
        bool,
        typer.Option("--virtual", help="with --rig: all that a run with --virtual would refuse"),
    ] = False,
    settings: Settings = None,
) -> None:
    """Check files without starting anything: every problem at once, each with file:line:column.

    With --rig, scenarios are checked by what a run on that rig begins with, so both refuse the same in the
    same words. What files can't tell is named: devices, ports, what the host permits.

    Of a rig whose bus has a known bit rate it also prints what the bus has to carry, how long each frame may
    take at worst, and how far from its latency each output arrives.

    Exit status 0 if all is well (warnings are shown), 3 if anything is wrong.
    """
    from emulator.assembly.check import check as check_files
    from emulator.assembly.check import check_on_rig
    from emulator.report.bus_tables import bus_load_tables

    if virtual and rig is None:
        raise typer.BadParameter("--virtual: expected --rig beside it: files by themselves are not ridden")
    console = console_of_stdout()
    given = parameter_values(settings)
    found = check_files(files, given) if rig is None else check_on_rig(files, rig, given, virtual=virtual)
    wrong = 0
    for checked in found:
        for problem in checked.problems:
            console.print(str(problem), style="red", markup=False)
        for warning in checked.warnings:
            console.print(f"{warning} (warning)", style="yellow", markup=False)
        wrong += len(checked.problems)
        if checked.budget is not None:
            console.print(bus_load_tables(checked.budget))
        if not checked.problems:
            console.print(f"{checked.path}: {checked.kind}, no problems", markup=False)
        for left in checked.unchecked:
            console.print(f"  not checked here: {left}", markup=False)
    raise typer.Exit(WRONG_INPUT if wrong else 0)
