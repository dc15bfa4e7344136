"""``emulator track calibrate``."""

from __future__ import annotations

import json
import math
import shlex
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from emulator.cli.output import INVALID, console_of_stdout
from emulator.cli.written_file import check_written

if TYPE_CHECKING:
    from emulator.track.calibration.from_records import Result


def calibrate(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="calibration file")],
    records: Annotated[
        list[Path],
        typer.Argument(metavar="RECORD", help="run folders, as emulator track import makes them"),
    ],
    held_out: Annotated[
        Path | None,
        typer.Option("--held-out", metavar="RECORD", help="a record that judges and has no other part"),
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="vehicle file to write [default: NAME-vehicle.yaml, here]")
    ] = None,
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="replace the vehicle file if it is there")
    ] = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="print what was found as JSON, and nothing else")
    ] = False,
) -> None:
    """Correct a vehicle by logs of steady riding, with the uncertainty of each value.

    Written is a vehicle file based on the one before: values that the logs told, their standard deviations
    and correlations, the logs by hash. A parameter that is left with more than half of its prior uncertainty
    is refused. Nothing is written where the model can't do what the logs show. Exit status 0; 2 if nothing
    was written, or the held-out record likes the new vehicle less; 3 if something given is wrong.
    """
    from emulator.runs.calibration import calibrated

    path = out or Path(f"{file.stem}-vehicle.yaml")
    check_written(path, overwrite=overwrite)
    command = shlex.join(["emulator", *sys.argv[1:]]) if sys.argv[1:] else "emulator track calibrate"
    day = datetime.now(UTC).date().isoformat()
    found = calibrated(file, records, held_out, path, command=command, date=day)
    worse = found.after is not None and not found.gain > 0.0
    if as_json:
        sys.stdout.write(json.dumps(_as_dict(found), indent=1, ensure_ascii=False) + "\n")
    else:
        _tell(found, worse)
    raise typer.Exit(INVALID if found.path is None or worse else 0)


def _tell(found: Result, worse: bool) -> None:
    from emulator.report.terminal_table import terminal_table

    console, estimate = console_of_stdout(), found.estimate
    console.print(
        terminal_table(
            "Steady stretches",
            ("record", "stretches", "s"),
            [
                (
                    log.name,
                    str(len(log.stretches)),
                    f"{log.seconds:.0f}",
                )
                for log in (*found.logs, *((found.held_out,) if found.held_out else ()))
            ],
        )
    )
    console.print(
        terminal_table(
            "Parameters",
            ("parameter", "unit", "before", "now", "sd", "left of prior", ""),
            [
                (n, u, f"{b:.5g}", f"{v:.5g}", f"{s:.2g}", f"{100 * s / p:.0f} %", "" if told else "refused")
                for n, u, b, v, s, p, told in zip(
                    *(estimate.names, estimate.units, estimate.before, estimate.values, estimate.standard),
                    *(estimate.prior, estimate.told.tolist()),
                    strict=True,
                )
            ],
        )
    )
    for one in found.apart:
        parts = ", ".join(f"{name} ({weight:+.2f})" for name, weight in one.members.items())
        said = f"not told apart, {100 * one.left:.0f} % of the prior left: {parts}"
        if one.interval is not None:
            low, high = (f"{end:+.2f}" if math.isfinite(end) else "no end" for end in one.interval)
            said += (
                f"; by its profile it may be off by {low} to {high} of its prior's standard deviation (95 %)"
            )
        console.print(said, markup=False)
    for name in estimate.names:
        if others := [one.words(name) for one in estimate.stand_ins if name in one.by_sd]:
            told = f"{name} is told together with what these logs don't show: {', '.join(others)}"
            console.print(told, markup=False)
    for log, lag in zip(found.logs, estimate.lags, strict=True):
        console.print(f"{log.name}: {lag.words}", style="yellow" if lag.wrong else "", markup=False)
    error = estimate.error
    console.print(
        f"left over: {error.variance:.2f} times the noise stated, alike from sample to sample by "
        f"{error.correlation:.3f}; parameters differ between stretches by {error.spread:.2f} of their "
        f"priors; {estimate.left_out:,} outliers left out",
        markup=False,
    )
    if found.before is not None and found.after is not None:
        console.print(
            f"held-out record: mean square {found.before.mean_square:.3f} before, "
            f"{found.after.mean_square:.3f} now; log likelihood {found.gain:+.1f}",
            style="yellow" if worse else "",
            markup=False,
        )
    if estimate.cannot:
        console.print(
            f"no vehicle written: the model can't do it; {estimate.cannot}", style="red", markup=False
        )
    elif found.path is None:
        console.print("no vehicle written: the logs tell no parameter", style="red", markup=False)
    else:
        console.print(f"vehicle: {found.path}", markup=False)


def _as_dict(found: Result) -> dict[str, Any]:
    estimate = found.estimate
    return {
        "vehicle": None if found.path is None else str(found.path),
        "parameters": [
            {
                "name": n,
                "unit": u,
                "before": float(b),
                "value": float(v),
                "sd": float(s),
                "prior_sd": float(p),
                "told": told,
            }
            for n, u, b, v, s, p, told in zip(
                *(estimate.names, estimate.units, estimate.before, estimate.values, estimate.standard),
                *(estimate.prior, estimate.told.tolist()),
                strict=True,
            )
        ],
        "not_told_apart": [
            {
                "left": one.left,
                "of": one.members,
                "interval": None
                if one.interval is None
                else [end if math.isfinite(end) else None for end in one.interval],
            }
            for one in found.apart
        ],
        "variance": estimate.error.variance,
        "correlation": estimate.error.correlation,
        "spread": estimate.error.spread,
        "cannot": estimate.cannot,
        "wind_drive_lag": [
            {
                "record": log.name,
                "stated_s": lag.stated,
                "found_s": lag.found,
                "interval_s": list(lag.interval),
                "preferred": lag.preferred,
            }
            for log, lag in zip(found.logs, estimate.lags, strict=True)
        ],
        "stand_ins": [
            {
                "name": one.name,
                "sd": one.standard,
                "shown_from": one.shown_from if math.isfinite(one.shown_from) else None,
                "moves": one.moved,
                "moves_in_sd": one.by_sd,
            }
            for one in estimate.stand_ins
        ],
        "in_doubt": [
            {"name": one.name, "before": one.before, "asked_for": one.asked_for, "off": one.off}
            for one in estimate.doubts
        ],
        "left_out": estimate.left_out,
        "held_out": None
        if found.before is None or found.after is None
        else {"before": found.before.mean_square, "after": found.after.mean_square, "gain": found.gain},
    }
