"""``emulator list``."""

from __future__ import annotations

import json
import sys
from typing import Annotated, Literal

import typer

from emulator.cli.output import console_of_stdout


def list_names(
    what: Annotated[
        Literal[
            "signals",
            "outputs",
            "criteria",
            "faults",
            "scenario",
            "rig",
            "vehicle",
            "circuit",
            "data_sheet",
            "campaign",
            "acknowledged",
            "track_map",
            "calibration",
        ],
        typer.Argument(help="which names"),
    ],
    as_json: Annotated[
        bool, typer.Option("--json", help="a JSON array of objects instead of a table")
    ] = False,
) -> None:
    """List the names that files can use, each with what it means.

    signals: columns of a record, which conditions name. outputs: values that the rig's frames carry.
    criteria: what a scenario can ask of a ride. faults: kinds of events with their effects and keys.
    scenario, rig, vehicle, circuit, data_sheet, campaign, acknowledged, track_map, calibration: all keys of
    such a file, what each is, its unit and default.
    """
    from emulator.inspection.known_names import TABLES
    from emulator.report.terminal_table import terminal_table

    names = TABLES[what]()
    if as_json:
        sys.stdout.write(json.dumps(names.as_objects(), indent=1, ensure_ascii=False) + "\n")
        return
    console_of_stdout().print(terminal_table(names.title, names.heads, names.rows))
