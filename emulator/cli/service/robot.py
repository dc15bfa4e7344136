"""``emulator robot``."""

from __future__ import annotations

import signal
from pathlib import Path
from typing import Annotated

import typer

from emulator.cli.output import CAUTION, console_of_stderr, console_of_stdout
from emulator.cli.settings import Settings, parameter_values


def robot(
    scenario: Annotated[Path, typer.Argument(help="scenario file, the one that the bench rides")],
    rig: Annotated[Path, typer.Option("--rig", help="rig file, the one that the bench rides on")],
    settings: Settings = None,
    quiet: Annotated[bool, typer.Option("--quiet", help="say nothing but cautions and errors")] = False,
) -> None:
    """Let the reference robot ride a bench from a process of its own, as your robot would.

    The bench is `emulator run` with the same files, whose rig says device_under_test: {kind: external} and
    names the ports of bus and GNSS. The robot waits for it up to three minutes, rides, and ends when the bus
    is gone or at Ctrl-C.

    Exit status 0 when it has ridden, 3 a file is wrong, 4 the bench did not appear, 5 stopped before.
    """
    from emulator.core.clock import MonotonicClock
    from emulator.stages.precompile import compiling_first, warm
    from emulator.stages.robot_apart import ride_apart

    asked: list[int] = []
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, lambda number, _frame: asked.append(number))
    console = console_of_stdout(lasting=True)
    console.quiet = quiet
    (console_of_stderr() if quiet else console).print(CAUTION, style="bold", markup=False)
    if first := compiling_first(virtual=False, robot_alone=True):
        console.print(first, markup=False)
        for _ in warm(virtual=False):
            pass
    why = ride_apart(
        rig,
        scenario,
        parameter_values(settings),
        MonotonicClock(0),
        lambda: bool(asked),
        lambda text: console.print(text, markup=False),
    )
    console.print(f"ended: {why}", markup=False)
