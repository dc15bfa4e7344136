"""``emulator interface``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from emulator.cli.output import CAUTION, console_of_stdout
from emulator.cli.settings import Settings, parameter_values
from emulator.cli.written_file import check_new_folder
from emulator.core.errors import ConfigError


def interface(
    rig: Annotated[Path, typer.Argument(metavar="RIG", help="rig file")],
    scenario: Annotated[
        Path | None,
        typer.Option("--scenario", help="scenario file: its line, start and origin go in, too"),
    ] = None,
    settings: Settings = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="folder to write to [default: NAME-interface, here]")
    ] = None,
) -> None:
    """Describe a rig's bench to the engineer who writes a robot's own software: page, Markdown and JSON.

    How to join the bus, start-up, every frame with its layout, period, protection and samples, axes and
    signs, gears, GNSS, trips and silence, worked out from rig, DBC and vehicle. Writes into the folder;
    files of these names are written anew. Exit status 0; 3 if a file is wrong.
    """
    from emulator.config.based_on import kind_of, load_with_bases
    from emulator.inspection.interface.derive import interface_of
    from emulator.inspection.interface.folder import write_interface
    from emulator.inspection.interface.page.content_frames import overview
    from emulator.report.terminal_table import terminal_table
    from emulator.stages.precompile import compiling_first

    console = console_of_stdout()
    values = parameter_values(settings)
    if values and scenario is None:
        raise typer.BadParameter("--set: expected --scenario beside it, whose parameters they are")
    folder = out or Path(f"{rig.stem}-interface")
    check_new_folder(folder)
    if kind_of(rig) == "scenario":
        text = "expected rig (a rig file), got 'scenario'; a scenario's place is behind --scenario"
        raise ConfigError([load_with_bases(rig).problem(("kind",), text)])
    if first := compiling_first(virtual=False):
        console.print(first, markup=False)
    described = interface_of(rig, scenario, values)
    for warning in described.warnings:
        console.print(f"warning: {warning}", style="yellow", markup=False)
    written = write_interface(described, folder)
    console.print(f"Interface of {described.interface.rig}", style="bold", markup=False)
    console.print(CAUTION, markup=False)
    console.print(terminal_table("Frames", *overview(described.interface)))
    for path in written:
        console.print(str(path), markup=False)
