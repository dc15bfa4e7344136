"""``emulator campaign compare``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from emulator.cli.output import EXIT_STATUS, console_of_stdout


def compare(
    baseline: Annotated[Path, typer.Argument(metavar="BASELINE", help="campaign's folder to compare with")],
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="campaign's folder to look at")],
    quiet: Annotated[
        bool, typer.Option("--quiet", help="say nothing but the result, in a line; and errors")
    ] = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="print the comparison as JSON and nothing else")
    ] = False,
) -> None:
    """Compare two campaigns: what newly fails, what is fixed, which margins shrank, and what chance explains.

    Cases are paired by what they contain, else by their place in the plan, which is told. A regression is
    what exact tests over pairs find beyond chance; at most one in a hundred comparisons of the same with the
    same has one. Edges and margins of the robot are compared likewise. Versions, flaky repeats and drift of
    processor time are told beside it.

    Exit status 0 if nothing got worse by more than chance, 1 if something did, 2 if nothing counts in both;
    3 a file is wrong, 4 anything else.
    """
    from emulator.campaign.comparison.compare import compare as compare_rows
    from emulator.campaign.page.night import read_night
    from emulator.campaign.page.plain import plain_comparison
    from emulator.campaign.page.text import comparison_text
    from emulator.campaign.page.words import comparison_words
    from emulator.record.writer import jsonable

    if quiet and as_json:
        raise typer.BadParameter("--json: expected either --quiet or --json, got both")
    console = console_of_stdout()
    before, now = read_night(baseline), read_night(folder)
    found = compare_rows(before.rows, now.rows, before.answers, now.answers)
    if as_json:
        plain = jsonable(plain_comparison(found, before.name))
        console.print(json.dumps(plain, indent=1, ensure_ascii=False, allow_nan=False), markup=False)
    elif quiet:
        console.print(comparison_words(found, before.name), markup=False)
    else:
        console.print(comparison_text(found, before.name), end="", markup=False)
    nothing = not found.compared and not found.answers
    result = "invalid" if nothing else "fail" if found.regressions else "pass"
    raise typer.Exit(EXIT_STATUS[result])
