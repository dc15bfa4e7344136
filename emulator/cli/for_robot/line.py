"""``emulator line``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from emulator.cli.output import console_of_stdout
from emulator.cli.settings import Settings, parameter_values
from emulator.cli.written_file import check_new_folder


def line(
    scenario: Annotated[Path, typer.Argument(help="scenario file")],
    rig: Annotated[Path, typer.Option("--rig", help="rig file; its vehicle decides what speeds can be had")],
    step_m: Annotated[
        float, typer.Option("--step-m", min=0.01, max=100.0, help="most that two points are apart [m]")
    ] = 1.0,
    settings: Settings = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", help="folder to write both files into [default: here]"),
    ] = None,
) -> None:
    """Write the line that a scenario rides, for a robot of your own: NAME-line.csv and NAME-line.geojson.

    The table has a row a point: station, east, north and up in the frame of the scenario's origin, latitude,
    longitude and height in WGS 84, heading from east anticlockwise, curvature (left positive), bank (positive
    where the left side is higher), slope, target speed. Start pose and origin are printed; they stand in the
    GeoJSON, too.
    """
    from emulator.assembly.session import load_session
    from emulator.inspection.line_for_robot import csv_text, geojson_text, line_for_robot
    from emulator.record.writer import write_whole

    folder = out or Path()
    check_new_folder(folder)
    session = load_session(rig, scenario, parameters=parameter_values(settings))
    found = line_for_robot(session, step_m)
    folder.mkdir(exist_ok=True)
    paths = [folder / f"{scenario.stem}-line.{ending}" for ending in ("csv", "geojson")]
    for path, text in zip(paths, (csv_text(found), geojson_text(found)), strict=True):
        write_whole(path, text)
    console = console_of_stdout()
    given, start = session.scenario.origin, found.start
    ridden = f"{found.laps} lap{'' if found.laps == 1 else 's'}" if found.closed else "from end to end"
    for text in (
        f"{found.name}: {found.length_m:.1f} m, {'closed' if found.closed else 'open'}, ridden {ridden}, "
        f"complete at station {found.finish_m:.1f} m; {len(found.points)} points",
        f"origin: latitude {given.latitude_deg:.9f}, longitude {given.longitude_deg:.9f} deg, height "
        f"{given.height_m:.3f} m above the ellipsoid (WGS 84)",
        f"start: station {start.station_m:.1f} m, east {start.east_m:.3f} m, north {start.north_m:.3f} m, "
        f"heading {start.heading_deg:.3f} deg from east, anticlockwise",
        *(f"written: {path}" for path in paths),
    ):
        console.print(text, markup=False)
