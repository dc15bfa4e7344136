"""The command line: the only place that prints and the only one that knows exit statuses.

0 pass, 1 fail, 2 invalid, 3 error in what was given, 4 anything else.
"""

from __future__ import annotations

import math
import sys
import time
import traceback
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Annotated, Literal, TypeAlias

import typer
from rich.console import Console
from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

from emulator.core.errors import ConfigError, EmulatorError, InternalError, RunFailed

_EXIT = {"pass": 0, "fail": 1, "invalid": 2, "error": 4}
_INVALID, _GIVEN, _OTHER = 2, 3, 4
_FASTEST, _MOST_SPEEDS = 450.0, 1000  # [km/h]; steps of a stability diagram
_MOST_LEAN = 65.0  # [deg] of a steady turn
_INTERRUPTED = 130  # what typer makes of Ctrl-C

_CAUTION = (
    "Caution: emulated signals drive a real robot. This program is not a safety function. The hardware "
    "emergency stop, the guards and distance are (ISO 12100, ISO 13849-1, IEC 60204-1); keep clear of the "
    "robot's reach; never connect the emulated bus to a bike that can move; local rules and licensed "
    "practice decide."
)

_Settings: TypeAlias = Annotated[
    list[str] | None,
    typer.Option(
        "--set", metavar="NAME=NUMBER", help="value of a parameter of the scenario; may be repeated"
    ),
]

