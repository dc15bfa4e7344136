"""``emulator campaign case``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from emulator.cli.output import console_of_stdout


def case(
    plan: Annotated[Path, typer.Argument(help="plan file of the campaign")],
    id_: Annotated[
        str,
        typer.Argument(metavar="ID", help="id of the run, or its beginning, as the table and page have it"),
    ],
    out: Annotated[Path, typer.Option("--out", help="folder to write the files to")],
    quiet: Annotated[
        bool, typer.Option("--quiet", help="print the command that rides it, and nothing else")
    ] = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="print files and command as JSON, and nothing else")
    ] = False,
) -> None:
    """Write one run of a plan as files of its own: a scenario and a rig over those that the plan names.

    Prints the command that rides it by itself, with the same frames and signals as in the campaign. Exit
    status 0, or 3 if the plan has no such run.
    """
    from emulator.campaign.plan.cases import planned
    from emulator.campaign.plan.written import write_case
    from emulator.core.errors import RecordError

    if quiet and as_json:
        raise typer.BadParameter("--json: expected either --quiet or --json, got both")
    console = console_of_stdout()
    campaign = planned(plan)
    found = campaign.by_id(id_)
    if found is None:
        raise RecordError(
            f"{plan} has no run {id_}, or more than one whose id begins so",
            advice="its plan, or a file it names, may have been changed since: ids are of what is ridden",
        )
    written = write_case(found, campaign.files, out)
    if as_json:
        told = {
            "id": found.id,
            "label": found.label,
            "scenario": str(written.scenario),
            "rig": str(written.rig),
            "command": list(written.command),
        }
        console.print(json.dumps(told, indent=1, ensure_ascii=False), markup=False)
        return
    if not quiet:
        console.print(f"{found.label} (run {found.number + 1} of {len(campaign.cases):,})", markup=False)
        console.print(f"written: {written.scenario}, {written.rig}; to ride it:", markup=False)
    console.print(written.shown, markup=False)
