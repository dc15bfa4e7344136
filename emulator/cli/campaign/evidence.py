"""``emulator evidence``."""

from __future__ import annotations

import json
import os
from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from emulator.cli.output import console_of_stdout
from emulator.cli.written_file import check_folder


def evidence(
    folders: Annotated[
        list[Path], typer.Argument(metavar="FOLDER", help="campaigns' folders, of any stage and night")
    ],
    robot_version: Annotated[
        str | None,
        typer.Option(
            "--robot-version",
            metavar="VERSION",
            help="version of the robot's software [default: the only one that rode]",
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", help="page to write, its JSON beside it [default: runs/TIME-evidence.html]"),
    ] = None,
    quiet: Annotated[
        bool, typer.Option("--quiet", help="say nothing but the result, in a line; and errors")
    ] = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="print the evidence as JSON, with the page, and nothing else")
    ] = False,
) -> None:
    """Put together what campaigns show of one version of a robot's software, for those who decide.

    One page that prints, and the same as JSON: what was ridden at which stage with which rig, model and tool;
    requirements covered; open deviations with reason and name; what is invalid or missing; all margins. It
    decides nothing.

    Exit status 0 if the page was written, 3 a file is wrong, 4 anything else.
    """
    from emulator.campaign.evidence.gathered import NO_DECISION, gather, robot_versions
    from emulator.campaign.evidence.shown import evidence_html, plain_evidence, summary
    from emulator.campaign.page.night import in_order, read_night
    from emulator.config.campaign.acknowledged import entries_beside
    from emulator.record.writer import jsonable, write_whole

    if quiet and as_json:
        raise typer.BadParameter("--json: expected either --quiet or --json, got both")
    if len({os.path.realpath(folder) for folder in folders}) < len(folders):
        raise typer.BadParameter("FOLDER: expected each campaign once, got one of them twice")
    page = out or Path("runs") / f"{datetime.now():%Y%m%d-%H%M%S}-evidence.html"
    if out is not None:
        check_folder(out)
    nights = in_order([read_night(folder) for folder in folders])
    version = _version(robot_version, robot_versions(nights))
    found = gather(nights, [entries_beside(night.plan) for night in nights], version)
    text = json.dumps(jsonable(plain_evidence(found)), indent=1, ensure_ascii=False, allow_nan=False)
    page.parent.mkdir(parents=True, exist_ok=True)
    write_whole(page.with_suffix(".json"), text + "\n")
    write_whole(page, evidence_html(found))
    console = console_of_stdout()
    if as_json:
        console.print(text, markup=False)
    else:
        console.print(summary(found), markup=False)
        if not quiet:
            console.print(NO_DECISION, style="bold", markup=False)
            console.print(f"page: {page}", markup=False)


def _version(asked: str | None, there: tuple[str, ...]) -> str:
    """The version that is meant. Raises typer.BadParameter if that can't be told."""
    names = ", ".join(version or "none told" for version in there) or "no robot at all"
    if asked is None and len(there) == 1:
        return there[0]
    if asked is None:
        raise typer.BadParameter(f"--robot-version: expected, since these campaigns were ridden by: {names}")
    if asked not in there:
        raise typer.BadParameter(f"--robot-version: expected one that rode ({names}), got {asked}")
    return asked
