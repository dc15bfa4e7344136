"""``emulator warm``."""

from __future__ import annotations

import time
from typing import Annotated

import typer

from emulator.cli.output import console_of_stdout


def warm(
    bench: Annotated[bool, typer.Option("--bench", help="only what a bench run needs")] = False,
) -> None:
    """Compile the plant and the reference robot into the cache, so that the next run starts at once.

    Takes a minute or two the first time and after a change of the sources; a few seconds otherwise.
    """
    from emulator.stages.precompile import warm as compile_all

    console = console_of_stdout()
    started = time.monotonic()
    console.print("compiling the plant and the reference robot (once; kept in a cache)", markup=False)
    for name, seconds in compile_all(virtual=not bench):
        console.print(f"  {name}: {seconds:.1f} s", markup=False)
    console.print(f"compiled code is ready ({time.monotonic() - started:.1f} s)", markup=False)
