"""``emulator track plan``."""

from __future__ import annotations

import csv
import io
import json
import math
import sys
from pathlib import Path
from typing import Annotated

import typer

from emulator.cli.output import console_of_stdout
from emulator.cli.written_file import check_folder


def plan(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="calibration file")],
    dither_file: Annotated[
        Path | None, typer.Option("--dither", help="write the legs' steering torques to this CSV")
    ] = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="print the forecast as JSON, and nothing else")
    ] = False,
) -> None:
    """Tell what the legs of a calibration file would tell of the bike, before anybody rides them.

    Each leg is ridden steadily, with a dither of many frequencies added to the steering torque. Told is how
    well each parameter would be known, and what without the dither. Exit status 0, or 3 if a file is wrong.
    """
    from emulator.report.terminal_table import terminal_table
    from emulator.runs.calibration import NEEDED_SPEEDS, forecast_of

    if dither_file is not None:
        check_folder(dither_file, "--dither")
    found = forecast_of(file)
    legs, with_it, without = found.legs, found.forecast, found.without_dither
    if dither_file is not None:
        from emulator.record.writer import write_whole

        text = io.StringIO()
        writer = csv.writer(text, lineterminator="\n")
        writer.writerow(("leg", "time_s", "torque_Nm"))
        writer.writerows((k, f"{t:.3f}", f"{v:.4f}") for k, t, v in found.dither_rows())
        write_whole(dither_file, text.getvalue())
    if as_json:
        rows = [
            {"parameter": n, "unit": u, "sd": float(s), "left": float(a), "left_without_dither": float(b)}
            for n, u, s, a, b in zip(
                with_it.names, with_it.units, with_it.standard, with_it.left, without.left, strict=True
            )
        ]
        sys.stdout.write(json.dumps({"parameters": rows}, indent=1) + "\n")
        return
    console = console_of_stdout()
    console.print(
        terminal_table(
            "Legs",
            ("leg", "km/h", "lean °", "s", "dither N m"),
            [
                (
                    str(k),
                    f"{leg.speed * 3.6:.0f}",
                    f"{math.degrees(leg.lean):+.0f}",
                    f"{leg.seconds:g}",
                    f"{leg.dither:g}",
                )
                for k, leg in enumerate(legs, 1)
            ],
        )
    )
    console.print(
        terminal_table(
            "Parameters",
            ("parameter", "unit", "sd by the legs", "left of what is known", "without dither", "told"),
            [
                (n, u, f"{s:.3g}", f"{100 * a:.0f} %", f"{100 * b:.0f} %", "yes" if told else "no")
                for n, u, s, a, b, told in zip(
                    *(with_it.names, with_it.units, with_it.standard, with_it.left, without.left),
                    with_it.told.tolist(),
                    strict=True,
                )
            ],
        )
    )
    if found.speeds < NEEDED_SPEEDS or not found.both_leans:
        console.print(
            f"note: {found.speeds} speeds, {'both leans' if found.both_leans else 'one side only'}; usual "
            f"are {NEEDED_SPEEDS} speeds and both leans, so that one does not pass for the other",
            style="yellow",
            markup=False,
        )
    if dither_file is not None:
        console.print(f"dither: {dither_file}", markup=False)
