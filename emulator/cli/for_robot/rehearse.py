"""``emulator rehearse``."""

from __future__ import annotations

import json
import os
import select
import sys
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.console import Console

from emulator.cli.output import CAUTION, EXIT_STATUS, INVALID, console_of_stderr, console_of_stdout
from emulator.cli.written_file import check_folder
from emulator.core.errors import Stopped

if TYPE_CHECKING:
    from emulator.inspection.rehearsal.conduct import Ask
    from emulator.stages.bench.stopping import StopAsked

_POLL_s = 0.1
_STATUS = {"sound": EXIT_STATUS["pass"], "defects": EXIT_STATUS["fail"], "not judged": INVALID}


def rehearse(
    rig: Annotated[Path, typer.Argument(metavar="RIG", help="rig file")],
    yes: Annotated[
        bool, typer.Option("--yes", help="the cautions were read: begin without being asked")
    ] = False,
    out: Annotated[
        Path | None,
        typer.Option("--out", help="page to write [default: runs/TIME-NAME-rehearsal.html]"),
    ] = None,
    quiet: Annotated[
        bool, typer.Option("--quiet", help="say nothing but the result, in a line; cautions, prompts, errors")
    ] = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="print what was found as JSON, with the page, and nothing else")
    ] = False,
) -> None:
    """Go through the rig's robot before its first ride, on the bench at standstill.

    The bench sends what a standing bike sends and is never armed. The robot's frames are listened to: there,
    in time, sound, counted. It is asked for one posture after another, by a person at the terminal or by the
    request frame that the rig names; sign, scale, lines and zero are read. Then one sensor after another
    falls silent, and comes back. Each defect is told with its evidence, and only what can't be the bench's
    is told as the robot's.

    Exit status 0 sound, 1 defects proven against the robot, 2 something could not be judged, 3 a file is
    wrong, 4 anything else, 5 stopped by hand.
    """
    from emulator.inspection.rehearsal.on_bench import read_bench
    from emulator.inspection.rehearsal.on_bench import rehearse as rehearse_on_bench
    from emulator.inspection.rehearsal.page import as_plain, rehearsal_tables, result_line, write_page
    from emulator.record.writer import jsonable
    from emulator.stages.precompile import compiling_first

    if quiet and as_json:
        raise typer.BadParameter("--json: expected either --quiet or --json, got both")
    page = out or _fresh_page(rig)
    if out is not None:
        check_folder(out)
    result, console = console_of_stdout(lasting=True), console_of_stdout(lasting=True)
    console.quiet = quiet or as_json
    loud = console_of_stderr() if console.quiet else console
    session, warnings = read_bench(rig)
    for warning in warnings:
        console.print(f"warning: {warning}", style="yellow", markup=False)
    console.print(f"Rehearsal of {session.rig.robot.name} on {session.rig.name}", style="bold", markup=False)
    _caution(loud, yes=yes)
    if first := compiling_first(virtual=False):
        console.print(first, markup=False)
    terminal = sys.stdin.isatty() and session.rig.rehearsal.request_frame is None
    found = rehearse_on_bench(
        session,
        rig,
        (lambda stop: _asker(loud, stop)) if terminal else None,
        lambda text: console.print(text, markup=False),
    )
    page.parent.mkdir(parents=True, exist_ok=True)
    write_page(found, page)
    console.print(rehearsal_tables(found))
    console.print(f"page: {page}", markup=False)
    if quiet:
        result.print(f"{result_line(found)} {page}", markup=False)
    if as_json:
        told = {"page": str(page), **as_plain(found)}
        result.print(json.dumps(jsonable(told), indent=1, allow_nan=False), markup=False)
    raise typer.Exit(_STATUS[found.result])


def _caution(console: Console, *, yes: bool) -> None:
    """The usual cautions, and what is special here; then a word of agreement unless it was given before."""
    console.print(CAUTION, style="bold", markup=False)
    console.print(
        "The robot is asked to steer to both stops, to brake, and to use throttle, clutch and gears: drives "
        "may be live. Nobody within its reach, bike fixed to the stand, engine off, emergency stop at hand.",
        style="bold",
        markup=False,
    )
    if yes:
        return
    if not sys.stdin.isatty():
        raise typer.BadParameter(
            "--yes: expected, since nobody at a terminal can be asked about the cautions"
        )
    console.print("Begin? Type yes and Enter: ", end="", markup=False)
    if sys.stdin.readline().strip() != "yes":
        raise Stopped("not begun: the cautions were not agreed to")


def _asker(console: Console, stop: StopAsked) -> Ask:
    """Asks a person at the terminal: Enter when it is done, s and Enter to leave it out."""

    def ask(words: str) -> bool:
        console.print(f"{words}. Enter while it is held, s and Enter to leave it out: ", end="", markup=False)
        while not select.select([0], [], [], _POLL_s)[0]:
            if stop:
                raise Stopped(f"stopped by hand ({stop.causes[0]}): nothing is judged")
        line = os.read(0, 4096)
        if not line:
            raise Stopped("standard input has ended: nothing is judged")
        return line.strip().lower() != b"s"

    return ask


def _fresh_page(rig: Path) -> Path:
    stamp = datetime.now().strftime("%Y%m%d-%H%M%S")
    return Path("runs") / f"{stamp}-{rig.stem}-rehearsal.html"
