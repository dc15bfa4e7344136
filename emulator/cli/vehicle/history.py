"""``emulator vehicle history``."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from emulator.cli.output import console_of_stdout


def history(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="vehicle file")],
    used_in: Annotated[
        list[Path] | None,
        typer.Option(
            "--used-in", metavar="FOLDER", help="look here for runs and campaigns that rode a version"
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="the versions as JSON, and nothing else")] = False,
) -> None:
    """Tell the versions of a vehicle: the files that one is based on, what each changed, and by which logs.

    A file that is no more what it was when the next one was calibrated from it is told. Exit status 0; 3 if a
    file is wrong.
    """
    from emulator.campaign.evidence.vehicle_uses import uses_of
    from emulator.track.calibration.version import history as versions_of

    versions = versions_of(file)
    uses = uses_of(used_in or [], versions)
    if as_json:
        listed: list[dict[str, Any]] = [
            {
                "file": str(one.path),
                "name": one.name,
                "sha256": one.sha256,
                "changed": {name: {"before": b, "value": v} for name, (b, v) in one.changed.items()},
                "calibration": None if one.calibrated is None else one.calibrated.model_dump(mode="json"),
                "base_as_then": one.base_as_then,
                "used_in": {str(place): runs for place, runs in uses[one.sha256].items()},
            }
            for one in versions
        ]
        sys.stdout.write(json.dumps(listed, indent=1, ensure_ascii=False) + "\n")
        return
    console = console_of_stdout()
    for number, one in enumerate(versions, 1):
        console.print(f"{number}. {one.name or one.path.stem}", style="bold", markup=False)
        console.print(f"   {one.path}, SHA-256 {one.sha256[:12]}", markup=False)
        sds = {}
        if (made := one.calibrated) is not None:
            console.print(f"   calibrated {made.date}: {made.command}", markup=False)
            for log in made.logs:
                console.print(f"   by {log.name}, SHA-256 {log.sha256[:12]}", markup=False)
            if (judge := made.held_out) is not None:
                console.print(
                    f"   judged by {judge.name}: mean square {judge.before:.3f} before, {judge.after:.3f} "
                    f"with it; log likelihood {judge.gain:+.1f}",
                    markup=False,
                )
            if made.refused:
                console.print(f"   not told: {', '.join(made.refused)}", markup=False)
            sds = {value.name: value.sd for value in made.values}
        for name, (before, value) in one.changed.items():
            known = f" ± {sds[name]:.2g}" if name in sds else ""
            console.print(f"   {name}: {before:.5g} → {value:.5g}{known}", markup=False)
        if one.base_as_then is False:
            console.print("   the file it is based on has changed since", style="yellow", markup=False)
        for place, runs in uses[one.sha256].items():
            console.print(f"   ridden in {place}: {runs:,} {'run' if runs == 1 else 'runs'}", markup=False)
