"""``emulator track finding`` and ``emulator track findings``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from emulator.cli.output import console_of_stdout


def finding(
    record: Annotated[Path, typer.Argument(metavar="RECORD", help="run folder, of a log or of a run")],
    at_s: Annotated[float, typer.Option("--at", metavar="SECONDS", help="instant of the record, within 1 s")],
    what: Annotated[
        Literal["slide", "braking_slide", "steering_moved", "lost_fix"],
        typer.Option("--as", help="what happened"),
    ],
    rig: Annotated[Path, typer.Option("--rig", help="rig whose bike is to ride it; its tyres tell the grip")],
    name: Annotated[str, typer.Option("--name", help="name of the finding and of its files")],
    out: Annotated[Path, typer.Option("--out", help="folder of findings")] = Path("findings"),
) -> None:
    """Cut what happened in a ride, so that it happens again at the desk and on the bench.

    Writes NAME.yaml, a scenario, with its line NAME-line.yaml, and puts it into findings.yaml beside them,
    with the hash of the log. The piece of line, the speed, the grip of a slide, what moved the steering or
    the loss of the fix are estimated from what devices measured; a criterion says what is to hold.
    """
    from emulator.record.reader import read_run
    from emulator.track.findings.cut import cut_finding

    cut = cut_finding(read_run(record), at_s, what, name, out, rig)
    console = console_of_stdout()
    console.print(f"{cut.entry.cut_from.at_s:.2f} s: {cut.entry.seen}", markup=False)
    console.print(f"line: within {cut.piece.off_m:.2f} m of the recorded places", markup=False)
    console.print(f"scenario: {cut.scenario}; register: {cut.register}", markup=False)


def findings(
    registers: Annotated[
        list[Path] | None,
        typer.Argument(metavar="FILE", help="registers, or folders; left out: findings"),
    ] = None,
) -> None:
    """List registers of findings, and check them with the scenarios that they name."""
    from emulator.report.terminal_table import terminal_table
    from emulator.track.findings.register import checked_registers

    console = console_of_stdout()
    for register, found in checked_registers(registers or [Path("findings")]):
        rows = [
            (e.name, e.state, e.cut, e.seen, f"{e.cut_from.record} at {e.cut_from.at_s:g} s")
            for e in found.findings
        ]
        heads = ("name", "state", "cut", "seen", "from")
        console.print(terminal_table(f"Findings of {register}", heads, rows))
