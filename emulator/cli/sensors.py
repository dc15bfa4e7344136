"""``emulator sensors``."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated

import typer
from rich.progress import Progress

from emulator.cli.output import FASTEST_km_h, console_of_stdout, progress_columns
from emulator.cli.written_file import check_folder

_MOST_LEAN = 65.0  # [deg] of a steady turn


def sensors(
    rig: Annotated[Path, typer.Argument(metavar="RIG", help="rig file")],
    measure: Annotated[
        bool,
        typer.Option("--measure", help="run the sensors and compare what comes out; needs no robot"),
    ] = False,
    seconds: Annotated[
        float,
        typer.Option("--seconds", min=20.0, max=36_000.0, help="length of the record at rest [s]"),
    ] = 200.0,
    turn: Annotated[
        str, typer.Option("--turn", metavar="SPEED:LEAN", help="the steady turn [km/h, deg to the right]")
    ] = "72:35",
    ride: Annotated[
        Path | None,
        typer.Option("--ride", metavar="RUN", help="run folder: how wrong the lean is on that ride, and why"),
    ] = None,
    seed: Annotated[int, typer.Option("--seed", min=0, help="of all random numbers")] = 0,
    out: Annotated[
        Path | None, typer.Option("--out", help="page to write [default: NAME-sensors.html, here]")
    ] = None,
) -> None:
    """Show what a rig's sensors are configured to do, and with --measure whether their output is that.

    Place, rate, latency, wire format, resolution and error budget of every output, worked out from the files
    alone, each with the condition it holds under. Measuring, the same compiled plant runs at rest, in a
    steady turn and swaying, on a stepped clock; what a receiver would decode is compared row by row. With
    --ride the lean sensor's errors follow from a recorded motion. Prints tables and writes one HTML page.
    Exit status 0, with --measure 1 if anything differs; 3 if there is nothing to show.
    """
    from emulator.inspection.sensors.page import console_tables, write_sensors
    from emulator.inspection.sensors.survey import NoSuchTurn, Plan, sensors_of
    from emulator.stages.precompile import compiling_first

    console = console_of_stdout()
    path = out or Path(f"{rig.stem}-sensors.html")
    check_folder(path)  # known before minutes are spent
    if measure and (first := compiling_first(virtual=False)):
        console.print(first, markup=False)
    try:
        speed, lean = _turn(turn)
    except ValueError as error:
        raise typer.BadParameter(f"--turn: {error}, got {turn!r}") from error
    try:
        plan = Plan(seconds=seconds, speed_m_s=speed, lean_rad=lean) if measure else None
        columns = progress_columns(console)
        with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as bar:
            task = bar.add_task("starting", total=1.0)
            page = sensors_of(
                rig,
                seed=seed,
                plan=plan,
                ride=ride,
                progress=lambda what, share: bar.update(task, completed=share, description=what),
            )
    except NoSuchTurn as error:
        raise typer.BadParameter(f"--turn: {error}, got {turn!r}") from error
    write_sensors(page, path)
    console.print(f"Sensors of {page.budget.rig}", style="bold", markup=False)
    console.print(console_tables(page))
    console.print(f"page: {path}", markup=False)
    raise typer.Exit(1 if page.differing else 0)


def _turn(text: str) -> tuple[float, float]:
    """Speed [m/s] and lean [rad] of SPEED:LEAN in km/h and degrees. Raises ValueError."""
    try:
        speed, lean = (float(part) for part in text.split(":"))
    except ValueError as error:
        raise ValueError("expected SPEED:LEAN, such as 72:35") from error
    if not (5.0 <= speed <= FASTEST_km_h and 1.0 <= abs(lean) <= _MOST_LEAN):
        raise ValueError(f"expected 5 to {FASTEST_km_h:g} km/h and 1 to {_MOST_LEAN:g} deg to a side")
    return speed / 3.6, math.radians(lean)
