"""``emulator modes``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from emulator.cli.output import FASTEST_km_h, console_of_stdout
from emulator.cli.written_file import check_folder

_MOST_LEAN = 80.0  # [deg] of emulator.vehicle.modes
_MOST_SPEEDS = 1000
_STEEPEST = 15.0  # [deg] of emulator/inspection/stability/late_steering.yaml


def modes(
    file: Annotated[
        Path,
        typer.Argument(metavar="FILE", help="vehicle file; or rig file: its vehicle with its robot on it"),
    ],
    rig: Annotated[
        Path | None,
        typer.Option(
            "--rig", help="rig whose robot rides the vehicle [default: the one beside it that names it]"
        ),
    ] = None,
    speeds: Annotated[
        str, typer.Option("--speeds", metavar="FROM:TO:STEP", help="speeds of the diagram [km/h]")
    ] = "10:250:5",
    leans: Annotated[
        list[float] | None,
        typer.Option("--lean", help="lean to the right [deg], may be repeated [default: 0, 20, 40]"),
    ] = None,
    ridden: Annotated[
        bool,
        typer.Option("--ridden", help="also ride for the margins, at up to 13 of the speeds; takes minutes"),
    ] = False,
    slope: Annotated[
        float, typer.Option("--slope", help="slope of the straight that is ridden [deg], uphill positive")
    ] = 0.0,
    out: Annotated[
        Path | None, typer.Option("--out", help="page to write [default: NAME-modes.html, here]")
    ] = None,
) -> None:
    """Show where weave, wobble and capsize are unstable over speed and lean, and the robot's delay margin.

    Hands off first; with a rig, the reference robot's steering is then closed around the vehicle, with that
    rig's latencies, control period and actuator: the delay margin, and which mode crosses first. With
    --ridden also what virtual rides on a straight bore, level or on a --slope. Prints tables and writes one
    HTML page. Exit status 0 if there is a diagram, 3 if not.
    """
    from emulator.inspection.stability.page import console_tables, ridden_words, write_modes
    from emulator.inspection.stability.ridden import RiddenMargin
    from emulator.inspection.stability.survey import modes_of

    console = console_of_stdout()
    path = out or Path(f"{file.stem}-modes.html")
    check_folder(path)  # known before minutes are spent

    def say(margin: RiddenMargin) -> None:
        console.print(f"ridden at {3.6 * margin.speed:.0f} km/h: {ridden_words(margin)}", markup=False)

    try:
        page = modes_of(
            file,
            rig,
            _speeds(speeds),
            _leans([0.0, 20.0, 40.0] if leans is None else leans),
            ridden=ridden,
            slope_deg=_slope(slope),
            progress=say,
        )
    except ValueError as error:
        raise typer.BadParameter(str(error)) from error
    write_modes(page, path)
    console.print(page.subject, style="bold", markup=False)
    console.print(console_tables(page))
    console.print(f"diagram: {path}", markup=False)


def _leans(given: list[float]) -> list[float]:
    """Leans [deg] as they are. Raises ValueError where one can't be computed, or comes twice."""
    for lean in given:
        if not abs(lean) < _MOST_LEAN:
            raise ValueError(f"--lean: expected less than {_MOST_LEAN:g} deg to a side, got {lean:g}")
        if given.count(lean) > 1:
            raise ValueError(f"--lean: expected each lean once, got {lean:g} {given.count(lean)} times")
    return given


def _slope(given: float) -> float:
    """The slope [deg] as it is. Raises ValueError where the ride has no straight as steep."""
    if not abs(given) <= _STEEPEST:
        raise ValueError(f"--slope: expected at most {_STEEPEST:g} deg up or down, got {given:g}")
    return given


def _speeds(text: str) -> list[float]:
    """Speeds [km/h] of FROM:TO:STEP. Raises ValueError."""
    try:
        low, high, step = (float(part) for part in text.split(":"))
    except ValueError as error:
        raise ValueError(
            f"--speeds: expected FROM:TO:STEP in km/h, such as 10:250:5, got {text!r}"
        ) from error
    if not (0.0 < low <= high <= FASTEST_km_h and step > 0.0 and (high - low) / step <= _MOST_SPEEDS):
        raise ValueError(
            f"--speeds: expected 0 < FROM <= TO <= {FASTEST_km_h:g} km/h and STEP above 0 with at most "
            f"{_MOST_SPEEDS} steps, got {text!r}"
        )
    return [low + step * k for k in range(int((high - low) / step + 1e-9) + 1)]
