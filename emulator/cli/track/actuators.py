"""``emulator track actuators``."""

from __future__ import annotations

import json
import shlex
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from emulator.cli.output import INVALID, console_of_stdout
from emulator.cli.written_file import check_written

if TYPE_CHECKING:
    from emulator.track.actuators.from_record import FoundActuators
    from emulator.track.actuators.identify import Number


def actuators(
    record: Annotated[
        Path,
        typer.Argument(metavar="RECORD", help="run folder, as emulator track import makes it of a bench log"),
    ],
    rig: Annotated[Path, typer.Option("--rig", help="rig file whose actuators they are")],
    out: Annotated[
        Path | None, typer.Option("--out", help="rig file to write [default: RIG-identified.yaml, here]")
    ] = None,
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="replace the rig file if it is there")
    ] = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="print what was found as JSON, and nothing else")
    ] = False,
) -> None:
    """Identify a rig's actuators by a log of the bench: time constant, rate limit, free play.

    The log has commands (robot.…) and what was measured of the actuators (actuator.…). Written is a rig file
    based on the one named, with the values that the log tells. Delay, and gain and offset of the sensor, are
    told and not the actuator's. Exit status 0; 2 if nothing was written; 3 if something given is wrong.
    """
    from emulator.track.actuators.from_record import identify_actuators

    path = out or Path(f"{rig.stem}-identified.yaml")
    check_written(path, overwrite=overwrite)
    command = shlex.join(["emulator", *sys.argv[1:]]) if sys.argv[1:] else "emulator track actuators"
    day = datetime.now(UTC).date().isoformat()
    found = identify_actuators(record, rig, path, command=command, date=day)
    if as_json:
        sys.stdout.write(json.dumps(_as_dict(found), indent=1, ensure_ascii=False) + "\n")
    else:
        _tell(found)
    raise typer.Exit(INVALID if found.path is None else 0)


def _tell(found: FoundActuators) -> None:
    from emulator.report.terminal_table import terminal_table
    from emulator.track.actuators.from_record import told_words

    console = console_of_stdout()
    rows = []
    for one in found.ones:
        f, c = one.found, one.channel
        if f is None:
            continue
        rate = told_words(f.rate_limit, c.per) if c.rate_key else ""
        rows.append(
            (
                *(c.name, c.unit, told_words(f.time_constant, 1e3), rate, told_words(f.free_play, c.per)),
                *(told_words(f.delay, 1e3), f"{1e3 * f.later.value:.2f} ± {1.96e3 * f.later.sd:.2g}"),
                f"{f.gain.value:.3f}",
            )
        )
    heads = ("actuator", "unit", "lag ms", "rate limit /s", "free play", "delay ms", "delay + lag ms", "gain")
    if rows:
        console.print(terminal_table("Actuators", heads, rows))
    for one in found.ones:
        if one.refused:
            console.print(f"{one.channel.name}: refused, {one.refused}", style="red", markup=False)
    if found.path is None:
        console.print("no rig written: the log tells no number of an actuator", style="red", markup=False)
    else:
        console.print(f"rig: {found.path}", markup=False)


def _as_dict(found: FoundActuators) -> dict[str, Any]:
    return {
        "rig": None if found.path is None else str(found.path),
        "record": found.record,
        "sha256": found.sha256,
        "actuators": [
            {
                "name": one.channel.name,
                "refused": one.refused or None,
                "written": dict(one.values),
                "found": None
                if one.found is None
                else {
                    key: _number(value)
                    for key, value in one.found._asdict().items()
                    if not isinstance(value, float)
                }
                | {"left": one.found.left, "variance": one.found.variance, "alike": one.found.alike},
            }
            for one in found.ones
        ],
    }


def _number(number: Number) -> dict[str, Any]:
    return {
        key: value if not isinstance(value, float) or abs(value) != float("inf") else None
        for key, value in number._asdict().items()
    }
