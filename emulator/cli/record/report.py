"""``emulator report``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from emulator.cli.output import console_of_stdout


def report(
    run_folder: Annotated[Path, typer.Argument(metavar="RUN", help="run folder, as `emulator run` wrote it")],
    beside: Annotated[
        Path | None,
        typer.Option(metavar="OTHER", help="another run of the same line, to draw over it by station"),
    ] = None,
) -> None:
    """Write a run's report anew and show its summary. Works on a record that was cut short, too."""
    from emulator.report.run_report import write_report
    from emulator.report.terminal import console_summary
    from emulator.verdict.junit import rewrite_junit

    console = console_of_stdout()
    path = write_report(run_folder, beside)
    rewrite_junit(run_folder)
    console.print(console_summary(run_folder))
    console.print(f"report: {path}", markup=False)
