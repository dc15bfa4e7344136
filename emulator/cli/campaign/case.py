"""``emulator campaign case``."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from emulator.cli.output import console_of_stdout
from emulator.core.errors import RecordError

_MOST_SHOWN = 4
"""Ids that are alike, as many as a line has room for."""


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

    if quiet and as_json:
        raise typer.BadParameter("--json: expected either --quiet or --json, got both")
    console = console_of_stdout()
    campaign = planned(plan)
    found = campaign.by_id(id_)
    if found is None:
        raise _not_one(plan, id_, [case.id for case in campaign.cases if case.id.startswith(id_)])
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


def _not_one(plan: Path, id_: str, alike: Sequence[str]) -> RecordError:
    """That no run, or more than one, has an id that begins with what was given."""
    if alike:
        shown = ", ".join(alike[:_MOST_SHOWN]) + (", ..." if len(alike) > _MOST_SHOWN else "")
        return RecordError(
            f"{plan}: the ids of {len(alike):,} runs begin with {id_!r}: {shown}",
            advice="give more of the id, as the page and the table have it",
        )
    return RecordError(
        f"{plan} has no run whose id begins with {id_!r}",
        advice="see whether it is this plan's; if so, the plan or a file it names has been changed since, as "
        "ids are of what is ridden",
    )
