"""``emulator circuit import``."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated

import typer

from emulator.cli.output import console_of_stdout
from emulator.cli.written_file import check_written, one_line

_SHORTEST_m, _LONGEST_m = 20.0, 100_000.0


def import_points(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="points: CSV, or GPX 1.1")],
    width_m: Annotated[
        float | None,
        typer.Option("--width-m", min=2.0, max=50.0, help="width of the road [default: the file's least]"),
    ] = None,
    deviation_m: Annotated[
        float,
        typer.Option("--deviation-m", min=0.01, max=20.0, help="no point lies further from the line"),
    ] = 0.2,
    elevation_deviation_m: Annotated[
        float,
        typer.Option("--elevation-deviation-m", min=0.01, max=50.0, help="nor a height from the road"),
    ] = 0.5,
    flat: Annotated[bool, typer.Option("--flat", help="leave the heights out")] = False,
    close_m: Annotated[
        float,
        typer.Option("--close-m", min=0.1, max=50.0, help="a line that comes back so near is closed"),
    ] = 5.0,
    open_line: Annotated[bool, typer.Option("--open", help="make an open line of it")] = False,
    start: Annotated[
        str | None,
        typer.Option(
            "--start",
            metavar="LAT,LON",
            help="where station 0 is: LAT,LON or EAST,NORTH as the file has them, or metres of station "
            "[default: at the first point]",
        ),
    ] = None,
    reverse: Annotated[bool, typer.Option("--reverse", help="ride it the other way round")] = False,
    length_m: Annotated[
        float | None,
        typer.Option("--length-m", help="known length, from 20; refused where it differs"),
    ] = None,
    length_percent: Annotated[
        float, typer.Option("--length-percent", min=0.01, max=50.0, help="and by how much it may")
    ] = 2.0,
    refuse_spikes: Annotated[
        bool, typer.Option("--refuse-spikes", help="rather than leave them out and say so")
    ] = False,
    name: Annotated[str | None, typer.Option("--name", help="of the circuit [default: the file's]")] = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="circuit file to write [default: NAME.yaml, here]")
    ] = None,
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="replace the files if they are there")
    ] = False,
) -> None:
    """Make a circuit file from surveyed points, as smooth as the deviation allows.

    CSV begins with a line that names its columns: latitude and longitude, or east and north in metres;
    elevation, width and time where there are. What is wrong with the points, what is left out and how far the
    line is from them is told; nothing is written where they give no line. Prints a table and writes the
    circuit and one HTML page beside it. Exit status 0, or 3 if there is no circuit.
    """
    from emulator.record.writer import write_together
    from emulator.survey.circuit_file import circuit_text
    from emulator.survey.circuit_import import Wishes, import_circuit
    from emulator.survey.page import console_tables, import_html

    path = out or Path(f"{file.stem}.yaml")
    page = path.with_name(f"{path.stem}-import.html")
    check_written(path, page, overwrite=overwrite)
    if open_line and start is not None:
        raise typer.BadParameter("--start: an open line starts at its first point; leave it out")
    if length_m is not None and not _SHORTEST_m <= length_m <= _LONGEST_m:
        hint = f"; if these are kilometres, write {1e3 * length_m:g}" if 0.02 <= length_m <= 100.0 else ""
        raise typer.BadParameter(
            f"--length-m: expected {_SHORTEST_m:g} to {_LONGEST_m:g} metres, got {length_m:g}{hint}"
        )
    wishes = Wishes(
        name=one_line(file.stem if name is None else name),
        deviation_m=deviation_m,
        elevation_deviation_m=elevation_deviation_m,
        close_m=close_m,
        open_line=open_line,
        width_m=width_m,
        start=None if start is None else _start(start),
        reverse=reverse,
        length_m=length_m,
        length_percent=length_percent,
        refuse_spikes=refuse_spikes,
        flat=flat,
    )
    found = import_circuit(str(file), wishes)
    write_together({path: circuit_text(found), page: import_html(found)})
    console = console_of_stdout()
    console.print(console_tables(found))
    console.print(f"circuit: {path}", markup=False)
    console.print(f"page: {page}", markup=False)


_START = re.compile(r"[-+]?[0-9]{1,8}(?:\.[0-9]{0,12})?")


def _start(text: str) -> float | tuple[float, float]:
    """Metres of station, or the two numbers of a place. Raises typer.BadParameter."""
    parts = [part.strip() for part in text.split(",")]
    if not (1 <= len(parts) <= 2 and all(_START.fullmatch(part) for part in parts)):
        raise typer.BadParameter(
            f"--start: expected LAT,LON such as 47.25,5.85, or metres such as 120, got {text!r}"
        )
    first, *second = (float(part) for part in parts)
    return (first, second[0]) if second else first
