"""``emulator console``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from emulator.cli.output import console_of_stdout


def console(
    paths: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="RUN",
            help="run folders, and folders of run folders; a single run is shown again [default: runs]",
        ),
    ] = None,
    port: Annotated[
        int | None, typer.Option("--port", min=0, max=65535, help="TCP port; 0 for any free one")
    ] = None,
    from_s: Annotated[
        float, typer.Option("--from", help="of a single run: scenario time it is shown from, in seconds")
    ] = 0.0,
    quiet: Annotated[bool, typer.Option("--quiet", help="say nothing but the address")] = False,
) -> None:
    """Look at runs in a browser on this machine: reports, guide, and one run shown again on the live page.

    Nothing can be armed, started or stopped here; the page of a ride on the bench is opened by
    `emulator run --console`. Ends with Ctrl-C.
    """
    from emulator.cli.live.page_of_run import needs_the_extra

    with needs_the_extra():
        from emulator.console.records import serve_records
    screen = console_of_stdout(lasting=True)

    def say(text: str) -> None:
        screen.print(text, markup=False)

    given = paths or [Path("runs")]
    for path in given:
        if not path.is_dir():
            raise typer.BadParameter(f"expected a run folder, or a folder of some, got {path}")
    serve_records(given, port, from_s, say if not quiet else lambda text: say(text.rpartition(" ")[2]))