_typer = typer.Typer(
    help=(
        "Let a motorcycle-riding robot ride a bike that stands still: a vehicle model in real time, emulated "
        "wheel speed, GNSS, IMU and lean, faults from a scenario, and a verdict.\n\n"
        "Start with: "
        "emulator run scenarios/runs/first_lap.yaml --rig scenarios/rigs/loopback.yaml --virtual\n\n"
        "Exit status: 0 pass, 1 fail, 2 invalid (the bench did not keep its promises), 3 error in what was "
        "given, 4 anything else."
    ),
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


def _console() -> Console:
    # In a file or a pipe there is no width to fit into: tables come out whole.
    return Console(highlight=False, soft_wrap=True, width=None if sys.stdout.isatty() else 110)


@_typer.command()
def run(
    scenario: Annotated[
        Path, typer.Argument(help="scenario file (what is ridden, what goes wrong, what must hold)")
    ],
    rig: Annotated[Path, typer.Option("--rig", help="rig file (vehicle, buses, sensors, limits)")],
    virtual: Annotated[
        bool,
        typer.Option(
            "--virtual", help="ride on the stepped clock with the reference robot, as fast as the CPU can"
        ),
    ] = False,
    seed: Annotated[
        int, typer.Option("--seed", min=0, help="of all random numbers; same seed, same bytes")
    ] = 0,
    hold: Annotated[
        bool, typer.Option("--hold", help="stay armed on the bench until Enter is pressed, then ride")
    ] = False,
    settings: _Settings = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", help="run folder to write; must not hold anything yet [default: runs/TIME-NAME]"
        ),
    ] = None,
) -> None:
    """Run a scenario on a rig, judge it, and write the record with its report.

    In real time the rig's bus is opened, and with the reference robot as device under test everything
    needed is started. With --virtual the same plant, scenario and verdict run on any desk. Ctrl-C stops in
    an orderly way: the emulated signals go to rest, the record stays readable.
    """
    from emulator.assembly.session import load_session
    from emulator.config.rig.file import load_rig
    from emulator.config.rig.telemetry import telemetry_path
    from emulator.report.terminal import console_summary
    from emulator.runs.one import ride

    if hold and virtual:
        raise typer.BadParameter("--hold: nothing is held with --virtual, nothing moves there; leave it out")
    console = _console()
    session = load_session(rig, scenario, seed=seed, parameters=_numbers(settings))
    for warning in session.warnings:
        console.print(f"warning: {warning}", style="yellow", markup=False)
    folder = out or _fresh_folder(scenario, virtual=virtual)
    stage = "virtual" if virtual else "bench"
    console.print(
        f"{session.scenario.name} on {session.rig.name} ({stage}, seed {seed}): {session.scenario.purpose}",
        markup=False,
    )
    if not virtual:
        console.print(_CAUTION, style="bold", markup=False)
    started = time.monotonic()
    total = session.finish_station - session.scenario.start.station_m
    columns = (SpinnerColumn(), TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task("starting", total=total)

        def progress(time_s: float, speed: float, station: float) -> None:
            place = station - session.scenario.start.station_m
            words = (
                "waiting for the robot"
                if time_s < -1e5
                else f"{time_s:6.1f} s {speed * 3.6:5.0f} km/h {place:6.0f} m"
            )
            bar.update(task, completed=max(0.0, place), description=words)

        def say(text: str) -> None:
            bar.console.print(text, markup=False)

        told = None
        if session.rig.telemetry is not None and not virtual:
            from emulator.telemetry.publisher import Telemetry, broker, tell_verdict

            _, source = load_rig(rig)
            told = broker(session.rig.telemetry, lambda name: telemetry_path(source, name))
        companion = None if told is None else Telemetry(told, folder.name, say, session.asked_events).beside
        verdict = ride(
            session,
            (rig, scenario),
            folder,
            virtual=virtual,
            say=say,
            progress=progress,
            beside=companion,
            hold=hold,
        )
        if told is not None:
            tell_verdict(told, folder.name, asdict(verdict), say)
    console.print(console_summary(folder))
    console.print(
        f"took {time.monotonic() - started:.1f} s; record and report: {folder / 'report.html'}", markup=False
    )
    raise typer.Exit(_EXIT[verdict.result])


def _numbers(settings: list[str] | None) -> dict[str, int | float]:
    """Values by name of --set NAME=NUMBER. Raises typer.BadParameter."""
    values: dict[str, int | float] = {}
    for text in settings or []:
        name, equals, number = (part.strip() for part in text.partition("="))
        try:
            value = int(number) if number.lstrip("+-").isdecimal() else float(number)
        except ValueError:
            value = math.nan
        if not (name and equals and math.isfinite(value)):
            raise typer.BadParameter(f"--set: expected NAME=NUMBER, such as wet_grip=0.5, got {text!r}")
        if name in values:
            raise typer.BadParameter(f"--set: {name} is set twice")
        values[name] = value
    return values


def _fresh_folder(scenario: Path, *, virtual: bool) -> Path:
    stamp = datetime.now().strftime("%Y%m%d-%H%M%S")
    name = f"{stamp}-{scenario.stem}{'-virtual' if virtual else ''}"
    folder, n = Path("runs") / name, 1
    while folder.exists():
        n += 1
        folder = Path("runs") / f"{name}-{n}"
    return folder


@_typer.command()
def check(
    files: Annotated[
        list[Path],
        typer.Argument(help="rig, vehicle, scenario or circuit files; what they name is checked too"),
    ],
    settings: _Settings = None,
) -> None:
    """Check files without starting anything: every problem at once, each with file:line:column.

    Of a rig whose bus has a known bit rate it also prints what the bus has to carry, how long each frame may
    take at worst, and how far from its latency each output arrives.

    Exit status 0 if all is well (warnings are shown), 3 if anything is wrong.
    """
    from emulator.assembly.check import check as check_files
    from emulator.report.bus_tables import bus_load_tables

    console = _console()
    wrong = 0
    for checked in check_files(files, _numbers(settings)):
        for problem in checked.problems:
            console.print(str(problem), style="red", markup=False)
        for warning in checked.warnings:
            console.print(f"{warning} (warning)", style="yellow", markup=False)
        wrong += len(checked.problems)
        if checked.budget is not None:
            console.print(bus_load_tables(checked.budget))
        if not checked.problems:
            console.print(f"{checked.path}: {checked.kind}, no problems", markup=False)
    raise typer.Exit(_GIVEN if wrong else 0)


@_typer.command()
def schema(
    kind: Annotated[
        Literal["scenario", "rig", "vehicle", "circuit"], typer.Argument(help="which kind of file")
    ],
) -> None:
    """Print the JSON Schema of a kind of file, for editors that complete and check YAML by it.

    It knows keys, types and bounds; what several values say together only `emulator check` knows.
    """
    from emulator.config.editor_schema import schema_text

    sys.stdout.write(schema_text(kind))


@_typer.command()
def report(
    run_folder: Annotated[Path, typer.Argument(metavar="RUN", help="run folder, as `emulator run` wrote it")],
) -> None:
    """Write a run's report anew and show its summary. Works on a record that was cut short, too."""
    from emulator.report.run_report import write_report
    from emulator.report.terminal import console_summary
    from emulator.verdict.junit import rewrite_junit

    console = _console()
    path = write_report(run_folder)
    rewrite_junit(run_folder)
    console.print(console_summary(run_folder))
    console.print(f"report: {path}", markup=False)


@_typer.command()
def replay(
    run_folder: Annotated[Path, typer.Argument(metavar="RUN", help="run folder, as `emulator run` wrote it")],
    rig: Annotated[
        Path | None, typer.Option("--rig", help="another rig file than it was ridden with")
    ] = None,
    scenario: Annotated[Path | None, typer.Option("--scenario", help="another scenario file")] = None,
    vehicle: Annotated[
        Path | None, typer.Option("--vehicle", help="another vehicle file than the rig names")
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="run folder for the replay's own record and report")
    ] = None,
) -> None:
    """Send a recorded session's frames and commands through the plant again and compare, bit for bit.

    Nothing is connected and no robot rides: all that reached the plant comes from the record, from before
    arming on, also of a record that was cut short. With another rig, scenario or vehicle it shows what that
    model would have done with those commands, which do not answer it: another bike soon goes elsewhere.
    Exit status 0 if all agrees (or other files were asked for), 1 if anything differs, 3 if it can't be
    replayed.
    """
    from emulator.inspection.replay.replayed_run import replay as replay_run
    from emulator.inspection.replay.words import difference_table, summary

    console = _console()
    with Progress(
        SpinnerColumn(), TextColumn("{task.description}"), console=console, transient=True,
        disable=not console.is_terminal,
    ) as bar:  # fmt: skip
        task = bar.add_task("replaying what came before the ride", total=None)
        result = replay_run(
            run_folder,
            rig=rig,
            scenario=scenario,
            vehicle=vehicle,
            out=out,
            progress=lambda time_s: bar.update(task, description=f"replaying {time_s:6.1f} s"),
        )
    for note in result.notes:
        console.print(f"note: {note}", style="yellow", markup=False)
    console.print(summary(result), style="bold", markup=False)
    if result.differences:
        console.print(difference_table(result))
    if out is not None:
        console.print(f"record and report of the replay: {out / 'report.html'}", markup=False)
    raise typer.Exit(1 if result.differences and not result.other_files else 0)


