"""``emulator replay``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.progress import Progress, SpinnerColumn, TextColumn

from emulator.cli.output import console_of_stdout
from emulator.cli.written_file import check_vacant


def replay(
    run_folder: Annotated[Path, typer.Argument(metavar="RUN", help="run folder, as `emulator run` wrote it")],
    rig: Annotated[
        Path | None, typer.Option("--rig", help="another rig file than it was ridden with")
    ] = None,
    scenario: Annotated[Path | None, typer.Option("--scenario", help="another scenario file")] = None,
    vehicle: Annotated[
        Path | None, typer.Option("--vehicle", help="another vehicle file than the rig names")
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="run folder for the replay's own record and report")
    ] = None,
) -> None:
    """Send a recorded session's frames and commands through the plant again and compare, bit for bit.

    Nothing is connected and no robot rides: all that reached the plant comes from the record, from before
    arming on, also of a record that was cut short. With another rig, scenario or vehicle it shows what that
    model would have done with those commands, which do not answer it: another bike soon goes elsewhere.
    Exit status 0 if all agrees (or other files were asked for), 1 if anything differs, 3 if it can't be
    replayed.
    """
    from emulator.inspection.replay.replayed_run import replay as replay_run
    from emulator.inspection.replay.words import difference_table, summary
    from emulator.stages.precompile import compiling_first

    if out is not None:
        check_vacant(out)
    console = console_of_stdout()
    if first := compiling_first(virtual=False):
        console.print(first, markup=False)
    with Progress(
        SpinnerColumn(), TextColumn("{task.description}"), console=console, transient=True,
        disable=not console.is_terminal,
    ) as bar:  # fmt: skip
        task = bar.add_task("replaying what came before the ride", total=None)
        result = replay_run(
            run_folder,
            rig=rig,
            scenario=scenario,
            vehicle=vehicle,
            out=out,
            progress=lambda time_s: bar.update(task, description=f"replaying {time_s:6.1f} s"),
        )
    for note in result.notes:
        console.print(f"note: {note}", style="yellow", markup=False)
    console.print(summary(result), style="bold", markup=False)
    if result.differences:
        console.print(difference_table(result))
    if out is not None:
        console.print(f"record and report of the replay: {out / 'report.html'}", markup=False)
    raise typer.Exit(1 if result.differences and not result.other_files else 0)
