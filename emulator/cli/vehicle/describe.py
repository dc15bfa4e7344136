"""``emulator vehicle describe``."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Annotated

import typer

from emulator.cli.output import console_of_stdout


def describe(
    file: Annotated[
        Path,
        typer.Argument(metavar="FILE", help="vehicle file; or rig file: its vehicle with its robot on it"),
    ],
    rig: Annotated[
        Path | None,
        typer.Option("--rig", help="rig whose robot is on it [default: the one beside it that names it]"),
    ] = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="the figures as JSON, with their ranges, and nothing else")
    ] = False,
    quiet: Annotated[
        bool, typer.Option("--quiet", help="nothing but what lies outside its usual range, in a line")
    ] = False,
) -> None:
    """Describe a vehicle by the figures people know, each beside its usual range.

    Geometry, masses, inertias, power and top speed, gears, wheelie and stoppie, coast-down, steering torque
    of steady turns, tyres: all worked out from the plant that is then ridden. Exit status 0, also where
    figures lie outside; 3 if a file is wrong.
    """
    from emulator.inspection.subject import subject_of
    from emulator.inspection.vehicle.figures import figures_of
    from emulator.inspection.vehicle.words import console_tables, summary, wrapped
    from emulator.stages.precompile import compiling_first

    if quiet and as_json:
        raise typer.BadParameter("--json: expected either --quiet or --json, got both")
    console = console_of_stdout()
    try:
        subject = subject_of(file, rig)
    except ValueError as error:
        raise typer.BadParameter(str(error)) from error
    if not (quiet or as_json) and (first := compiling_first(virtual=True)):
        console.print(first, markup=False)
    found = figures_of(subject, str(file))
    if as_json:
        sys.stdout.write(json.dumps(found.as_object(), indent=1, ensure_ascii=False, allow_nan=False) + "\n")
        return
    if not quiet:
        console.print(found.subject, style="bold", markup=False)
        for note in found.notes:
            console.print(wrapped(note), markup=False)
        console.print(console_tables(found))
    console.print(summary(found) if quiet else wrapped(summary(found)), markup=False)
