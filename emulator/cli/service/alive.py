"""``emulator alive``."""

from __future__ import annotations

import json
import sys
from typing import Annotated

import typer

from emulator.cli.output import OTHER, console_of_stdout


def alive(
    quiet: Annotated[bool, typer.Option("--quiet", help="say nothing; the exit status tells")] = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="print the rides found as JSON, and nothing else")
    ] = False,
) -> None:
    """Say whether a ride in real time goes on here and its loop turns, for health checks.

    Looks at rides of this user, in this container. Disturbs none of them.

    Exit status 0 if a loop turns, 4 if there is none or it stands.
    """
    from emulator.inspection.ride_here import rides_here

    if quiet and as_json:
        raise typer.BadParameter("--json: expected either --quiet or --json, got both")
    rides = rides_here()
    if as_json:
        told = [{**ride._asdict(), "loop": ride.loop.name.lower()} for ride in rides]
        sys.stdout.write(json.dumps(told, indent=1) + "\n")
    elif not quiet:
        console = console_of_stdout()
        for ride in rides:
            state = "its loop turns" if ride.turning else f"its loop stands ({ride.loop.name.lower()})"
            console.print(f"a ride goes on here: {state}", markup=False)
        if not rides:
            console.print("no ride goes on here", markup=False)
    raise typer.Exit(0 if any(ride.turning for ride in rides) else OTHER)
