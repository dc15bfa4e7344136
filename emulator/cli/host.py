"""``emulator host``."""

from __future__ import annotations

from typing import Annotated

import typer

from emulator.cli.output import INVALID, console_of_stdout


def host(
    seconds: Annotated[
        float, typer.Option("--seconds", min=0.1, max=3600.0, help="how long to test the wake-ups")
    ] = 10.0,
    cpu: Annotated[
        int | None, typer.Option("--cpu", min=0, help="core to test [default: the one loop.cpu: auto takes]")
    ] = None,
    priority: Annotated[
        int, typer.Option("--priority", min=0, max=99, help="of SCHED_FIFO; 0: ordinary scheduling")
    ] = 80,
    spin_us: Annotated[
        float, typer.Option("--spin-us", min=0.0, max=900.0, help="spun before a deadline, as loop.spin_us")
    ] = 100.0,
) -> None:
    """Say what this machine can promise a 1 kHz loop, and which setting to change, with the command.

    Looks at kernel, cores, clock, permissions and interfaces, then wakes a process every millisecond and
    measures how late that comes. Exit status 0 if no wake-up came a whole tick late, 2 if one did.
    """
    from emulator.inspection.host import measure_lateness, tables
    from emulator.loop.machine import inspect

    console = console_of_stdout()
    findings = inspect()
    console.print(f"waking every millisecond for {seconds:g} s", markup=False)
    late = measure_lateness(seconds, cpu, priority, spin_us)
    console.print(tables(findings, late))
    raise typer.Exit(INVALID if late.overruns else 0)
