"""``emulator campaign check``."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Annotated

import typer

from emulator.cli.output import WRONG_INPUT, console_of_stdout


def check(
    plan: Annotated[Path, typer.Argument(help="plan file of the campaign")],
    workers: Annotated[
        int | None,
        typer.Option("--workers", min=1, help="processes that ride [default: one a core]"),
    ] = None,
    campaigns: Annotated[
        Path, typer.Option("--campaigns", help="folder with earlier nights, for how long runs take")
    ] = Path("campaigns"),
    quiet: Annotated[
        bool, typer.Option("--quiet", help="say nothing but problems and the result, in a line")
    ] = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="print all of it as JSON, and nothing else")
    ] = False,
) -> None:
    """Check a plan and every run it makes, without riding: every problem, each with file:line:column.

    Says how many runs there are, how long they take and how much disk, how many rides questions may take, and
    what is never tried: which kinds of fault on which signals in which scenarios, and which values never come
    together.

    Exit status 0 if every run can be ridden, 3 if anything is wrong.
    """
    from emulator.campaign.plan.cases import planned
    from emulator.campaign.plan.check import check_cases
    from emulator.campaign.plan.estimate import cost_of, earlier_runs, estimate
    from emulator.campaign.plan.never_tried import trials, value_coverage
    from emulator.campaign.plan.rig_of_case import one_at_a_time
    from emulator.campaign.plan.summary import AskedSummary, PlanSummary, problem_words
    from emulator.campaign.search.questions import questions_of
    from emulator.loop.machine import processor

    if quiet and as_json:
        raise typer.BadParameter("--json: expected either --quiet or --json, got both")
    console = console_of_stdout()
    campaign = planned(plan)
    questions = questions_of(campaign)
    ends = {question.name: list(question.ends()) for question in questions}
    checked = check_cases(campaign, further=[end for of in ends.values() for end in of])
    folders = sorted(campaigns.iterdir()) if campaigns.is_dir() else []
    earlier = earlier_runs(folders, processor())
    alone = one_at_a_time(campaign.cases, campaign.files)
    count = 1 if alone else workers or len(os.sched_getaffinity(0))
    expected = estimate(campaign, checked, earlier, count)
    values = tuple(value_coverage(made) for made in campaign.parts)
    asked = []
    for one in questions:
        costs = [cost_of(checked.further.get(end.case.id), earlier).cpu_s for end in ends[one.name]]
        each_s = sum(costs) / len(costs)
        asked.append(AskedSummary(one.name, one.asked.kind, one.most_rides, one.most_rides * each_s))
    summary = PlanSummary(campaign, checked, expected, trials(campaign, checked), values, tuple(asked))
    problems = list(checked.problems.values())
    if as_json:
        console.print(json.dumps(summary.as_dict(), indent=1, ensure_ascii=False), markup=False)
        raise typer.Exit(WRONG_INPUT if problems else 0)
    runs, most = len(campaign.cases), sum(one.most_rides for one in asked)
    told = f"{runs:,} runs" + (f", {len(asked)} questions of at most {most:,} rides" if asked else "")
    for found in problems:
        console.print(problem_words(found, runs), style="red", markup=False)
    if not quiet:
        for found in checked.warnings.values():
            console.print(f"{problem_words(found, runs)} (warning)", style="yellow", markup=False)
        for line in summary.lines():
            console.print(line, markup=False)
    if problems:
        many = "1 problem" if len(problems) == 1 else f"{len(problems)} problems"
        console.print(
            f"{plan}: {many}; {len(checked.wrong):,} of {runs:,} runs can't be ridden", markup=False
        )
    else:
        console.print(f"{plan}: campaign, {told}, no problems", markup=False)
    raise typer.Exit(WRONG_INPUT if problems else 0)
