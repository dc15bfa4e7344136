"""The command line: the only place that prints and the only one that knows exit statuses.

0 pass, 1 fail, 2 invalid, 3 error in what was given, 4 anything else, 5 stopped by hand.
"""

from __future__ import annotations

import errno
import inspect
import io
import re
import sys
import traceback
from collections.abc import Callable
from functools import cache
from importlib import import_module
from typing import Annotated

import typer
from rich.console import Console

from emulator.cli.output import EXIT_STATUS, OTHER, WRONG_INPUT, console_of_stderr, show_what_can_be_shown
from emulator.cli.typed import in_our_words
from emulator.core.errors import ConfigError, EmulatorError, InternalError
from emulator.core.keeping.unheard import stop_asked
from emulator.core.outside.reading import advice_for

_INTERRUPTED = 130  # what typer makes of Ctrl-C

_RECORDING = ("run", "rehearse", "replay", "campaign run")
"""Commands that leave a record however they end, once it has begun."""
_COMMANDS = {
    "run": "run:run",
    "check": "check:check",
    "line": "for_robot.line:line",
    "interface": "for_robot.interface:interface",
    "rehearse": "for_robot.rehearse:rehearse",
    "schema": "schema:schema",
    "report": "record.report:report",
    "export": "record.export:export",
    "replay": "record.replay:replay",
    "console": "live.console:console",
    "modes": "modes:modes",
    "sensors": "sensors:sensors",
    "evidence": "campaign.evidence:evidence",
    "host": "host:host",
    "warm": "warm:warm",
    "robot": "service.robot:robot",
    "alive": "service.alive:alive",
    "list": "list_names:list_names",
    "circuit import": "circuit.import_points:import_points",
    "track import": "track.import_log:import_log",
    "track line": "track.ridden_line:line",
    "track surface": "track.ridden_surface:surface",
    "track plan": "track.plan:plan",
    "track calibrate": "track.calibrate:calibrate",
    "track actuators": "track.actuators:actuators",
    "track compare": "track.compare:compare",
    "track finding": "track.finding:finding",
    "track findings": "track.finding:findings",
    "vehicle new": "vehicle.new:new",
    "vehicle describe": "vehicle.describe:describe",
    "vehicle history": "vehicle.history:history",
    "campaign check": "campaign.check:check",
    "campaign run": "campaign.run:run",
    "campaign case": "campaign.case:case",
    "campaign page": "campaign.page:page",
    "campaign compare": "campaign.compare:compare",
}
"""By name, the module under ``emulator.cli`` and the function of each command."""
_GROUPS = {
    "circuit": "Circuit files from surveyed points.",
    "track": "Logs of the track, and what they say of the vehicle.",
    "vehicle": "Vehicle files: from a data sheet, what one comes to, and where its values are from.",
    "campaign": "Many runs from one plan.",
}


@cache
def command_line(first: str = "") -> typer.Typer:
    """The command line with all commands or, if ``first`` begins the name of one, with those alone.

    Importing and describing all of them takes as long as a check does.
    """
    named = {name: place for name, place in _COMMANDS.items() if name.split()[0] == first} or _COMMANDS
    root = typer.Typer(
        help=(
            "Let a motorcycle-riding robot ride a bike that stands still: a vehicle model in real time, "
            "emulated wheel speed, GNSS, IMU and lean, faults from a scenario, and a verdict.\n\n"
            "Start with: "
            "emulator run scenarios/runs/first_lap.yaml --rig scenarios/rigs/loopback.yaml --virtual\n\n"
            "Exit status: 0 pass, 1 fail (proven against the robot), 2 invalid (the bench did not keep its "
            "promises, or nobody can tell), 3 error in what was given, 4 anything else, 5 stopped by hand."
        ),
        no_args_is_help=True,
        context_settings={"help_option_names": ["--help", "-h"]},
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
    )
    root.callback()(_before_all)
    groups: dict[str, typer.Typer] = {}
    for name, place in named.items():
        module, _, function = place.partition(":")
        command = getattr(import_module(f"emulator.cli.{module}"), function)
        *group, own = name.split()
        for of in group:
            if of not in groups:
                groups[of] = typer.Typer(help=_GROUPS[of], no_args_is_help=True, rich_markup_mode=None)
                root.add_typer(groups[of], name=of, short_help=_GROUPS[of])
        (groups[group[0]] if group else root).command(own, short_help=_first_sentence(command))(command)
    return root


def _first_sentence(command: Callable[..., None]) -> str:
    """What a list of commands says of one; what typer would take of its help is cut off at a fixed length."""
    paragraph = " ".join((inspect.getdoc(command) or "").split("\n\n")[0].split())
    return re.sub(r":$", ".", re.split(r"(?<=[.:]) (?=[A-Z])", paragraph)[0])


def _version(asked: bool) -> None:
    if asked:
        from importlib import metadata

        sys.stdout.write(f"{metadata.version('emulator')}\n")
        raise typer.Exit


def _before_all(
    _: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="print the version and leave")
    ] = False,
) -> None:
    """Options of every command."""


def app() -> None:
    """Run the command line and end the process with its exit status."""
    show_what_can_be_shown()
    errors = console_of_stderr()
    try:
        status = command_line(*sys.argv[1:2])(standalone_mode=False)
        if status == _INTERRUPTED:
            raise KeyboardInterrupt
    except KeyboardInterrupt:
        _print_stopped(errors)
        status = EXIT_STATUS["stopped"]
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
        status = OTHER
    except Exception as error:  # 1 means "fail" here: nothing unforeseen may end with it
        show = getattr(error, "show", None)
        if callable(show):  # what was typed: an unknown option, a missing argument, a value that is none
            error.message = in_our_words(error) or error.message  # type: ignore[attr-defined]
            said = io.StringIO()
            show(said)
            errors.print(said.getvalue().rstrip("\n"), markup=False)
            status = WRONG_INPUT
        elif (refused := _refused_by_the_system(error)) is not None:
            errors.print(f"error: {refused}", style="red", markup=False)
            status = OTHER
        elif stop_asked():  # and what it raised was dropped by the compiler, which then breaks
            _print_stopped(errors)
            status = EXIT_STATUS["stopped"]
        else:
            errors.print("".join(traceback.format_exception(error)), end="", markup=False)
            errors.print("internal error: please report the lines above", style="bold red", markup=False)
            status = OTHER
    sys.exit(status if isinstance(status, int) else 0)


def _print_stopped(errors: Console) -> None:
    words = sys.argv[1:3] if sys.argv[1:2] == ["campaign"] else sys.argv[1:2]
    kept = "; a record that had begun stays readable" if " ".join(words) in _RECORDING else ""
    errors.print(f"stopped by hand{kept}", markup=False)


def _refused_by_the_system(error: BaseException | None) -> str | None:
    """What the system refused, with advice, if that is what an error comes from: files, memory, disk."""
    while error is not None:
        if isinstance(error, MemoryError):
            return f"memory has run out\n  what to do: {advice_for(OSError(errno.ENOMEM, ''))}"
        if isinstance(error, BaseExceptionGroup):
            found = (_refused_by_the_system(inner) for inner in error.exceptions)
            return next((words for words in found if words is not None), None)
        if isinstance(error, OSError) and (advice := advice_for(error)):
            what = f"{error.filename}: {error.strerror}" if error.filename else error.strerror
            return f"{what}\n  what to do: {advice}"
        error = error.__cause__ or error.__context__
    return None
