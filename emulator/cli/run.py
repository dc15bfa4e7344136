"""``emulator run``."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import closing, nullcontext
from dataclasses import asdict
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.console import Console
from rich.progress import Progress

from emulator.cli.broker import broker_of
from emulator.cli.output import (
    CAUTION,
    EXIT_STATUS,
    console_of_stderr,
    console_of_stdout,
    progress_columns,
)
from emulator.cli.settings import Settings, parameter_values
from emulator.cli.written_file import check_vacant

if TYPE_CHECKING:
    from emulator.assembly.session import Session
    from emulator.config.software.stepped_robot import PythonRobot
    from emulator.console.beside import LivePage
    from emulator.verdict.judge import Verdict


def run(
    scenario: Annotated[
        Path, typer.Argument(help="scenario file (what is ridden, what goes wrong, what must hold)")
    ],
    rig: Annotated[Path, typer.Option("--rig", help="rig file (vehicle, buses, sensors, limits)")],
    virtual: Annotated[
        bool,
        typer.Option(
            "--virtual",
            help="ride on the stepped clock, as fast as the CPU can: the robot of the rig, or ours",
        ),
    ] = False,
    robot: Annotated[
        str | None,
        typer.Option(
            "--robot", metavar="FILE:CLASS", help="with --virtual: your class in a Python file rides"
        ),
    ] = None,
    patient: Annotated[
        bool,
        typer.Option("--patient", help="with --virtual: a step of your robot may take as long as it likes"),
    ] = False,
    seed: Annotated[
        int, typer.Option("--seed", min=0, help="of all random numbers; same seed, same bytes")
    ] = 0,
    hold: Annotated[
        bool, typer.Option("--hold", help="stay armed on the bench until Enter is pressed, then ride")
    ] = False,
    console_too: Annotated[
        bool,
        typer.Option(
            "--console",
            help="open the ride's live page; the bench is armed by Enter at this terminal, never by a page",
        ),
    ] = False,
    port: Annotated[
        int | None,
        typer.Option("--port", min=0, max=65535, help="with --console: TCP port instead of the rig's"),
    ] = None,
    settings: Settings = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", help="run folder to write; must not hold anything yet [default: runs/TIME-NAME]"
        ),
    ] = None,
    quiet: Annotated[
        bool, typer.Option("--quiet", help="say nothing but the result, in a line; and errors")
    ] = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="print the verdict as JSON, with its folder, and nothing else")
    ] = False,
) -> None:
    """Run a scenario on a rig, judge it, and write the record with its report.

    In real time the rig's bus is opened, and with the reference robot as device under test everything
    needed is started. With --virtual the same plant, scenario and verdict run on any desk. Ctrl-C stops in
    an orderly way: the emulated signals go to rest, the record stays readable.
    """
    from emulator.assembly.session import load_session
    from emulator.record.writer import jsonable
    from emulator.report.terminal import console_summary, meaning_of
    from emulator.stages.precompile import compiling_first, warm

    if hold and virtual:
        raise typer.BadParameter("--hold: nothing is held with --virtual, nothing moves there; leave it out")
    if console_too and virtual:
        raise typer.BadParameter("--console: a virtual ride is over too soon to be watched; leave it out")
    if port is not None and not console_too:
        raise typer.BadParameter("--port: expected --console beside it, whose port it is")
    if quiet and as_json:
        raise typer.BadParameter("--json: expected either --quiet or --json, got both")
    for option, given in (("--robot", robot is not None), ("--patient", patient)):
        if given and not virtual:
            raise typer.BadParameter(
                f"{option}: expected --virtual beside it; on the bench yours joins the bus"
            )
    if out is not None:
        check_vacant(out)
    result, console = console_of_stdout(lasting=True), console_of_stdout(lasting=True)
    console.quiet = quiet or as_json
    session = load_session(
        rig,
        scenario,
        seed=seed,
        parameters=parameter_values(settings),
        stage="virtual" if virtual else "bench",
        robot=_named_robot(robot),
    )
    for warning in session.warnings:
        console.print(f"warning: {warning}", style="yellow", markup=False)
    folder = out or _fresh_folder(scenario, virtual=virtual)
    stage = "virtual" if virtual else "bench"
    console.print(
        f"{session.scenario.name} on {session.rig.name} ({stage}, seed {seed}): {session.scenario.purpose}",
        markup=False,
    )
    if not virtual:  # the caution is shown whatever else is not
        (console_of_stderr() if console.quiet else console).print(CAUTION, style="bold", markup=False)
    if first := compiling_first(virtual=virtual):
        console.print(first, markup=False)
        for _ in warm(virtual=virtual):
            pass
    greet = partial((console_of_stderr() if console.quiet else console).print, markup=False)
    page = None
    if console_too:
        from emulator.cli.live.page_of_run import open_page, wait_at_the_terminal

        page = open_page(session, rig, folder, port, greet)
    with closing(page) if page is not None else nullcontext():
        started = time.monotonic()
        interfaces = partial(_interfaces, rig, scenario, parameter_values(settings))
        verdict = _ride(
            *(console, session, (rig, scenario), folder, interfaces),
            virtual=virtual,
            hold=hold,
            patient=patient,
            page=page,
        )
        console.print(console_summary(folder))
        console.print(
            f"took {time.monotonic() - started:.1f} s; record and report: {folder / 'report.html'}",
            markup=False,
        )
        if page is not None:
            page.tell_result(verdict.result, next(iter(verdict.reasons), ""))
            wait_at_the_terminal(greet)
    if quiet:
        meaning = meaning_of(verdict)
        result.print(f"{meaning.sign} {meaning.word} {folder}", markup=False)
    if as_json:
        told = {"folder": str(folder), **asdict(verdict)}
        result.print(json.dumps(jsonable(told), indent=1, allow_nan=False), markup=False)
    raise typer.Exit(EXIT_STATUS[verdict.result])


def _ride(
    console: Console,
    session: Session,
    paths: tuple[Path, Path],
    folder: Path,
    interfaces: Callable[[], Iterable[str]],
    *,
    virtual: bool,
    hold: bool,
    patient: bool,
    page: LivePage | None,
) -> Verdict:
    """The ride with its progress on the screen and, on the bench, telemetry and live page beside it."""
    from emulator.runs.one import ride

    start = session.scenario.start.station_m
    columns = progress_columns(console)
    with Progress(
        *columns, console=console, transient=True, disable=console.quiet or not console.is_terminal
    ) as bar:
        task = bar.add_task("starting", total=session.finish_station - start)

        def progress(time_s: float, speed: float, station: float) -> None:
            done = station - start
            words = (
                "waiting for the robot"
                if time_s < -1e5
                else f"{time_s:6.1f} s {speed * 3.6:5.0f} km/h {done:6.0f} m"
            )
            bar.update(task, completed=max(0.0, done), description=words)

        def say(text: str) -> None:
            bar.console.print(text, markup=False)

        # what a rig names was right a moment ago, so this raises for what has changed since
        broker = None if virtual or session.rig.telemetry is None else broker_of(paths[0])
        if broker is None and page is None:
            return ride(
                session,
                paths,
                folder,
                virtual=virtual,
                say=say,
                progress=progress,
                hold=hold,
                patient=patient,
                interfaces=interfaces,
            )
        from emulator.cli.live.page_of_run import together
        from emulator.telemetry.publisher import Telemetry, tell_verdict

        beside = [] if page is None else [page.beside]
        if broker is not None:
            beside.append(Telemetry(broker, folder.name, say, session.asked_events).beside)
        verdict = ride(
            *(session, paths, folder),
            virtual=False,
            say=say,
            progress=progress,
            beside=together(beside),
            hold=hold,
            enable=page is not None,
        )
        if broker is not None:
            tell_verdict(broker, folder.name, asdict(verdict), say)
        return verdict


def _named_robot(given: str | None) -> PythonRobot | None:
    """The class that ``--robot`` names."""
    if given is None:
        return None
    from emulator.config.software.stepped_robot import PythonRobot

    file, _, name = given.rpartition(":")
    if not Path(file).is_file():
        raise typer.BadParameter(
            f"--robot: expected FILE:CLASS, such as my_robot.py:MyRobot, with a Python file that is there, "
            f"got {given}"
        )
    if not name.isidentifier():
        raise typer.BadParameter(f"--robot: expected the name of a class behind the colon, got {given}")
    return PythonRobot(kind="python", file=str(Path(file).absolute()), name=name)


def _interfaces(rig: Path, scenario: Path, values: Mapping[str, int | float]) -> Iterator[str]:
    """Hashes of the descriptions that its robot may have been written for."""
    from emulator.inspection.interface.written_for import Descriptions

    yield from Descriptions().written_for(rig, scenario, values)


def _fresh_folder(scenario: Path, *, virtual: bool) -> Path:
    stamp = datetime.now().strftime("%Y%m%d-%H%M%S")
    name = f"{stamp}-{scenario.stem}{'-virtual' if virtual else ''}"
    folder, n = Path("runs") / name, 1
    while folder.exists():
        n += 1
        folder = Path("runs") / f"{name}-{n}"
    return folder
