"""``emulator track line``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from emulator.cli.output import console_of_stdout
from emulator.cli.written_file import check_written, one_line, own_name


def line(
    record: Annotated[Path, typer.Argument(metavar="RECORD", help="run folder, of a log or of a run")],
    onto: Annotated[
        Path | None,
        typer.Option(
            "--onto",
            metavar="CIRCUIT",
            help="circuit that was ridden; start, sectors, elevation and bank are kept [default: a new one]",
        ),
    ] = None,
    lap: Annotated[
        int | None, typer.Option("--lap", min=1, help="take this lap alone [default: all that are whole]")
    ] = None,
    open_line: Annotated[bool, typer.Option("--open", help="make an open line of a new circuit")] = False,
    width_m: Annotated[
        float | None, typer.Option("--width-m", min=2.0, max=50.0, help="width of the road")
    ] = None,
    start: Annotated[
        str | None,
        typer.Option("--start", metavar="EAST,NORTH", help="where station 0 of a new circuit is, in metres"),
    ] = None,
    off_m: Annotated[
        float,
        typer.Option("--off-m", min=0.0, max=10.0, help="what the receiver may be off by all day, 1 sd"),
    ] = 0.0,
    elevation_deviation_m: Annotated[
        float,
        typer.Option("--elevation-deviation-m", min=0.01, max=50.0, help="how well heights are to be known"),
    ] = 0.5,
    flat: Annotated[bool, typer.Option("--flat", help="leave the heights out")] = False,
    name: Annotated[str | None, typer.Option("--name", help="of the circuit [default: the record's]")] = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="circuit file to write [default: NAME-line.yaml, here]")
    ] = None,
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="replace the files if they are there")
    ] = False,
) -> None:
    """Make a circuit file of the line that was ridden, from one lap or the mean of several.

    Each lap is smoothed as much as its own places ask for. Told is how well the line is known, what places
    and laps differ from it by, and how places that were left out of it lie. Prints a table and writes the
    circuit and one HTML page beside it. Exit status 0, or 3 if there is no line.
    """
    from emulator.record.reader import read_run
    from emulator.record.writer import write_together
    from emulator.survey.ridden_line.line import LineWishes, ridden_line
    from emulator.survey.ridden_line.line_file import line_text
    from emulator.survey.ridden_line.line_page import console_tables, line_html

    called = one_line(own_name(record) if name is None else name)
    path = out or Path(f"{own_name(record)}-line.yaml")
    page = path.with_name(f"{path.stem}-page.html")
    check_written(path, page, overwrite=overwrite)
    if onto is not None and (open_line or start is not None):
        raise typer.BadParameter("--open and --start are for a new circuit; leave them or --onto out")
    if open_line and start is not None:
        raise typer.BadParameter("--start: an open line starts where it was ridden first; leave it out")
    wishes = LineWishes(
        called,
        onto=onto,
        lap=lap,
        closed=False if open_line else None,
        width_m=width_m,
        start=None if start is None else _place(start),
        off_m=off_m,
        elevation_deviation_m=elevation_deviation_m,
        flat=flat,
    )
    found = ridden_line(read_run(record), wishes)
    write_together({path: line_text(found), page: line_html(found)})
    console = console_of_stdout()
    console.print(console_tables(found))
    console.print(f"circuit: {path}", markup=False)
    console.print(f"page: {page}", markup=False)


def _place(text: str) -> tuple[float, float]:
    """East and north [m]. Raises typer.BadParameter."""
    try:
        east, north = (float(part) for part in text.split(","))
    except ValueError:
        east = north = float("nan")
    if not (abs(east) < 1e5 and abs(north) < 1e5):
        raise typer.BadParameter(f"--start: expected EAST,NORTH in metres such as 12.5,-40, got {text!r}")
    return east, north
