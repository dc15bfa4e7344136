"""``emulator campaign page``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from emulator.cli.output import console_of_stderr, console_of_stdout

if TYPE_CHECKING:
    from emulator.campaign.page.morning import Morning


def page(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="campaign's folder, as `emulator campaign run` wrote it")
    ],
    baseline: Annotated[
        Path | None,
        typer.Option("--baseline", metavar="FOLDER", help="campaign to compare with, case by case"),
    ] = None,
    earlier: Annotated[
        list[Path] | None,
        typer.Option(
            "--earlier", metavar="FOLDER", help="a night before, for what grew thin; may be repeated"
        ),
    ] = None,
    acknowledged: Annotated[
        Path | None,
        typer.Option(
            "--acknowledged",
            metavar="FILE",
            help="list of what is acknowledged [default: acknowledged.yaml beside the plan]",
        ),
    ] = None,
    tell: Annotated[
        Path | None,
        typer.Option("--tell", metavar="RIG", help="leave the result at the broker that this rig names"),
    ] = None,
    quiet: Annotated[
        bool, typer.Option("--quiet", help="say nothing but the result, in a line; and errors")
    ] = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="print the result as JSON, with its folder, and nothing else")
    ] = False,
) -> None:
    """Write what a campaign comes to: a page for the morning, the same as text, JSON and JUnit.

    Into the campaign's folder go page.html, page.txt, campaign_result.json and junit.xml; the text is
    printed, too. Works on a campaign that was cut short or is still being ridden.

    Exit status 0 if every run came out as expected, 1 for surprises (in either direction, or worse than the
    baseline by more than chance), 2 if runs do not count or were not ridden, 5 if a person stopped it;
    3 a file is wrong, 4 anything else.
    """
    from emulator.campaign.page.outputs import read_morning, result_text, write_morning
    from emulator.campaign.page.plain import EXIT_STATUS
    from emulator.campaign.page.text import text_of
    from emulator.campaign.page.words import SIGN, headline

    if quiet and as_json:
        raise typer.BadParameter("--json: expected either --quiet or --json, got both")
    console = console_of_stdout()
    morning = read_morning(folder, baseline=baseline, earlier=earlier or (), acknowledged=acknowledged)
    written = write_morning(morning)
    if as_json:
        console.print(result_text(morning), end="", markup=False)
    elif quiet:
        console.print(f"{SIGN[morning.status]} {headline(morning).word} {folder}", markup=False)
    else:
        console.print(text_of(morning), end="", markup=False)
        console.print(f"page: {written}", markup=False)
    if tell is not None:
        _tell(morning, tell)
    raise typer.Exit(EXIT_STATUS[morning.status])


def _tell(morning: Morning, rig: Path) -> None:
    """One retained message; a broker that is away is told of and changes nothing."""
    from emulator.campaign.page.plain import message_of
    from emulator.cli.broker import broker_of
    from emulator.telemetry.publisher import tell_campaign

    errors = console_of_stderr()
    broker = broker_of(rig)
    if broker is None:
        raise typer.BadParameter(f"--tell: expected a rig with telemetry, {rig} names no broker")
    tell_campaign(broker, message_of(morning), lambda text: errors.print(text, markup=False))
