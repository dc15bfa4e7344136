"""``emulator campaign run``."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.console import Console

from emulator.cli.campaign.progress import ProgressLine, duration
from emulator.cli.output import (
    CAUTION,
    EXIT_STATUS,
    INVALID,
    OTHER,
    WRONG_INPUT,
    console_of_stderr,
    console_of_stdout,
)
from emulator.core.errors import EmulatorError

if TYPE_CHECKING:
    import pyarrow as pa

    from emulator.assembly.session import Session
    from emulator.campaign.plan.case import Case
    from emulator.campaign.plan.cases import PlannedCampaign
    from emulator.campaign.riding.bench_lane import BenchLane
    from emulator.campaign.riding.campaign import Asked
    from emulator.campaign.riding.conduct import Ending
    from emulator.campaign.riding.workers import Riders
    from emulator.config.campaign.schema import Plan
    from emulator.stages.bench.supervisor import Beside

CAMPAIGNS = Path("campaigns")
"""Where campaigns lie by default, in the working folder."""


def run(
    plan: Annotated[Path, typer.Argument(help="plan file (kind: campaign)")],
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            help="folder of the campaign; one that was cut off is gone on with [default: campaigns/NAME]",
        ),
    ] = None,
    workers: Annotated[
        int | None,
        typer.Option("--workers", min=1, help="how many processes ride at once [default: one a core]"),
    ] = None,
    last: Annotated[
        Path | None,
        typer.Option(
            "--last",
            help="campaign folder of the night before: what failed there is ridden first "
            "[default: the newest of this plan's name]",
        ),
    ] = None,
    scheduler: Annotated[
        str | None,
        typer.Option(
            "--scheduler",
            metavar="ADDRESS",
            help="ride on the workers of a dask.distributed scheduler (tcp://HOST:PORT), which have the same "
            "version installed; with --workers here, for the records that are kept",
        ),
    ] = None,
    quiet: Annotated[
        bool, typer.Option("--quiet", help="say nothing but the result, in a line; and errors")
    ] = False,
    as_json: Annotated[
        bool, typer.Option("--json", help="print the counts as JSON, with the folder, and nothing else")
    ] = False,
) -> None:
    """Ride all runs of a plan and keep a row of each, and the record of those that are worth it.

    What the plan asks under search is asked behind them: edges, margins, failures, probabilities.

    Stop it at any time, also by kill -9: the same command again goes on with what is missing. Ctrl-C keeps
    what is done.

    Exit status: 0 all as expected, 1 surprises, 2 some do not count or were not reached, 3 wrong files, 4
    anything else, 5 stopped by hand; of several the first of 5, 1, 3, 4, 2.
    """
    from emulator.campaign.plan.cases import planned
    from emulator.campaign.plan.rig_of_case import one_at_a_time
    from emulator.campaign.riding.campaign import asked_of, folder_of, last_of, ride_campaign
    from emulator.campaign.search.questions import questions_of
    from emulator.campaign.store.folder import CampaignFolder
    from emulator.campaign.store.reading import read_results
    from emulator.runs.interruptions import Interruptions
    from emulator.stages.precompile import compiling_first, warm

    if quiet and as_json:
        raise typer.BadParameter("--json: expected either --quiet or --json, got both")
    result, console = console_of_stdout(lasting=True), console_of_stdout(lasting=True)
    console.quiet = quiet or as_json
    made = planned(plan)
    questions = questions_of(made)
    bench = made.plan.stage == "bench"
    if bench and scheduler is not None:
        raise typer.BadParameter("--scheduler: expected a plan of the virtual stage; a bench is one machine")
    before = last or last_of(made.plan.name, CAMPAIGNS)
    asked = asked_of(made, before, questions)
    folder = out or folder_of(asked, CAMPAIGNS)
    alone = bench or one_at_a_time(_every_case(asked), made.files)
    if alone and scheduler is not None:
        raise typer.BadParameter(
            "--scheduler: expected robots that join at any free port; one of this plan has a port or path of "
            "its own, at which one run can wait at a time"
        )
    count = 1 if alone else workers or len(os.sched_getaffinity(0))
    console.print(f"{asked.name}: {_what(asked)}, {_who(count, bench=bench)}, into {folder}", markup=False)
    for problem in made.problems:
        console.print(f"warning: {problem}", style="yellow", markup=False)
    if bench:  # the caution is shown whatever else is not
        (console_of_stderr() if console.quiet else console).print(CAUTION, style="bold", markup=False)
    if first := compiling_first(virtual=not bench):
        console.print(first, markup=False)
        for _ in warm(virtual=not bench):
            pass

    def say(text: str) -> None:
        console.print(text, markup=False)

    with (
        CampaignFolder(folder) as opened,
        Interruptions(say, "what is done is kept") as interrupted,
        ProgressLine(console) as line,
    ):
        lane = _bench_lane(made.plan, asked, folder, say) if bench else None

        def stop_asked() -> str:
            return interrupted.by or ("" if lane is None else lane.stopped)

        here = _workers(made, asked, folder, count)
        if lane is not None:
            _wait_for_the_window(made.plan, say, stop_asked)
            ending = ride_campaign(opened, asked, lambda: lane, line.show, stop_asked)
        elif scheduler is not None:
            there = _cluster(scheduler, made, asked)
            ending = ride_campaign(opened, asked, there, line.show, stop_asked, keepers=here)
        else:
            ending = ride_campaign(opened, asked, here, line.show, stop_asked)
    for text in ending.said:
        console.print(text, markup=False)
    page = _morning_page(folder, before, console)
    results = read_results(folder)
    status = exit_status(ending, results.to_pylist(), len(questions))
    told = told_of(ending, asked, folder)
    if as_json:
        result.print(json.dumps({**told, "exit_status": status}, indent=1), markup=False)
    else:
        for answer in ending.answers:
            console.print(f"{answer.label}: {answer.sentence}", markup=False)
        result.print(summary(ending, asked, folder), markup=False)
        _tell_time(console, ending, results)
        if page is not None:
            console.print(f"for the morning: {page}", markup=False)
    raise typer.Exit(status)


def _morning_page(folder: Path, before: Path | None, console: Console) -> Path | None:
    """What it comes to, written beside the table; None, and said why, where it could not be."""
    from emulator.campaign.page.outputs import read_morning, write_morning

    try:
        return write_morning(read_morning(folder, baseline=before))
    except EmulatorError as error:  # the rows are there, and so is the command that writes the page
        console.print(f"no page for the morning: {error}", markup=False)
        return None


def _what(asked: Asked) -> str:
    """Runs, and rides that questions may take."""
    parts = [f"{len(asked.cases):,} runs"] if asked.cases else []
    if asked.questions:
        most = sum(question.most_rides for question in asked.questions)
        many = "1 question" if len(asked.questions) == 1 else f"{len(asked.questions)} questions"
        parts.append(f"{many} of at most {most:,} rides")
    return " and ".join(parts)


def _who(count: int, *, bench: bool) -> str:
    if bench:
        return "one after another on the bench"
    return "one at a time" if count == 1 else f"{count} at a time"


def _workers(made: PlannedCampaign, asked: Asked, folder: Path, count: int) -> Callable[[], Riders]:
    """Processes of this machine."""
    from emulator.campaign.riding.files import files_of, hashes_of
    from emulator.campaign.riding.worker import Job
    from emulator.campaign.riding.workers import Workers

    def made_now() -> Riders:
        memory = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
        hashes = hashes_of(files_of(_every_case(asked), made.files))
        job = Job(asked.plan, folder, hashes, memory // count, asked.terms.extent)
        return Workers(job, count, asked.terms.limit_s, asked.terms.attempts)

    return made_now


def _cluster(address: str, made: PlannedCampaign, asked: Asked) -> Callable[[], Riders]:
    """Workers of a scheduler."""
    from emulator.campaign.riding.cluster import Cluster
    from emulator.campaign.riding.files import bundle_of, files_of

    plan = Path(made.source.path)
    return lambda: Cluster(address, plan, bundle_of(files_of(_every_case(asked), made.files), plan))


def _every_case(asked: Asked) -> Iterator[Case]:
    """All cases whose files are needed: those of the table, and of every question one at each end."""
    yield from asked.cases
    for question in asked.questions:
        for end in question.ends():
            yield end.case


def _bench_lane(plan: Plan, asked: Asked, folder: Path, say: Callable[[str], None]) -> BenchLane:
    from emulator.campaign.riding.bench_lane import BenchLane, LaneTerms
    from emulator.config.campaign.schema import BenchLane as Lane

    lane = plan.bench or Lane()
    terms = LaneTerms(lane.rest_s, 1 + lane.repeats_of_invalid, extent=asked.terms.extent)
    return BenchLane(asked.plan, folder, terms, say=say, beside=_telemetry)


def _telemetry(session: Session, folder: Path, say: Callable[[str], None]) -> Beside | None:
    """What tells a ride to the broker, if its rig names one."""
    from emulator.cli.broker import broker_of
    from emulator.telemetry.publisher import Telemetry

    if session.rig.telemetry is None:
        return None
    broker = broker_of(Path(session.paths["rig"]))
    return None if broker is None else Telemetry(broker, folder.name, say, session.asked_events).beside


def _wait_for_the_window(plan: Plan, say: Callable[[str], None], stop_asked: Callable[[], str]) -> None:
    """Until the bench may begin, or somebody does not want to wait."""
    from emulator.campaign.riding.campaign import begins_at

    now = datetime.now().astimezone()
    begin = begins_at(plan.bench.begins, plan.bench.ends, now) if plan.bench else now
    if begin > now:
        say(f"the bench begins at {begin:%H:%M}, in {duration((begin - now).total_seconds())}")
    while datetime.now().astimezone() < begin and not stop_asked():
        time.sleep(1.0)


def exit_status(ending: Ending, rows: Iterable[Mapping[str, Any]], questions: int = 0) -> int:
    """What the command ends with, see its help; an answer that the plan does not expect is a surprise."""
    from emulator.campaign.store.answers import UNKNOWN
    from emulator.campaign.store.schema import ERROR, NO_POSSIBLE_BIKE, WRONG_FILES

    if ending.state == "stopped":
        return EXIT_STATUS["stopped"]
    counts = ending.counts
    if counts.surprises or any(answer.as_expected is False for answer in ending.answers):
        return EXIT_STATUS["fail"]
    if counts.errors:
        kinds = {row["cause_kind"] for row in rows if row["result"] == ERROR}
        if kinds != {NO_POSSIBLE_BIKE}:
            return WRONG_INPUT if WRONG_FILES in kinds else OTHER
    # who is out of time has runs left, and of those nothing is known
    answered = {answer.question for answer in ending.answers if answer.found != UNKNOWN}
    silent = counts.invalid or counts.errors or ending.state == "out_of_time" or len(answered) < questions
    return INVALID if silent else EXIT_STATUS["pass"]


def summary(ending: Ending, asked: Asked, folder: Path) -> str:
    """The result in a line."""
    counts, total = ending.counts, len(asked.cases)
    parts = [f"{counts.as_expected:,} as expected"]
    for n, words in (
        (counts.surprises, "not as expected"),
        (counts.invalid, "do not count"),
        (counts.errors, "could not be ridden"),
        (total - counts.done, "not reached"),
    ):
        if n:
            parts.append(f"{n:,} {words}")
    told = [f"of {total:,}: {', '.join(parts)}"] if total else []
    if asked.questions:
        answered = len({answer.question for answer in ending.answers})
        told.append(f"{answered} of {len(asked.questions)} questions answered in {ending.searched:,} rides")
    why = "" if ending.state == "complete" else f" ({_WHY[ending.state]})"
    return f"{'; '.join(told)}{why}; {folder}"


def told_of(ending: Ending, asked: Asked, folder: Path) -> dict[str, Any]:
    """The same for programs."""
    counts, total = ending.counts, len(asked.cases)
    return {
        "folder": str(folder),
        "state": ending.state,
        "cases": total,
        "as_expected": counts.as_expected,
        "surprises": counts.surprises,
        "does_not_count": counts.invalid,
        "errors": counts.errors,
        "not_reached": total - counts.done,
        "questions": len(asked.questions),
        "searched": ending.searched,
        "answers": [asdict(answer) for answer in ending.answers],
        "lost_workers": ending.lost,
        "spent_s": round(ending.spent_s, 1),
    }


def _tell_time(console: Console, ending: Ending, results: pa.Table) -> None:
    """Where the processor time went, a run."""
    spent = {name: results[name].drop_null().to_numpy() for name in _SPENT}
    if not len(spent["cpu_ride_s"]):
        return
    parts = ", ".join(f"{words} {spent[name].mean():.3f}" for name, words in _SPENT.items())
    console.print(f"took {duration(ending.spent_s)}; processor time a run [s]: {parts}", markup=False)


_WHY = {"stopped": "stopped by hand", "out_of_time": "time is up", "stop_rule": "a stop rule of the plan"}
_SPENT = {
    "cpu_ride_s": "ride",
    "cpu_design_s": "design",
    "cpu_setup_s": "files",
    "cpu_judge_s": "judging",
}
