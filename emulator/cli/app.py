"""The command line: the only place that prints and the only one that knows exit statuses.

0 pass, 1 fail, 2 invalid, 3 error in what was given, 4 anything else, 5 stopped by hand.
"""

from __future__ import annotations

import errno
import io
import sys
import traceback
from importlib import metadata
from typing import Annotated

import typer

from emulator.cli.campaign.case import case as campaign_case
from emulator.cli.campaign.check import check as campaign_check
from emulator.cli.campaign.compare import compare as campaign_compare
from emulator.cli.campaign.evidence import evidence
from emulator.cli.campaign.page import page as campaign_page
from emulator.cli.campaign.run import run as campaign_run
from emulator.cli.check import check
from emulator.cli.circuit.import_points import import_points
from emulator.cli.for_robot.interface import interface
from emulator.cli.for_robot.line import line
from emulator.cli.for_robot.rehearse import rehearse
from emulator.cli.host import host
from emulator.cli.list_names import list_names
from emulator.cli.live.console import console
from emulator.cli.modes import modes
from emulator.cli.output import OTHER, WRONG_INPUT, console_of_stderr
from emulator.cli.replay import replay
from emulator.cli.report import report
from emulator.cli.run import run
from emulator.cli.schema import schema
from emulator.cli.sensors import sensors
from emulator.cli.service.alive import alive
from emulator.cli.service.robot import robot
from emulator.cli.vehicle.describe import describe
from emulator.cli.vehicle.new import new
from emulator.cli.warm import warm
from emulator.core.errors import ConfigError, EmulatorError, InternalError
from emulator.core.outside.reading import advice_for

_INTERRUPTED = 130  # what typer makes of Ctrl-C

_typer = typer.Typer(
    help=(
        "Let a motorcycle-riding robot ride a bike that stands still: a vehicle model in real time, emulated "
        "wheel speed, GNSS, IMU and lean, faults from a scenario, and a verdict.\n\n"
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

for _command in (
    run,
    check,
    line,
    interface,
    rehearse,
    schema,
    report,
    replay,
    console,
    modes,
    sensors,
    evidence,
    host,
    warm,
    robot,
    alive,
):
    _typer.command()(_command)
_typer.command("list")(list_names)
_circuit = typer.Typer(
    help="Circuit files from surveyed points.", no_args_is_help=True, rich_markup_mode=None
)
_circuit.command("import")(import_points)
_typer.add_typer(_circuit, name="circuit")
_vehicle = typer.Typer(
    help="Vehicle files: from a data sheet, and what one comes to.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
_vehicle.command("new")(new)
_vehicle.command("describe")(describe)
_typer.add_typer(_vehicle, name="vehicle")
_campaign = typer.Typer(help="Many runs from one plan.", no_args_is_help=True, rich_markup_mode=None)
_campaign.command("check")(campaign_check)
_campaign.command("run")(campaign_run)
_campaign.command("case")(campaign_case)
_campaign.command("page")(campaign_page)
_campaign.command("compare")(campaign_compare)
_typer.add_typer(_campaign, name="campaign")


def _version(asked: bool) -> None:
    if asked:
        sys.stdout.write(f"{metadata.version('emulator')}\n")
        raise typer.Exit


@_typer.callback()
def _before_all(
    _: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="print the version and leave")
    ] = False,
) -> None:
    """Options of every command."""


def app() -> None:
    """Run the command line and end the process with its exit status."""
    errors = console_of_stderr()
    try:
        status = _typer(standalone_mode=False)
        if status == _INTERRUPTED:
            errors.print("interrupted; what was recorded by then stays readable", markup=False)
            status = OTHER
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
            said = io.StringIO()
            show(said)
            errors.print(said.getvalue().rstrip("\n"), markup=False)
            status = WRONG_INPUT
        elif (refused := _refused_by_the_system(error)) is not None:
            errors.print(f"error: {refused}", style="red", markup=False)
            status = OTHER
        else:
            errors.print("".join(traceback.format_exception(error)), end="", markup=False)
            errors.print("internal error: please report the lines above", style="bold red", markup=False)
            status = OTHER
    sys.exit(status if isinstance(status, int) else 0)


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