@_typer.command()
def modes(
    file: Annotated[
        Path,
        typer.Argument(metavar="FILE", help="vehicle file; or rig file: its vehicle with its robot on it"),
    ],
    rig: Annotated[
        Path | None,
        typer.Option(
            "--rig", help="rig whose robot rides the vehicle [default: the one beside it that names it]"
        ),
    ] = None,
    speeds: Annotated[
        str, typer.Option("--speeds", metavar="FROM:TO:STEP", help="speeds of the diagram [km/h]")
    ] = "10:250:5",
    leans: Annotated[
        list[float] | None,
        typer.Option("--lean", help="lean to the right [deg], may be repeated [default: 0, 20, 40]"),
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="page to write [default: NAME-modes.html, here]")
    ] = None,
) -> None:
    """Show where weave, wobble and capsize are unstable over speed and lean, and the robot's delay margin.

    Hands off first; with a rig, the reference robot's balance is then closed around the vehicle, with that
    rig's latencies, control period and actuator: how much more delay the loop bears, and which mode crosses
    first. Prints tables and writes one HTML page. Exit status 0 if there is a diagram, 3 if not.
    """
    from emulator.inspection.stability.page import console_tables, write_modes
    from emulator.inspection.stability.survey import modes_of

    console = _console()
    try:
        page = modes_of(file, rig, _speeds(speeds), [0.0, 20.0, 40.0] if leans is None else leans)
    except ValueError as error:
        raise typer.BadParameter(str(error)) from error
    path = out or Path(f"{file.stem}-modes.html")
    write_modes(page, path)
    console.print(page.subject, style="bold", markup=False)
    console.print(console_tables(page))
    console.print(f"diagram: {path}", markup=False)


def _speeds(text: str) -> list[float]:
    """Speeds [km/h] of FROM:TO:STEP. Raises ValueError."""
    try:
        low, high, step = (float(part) for part in text.split(":"))
    except ValueError as error:
        raise ValueError(
            f"--speeds: expected FROM:TO:STEP in km/h, such as 10:250:5, got {text!r}"
        ) from error
    if not (0.0 < low <= high <= _FASTEST and step > 0.0 and (high - low) / step <= _MOST_SPEEDS):
        raise ValueError(
            f"--speeds: expected 0 < FROM <= TO <= {_FASTEST:g} km/h and STEP above 0 with at most "
            f"{_MOST_SPEEDS} steps, got {text!r}"
        )
    return [low + step * k for k in range(int((high - low) / step + 1e-9) + 1)]


@_typer.command()
def sensors(
    rig: Annotated[Path, typer.Argument(metavar="RIG", help="rig file")],
    measure: Annotated[
        bool,
        typer.Option("--measure", help="run the sensors and compare what comes out; needs no robot"),
    ] = False,
    seconds: Annotated[
        float,
        typer.Option("--seconds", min=20.0, max=36_000.0, help="length of the record at rest [s]"),
    ] = 200.0,
    turn: Annotated[
        str, typer.Option("--turn", metavar="SPEED:LEAN", help="the steady turn [km/h, deg to the right]")
    ] = "72:35",
    seed: Annotated[int, typer.Option("--seed", min=0, help="of all random numbers")] = 0,
    out: Annotated[
        Path | None, typer.Option("--out", help="page to write [default: NAME-sensors.html, here]")
    ] = None,
) -> None:
    """Show what a rig's sensors are configured to do, and with --measure whether their output is that.

    Place, rate, latency, wire format, resolution and error budget of every output, worked out from the files
    alone. Measuring, the same compiled plant runs at rest, in a steady turn and swaying, on a stepped clock;
    what a receiver would decode is compared row by row. Prints tables and writes one HTML page. Exit status
    0, with --measure 1 if anything differs; 3 if there is nothing to show.
    """
    from emulator.inspection.sensors.page import console_tables, write_sensors
    from emulator.inspection.sensors.survey import Plan, sensors_of

    console = _console()
    path = out or Path(f"{rig.stem}-sensors.html")
    if path.is_dir() or not path.absolute().parent.is_dir():  # known before minutes are spent
        raise typer.BadParameter(f"--out: expected a file in a folder that is there, got {path}")
    try:
        speed, lean = _turn(turn)
        plan = Plan(seconds=seconds, speed_m_s=speed, lean_rad=lean) if measure else None
        columns = (SpinnerColumn(), TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
        with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as bar:
            task = bar.add_task("starting", total=1.0)
            page = sensors_of(
                rig,
                seed=seed,
                plan=plan,
                progress=lambda what, share: bar.update(task, completed=share, description=what),
            )
    except ValueError as error:
        raise typer.BadParameter(str(error)) from error
    try:
        write_sensors(page, path)
    except RunFailed as error:
        raise typer.BadParameter(f"--out: {error}") from error
    console.print(f"Sensors of {page.budget.rig}", style="bold", markup=False)
    console.print(console_tables(page))
    console.print(f"page: {path}", markup=False)
    raise typer.Exit(1 if page.differing else 0)


def _turn(text: str) -> tuple[float, float]:
    """Speed [m/s] and lean [rad] of SPEED:LEAN in km/h and degrees. Raises ValueError."""
    try:
        speed, lean = (float(part) for part in text.split(":"))
    except ValueError as error:
        raise ValueError(f"--turn: expected SPEED:LEAN, such as 72:35, got {text!r}") from error
    if not (5.0 <= speed <= _FASTEST and 1.0 <= abs(lean) <= _MOST_LEAN):
        raise ValueError(
            f"--turn: expected 5 to {_FASTEST:g} km/h and 1 to {_MOST_LEAN:g} deg to a side, got {text!r}"
        )
    return speed / 3.6, math.radians(lean)


@_typer.command()
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

    console = _console()
    findings = inspect()
    console.print(f"waking every millisecond for {seconds:g} s", markup=False)
    late = measure_lateness(seconds, cpu, priority, spin_us)
    console.print(tables(findings, late))
    raise typer.Exit(_INVALID if late.overruns else 0)


@_typer.command()
def warm(
    bench: Annotated[bool, typer.Option("--bench", help="only what a bench run needs")] = False,
) -> None:
    """Compile the plant and the reference robot into the cache, so that the next run starts at once.

    Takes a minute or two the first time and after a change of the sources; a few seconds otherwise.
    """
    from emulator.stages.precompile import warm as compile_all

    console = _console()
    started = time.monotonic()
    console.print("compiling the plant and the reference robot (once; kept in a cache)", markup=False)
    for name, seconds in compile_all(virtual=not bench):
        console.print(f"  {name}: {seconds:.1f} s", markup=False)
    console.print(f"compiled code is ready ({time.monotonic() - started:.1f} s)", markup=False)


def app() -> None:
    """Run the command line and end the process with its exit status."""
    errors = Console(stderr=True, highlight=False, soft_wrap=True)
    try:
        status = _typer(standalone_mode=False)
        if status == _INTERRUPTED:
            errors.print("interrupted; what was recorded by then stays readable", markup=False)
            status = _OTHER
    except ConfigError as error:
        for problem in error.problems:
            errors.print(str(problem), style="red", markup=False)
        count = len(error.problems)
        errors.print(f"{count} problem{'' if count == 1 else 's'}; nothing was started", markup=False)
        status = error.exit_status
    except InternalError as error:
        errors.print(
            f"internal error: {error}\nplease report it with the run folder", style="bold red", markup=False
        )
        status = error.exit_status
    except EmulatorError as error:
        errors.print(f"error: {error}", style="red", markup=False)
        status = error.exit_status
    except SystemExit:  # the reader of our output went away (a closed pipe), which typer ends with 1
        status = _OTHER
    except Exception as error:  # 1 means "fail" here: nothing unforeseen may end with it
        show = getattr(error, "show", None)
        if callable(show):  # what was typed: an unknown option, a missing argument, a value that is none
            show()
            status = _GIVEN
        else:
            traceback.print_exc()
            errors.print("internal error: please report the lines above", style="bold red", markup=False)
            status = _OTHER
    sys.exit(status if isinstance(status, int) else 0)
