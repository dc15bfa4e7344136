"""A campaign: begun, or gone on with where it was cut off, and ended with its state written."""

from __future__ import annotations

import contextlib
import hashlib
import os
import platform
import re
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from importlib import metadata
from pathlib import Path
from typing import Any

from emulator.campaign.plan.case import Case
from emulator.campaign.plan.cases import PlannedCampaign
from emulator.campaign.riding.conduct import Ending, Most, Progress, Terms, conduct, keep_records
from emulator.campaign.riding.order import in_turn, table_of_cases
from emulator.campaign.riding.row import model_key, tool_version
from emulator.campaign.riding.searching import search
from emulator.campaign.riding.workers import Riders
from emulator.campaign.search.asked_ride import PlannedQuestion
from emulator.campaign.search.questions import questions_hash
from emulator.campaign.store.counts import counted
from emulator.campaign.store.folder import CAMPAIGN_FILE, CampaignFolder
from emulator.campaign.store.reading import STOPPED_AFTER, read_campaign, read_cases, read_results
from emulator.core.errors import RecordError, RunFailed, StartFailed
from emulator.loop.machine import processor

NOTE_TIME_EVERY_S = 5.0
"""At most so much of the time that is spent is forgotten by a kill."""
_LIBRARIES = ("numpy", "numba", "scipy", "pyarrow")


@dataclass(frozen=True)
class Asked:
    """What is to be ridden.

    plan   its file
    name   of the campaign
    cases  in the plan's order
    terms  how the plan wants them ridden
    last   folder of the night before, which the order goes by; None: there is none
    questions  that are asked behind them
    """

    plan: Path
    name: str
    cases: Sequence[Case]
    terms: Terms
    last: Path | None = None
    questions: Sequence[PlannedQuestion] = ()


def asked_of(
    planned: PlannedCampaign, last: Path | None = None, questions: Sequence[PlannedQuestion] = ()
) -> Asked:
    """What a plan asks for. Times of day are this machine's, the next ones to come."""
    plan = planned.plan
    stop, budget, bench = plan.stop_after, plan.budget, plan.bench
    terms = Terms(
        first=plan.first,
        keep=plan.keep.of,
        thinnest=plan.keep.thinnest,
        most_kept=plan.keep.most,
        extent=plan.keep.record,
        disk_bytes=None if budget.disk_GB is None else round(budget.disk_GB * 1e9),
        limit_s=plan.run_limit_s,
        time_s=None if budget.hours is None else budget.hours * 3600.0,
        ends=None
        if bench is None or bench.ends is None
        else next_time(bench.ends, datetime.now().astimezone()),
        stop_after=Most(stop.surprises, stop.does_not_count, stop.errors),
    )
    return Asked(Path(planned.source.path), plan.name, planned.cases, terms, last, questions)


def begins_at(begins: str | None, ends: str | None, now: datetime) -> datetime:
    """When a bench with a window of the night may begin, by times of day (22:30); now if it is within it."""
    if begins is None:
        return now
    begin = next_time(begins, now)
    within = begin.date() > now.date() if ends is None else next_time(ends, now) < begin
    return now if within else begin


def next_time(of_day: str, now: datetime) -> datetime:
    """The next time it is that time of day."""
    hour, minute = (int(part) for part in of_day.split(":"))
    found = now.replace(hour=hour, minute=minute, second=0, microsecond=0)
    return found if found > now else found + timedelta(days=1)


def cases_hash(cases: Sequence[Case]) -> str:
    """SHA-256 of the ids of all cases, in the plan's order."""
    return hashlib.sha256("\n".join(case.id for case in cases).encode()).hexdigest()


def begin(folder: CampaignFolder, asked: Asked) -> list[Case]:
    """Write down what will be ridden, or find what was: the cases by their turns.

    Raises StartFailed for a folder whose campaign is another one, or was begun by another version.
    """
    if folder.begun:
        _same(read_campaign(folder.path), asked, folder.path)
        table = read_cases(folder.path)
        turn = dict(zip(table["number"].to_pylist(), table["turn"].to_pylist(), strict=True))
        return sorted(asked.cases, key=lambda case: turn[case.number])
    last = None if asked.last is None else read_results(asked.last)
    turns = in_turn(asked.cases, last, asked.terms.first)
    folder.begin(asked.plan.read_bytes(), table_of_cases(asked.cases, turns, asked.plan), _about(asked))
    return turns


def ride_campaign(
    folder: CampaignFolder,
    asked: Asked,
    riders: Callable[[], Riders],
    tell: Callable[[Progress], None] = lambda _progress: None,
    stop_asked: Callable[[], str] = lambda: "",
    keepers: Callable[[], Riders] | None = None,
) -> Ending:
    """Ride what is not ridden yet, to the end or as far as it goes.

    riders   made once it is known what is to be ridden
    keepers  ride those whose records are kept only in the end; None: the same
    Raises StartFailed as ``begin`` does; RunFailed when the disk refuses rows.
    """
    turns = begin(folder, asked)
    about = read_campaign(folder.path)
    before_s = float(about["spent_s"])
    tell = _noting_time(folder, about, tell)
    with contextlib.closing(riders()) as riding:
        ending = conduct(folder, turns, asked.terms, riding, tell, stop_asked, before_s)
        if ending.state == "complete" and asked.questions:
            _search(folder, asked, riding, ending, tell, stop_asked, before_s)
        if ending.state != "stopped" and keepers is None:
            ending.said += keep_records(folder, asked.cases, asked.terms, riding, stop_asked, missing=False)
    if ending.state != "stopped" and keepers is not None:
        with contextlib.closing(keepers()) as riding:
            ending.said += keep_records(folder, asked.cases, asked.terms, riding, stop_asked, missing=True)
    ending.said += _unlike_processors(folder.path)
    folder.describe(
        {
            **about,
            "state": ending.state,
            STOPPED_AFTER: ending.after_turn,
            "spent_s": round(before_s + ending.spent_s, 3),
            "lost_workers": int(about["lost_workers"]) + ending.lost,
            "ended": _now(),
            "said": [*about["said"], *ending.said],
        }
    )
    ending.counts = counted(read_results(folder.path).to_pylist())
    return ending


def _noting_time(
    folder: CampaignFolder, about: Mapping[str, Any], tell: Callable[[Progress], None]
) -> Callable[[Progress], None]:
    """Tells the same, and writes down how long it took so far: time before a kill counts for the budget.

    Of a bench that is once a run; a run that is cut off is not counted.
    """
    began = written = time.monotonic()

    def told(progress: Progress) -> None:
        nonlocal written
        now = time.monotonic()
        if now - written >= NOTE_TIME_EVERY_S:
            with contextlib.suppress(RunFailed):  # a disk that refuses rows is told where they are written
                folder.describe({**about, "spent_s": round(float(about["spent_s"]) + now - began, 3)})
            written = now
        tell(progress)

    return told


def _search(
    folder: CampaignFolder,
    asked: Asked,
    riding: Riders,
    ending: Ending,
    tell: Callable[[Progress], None],
    stop_asked: Callable[[], str],
    spent_s: float,
) -> None:
    """Ask the questions; how that ended is how the campaign did."""
    spent_s += ending.spent_s
    found = search(folder, asked.questions, asked.terms, riding, tell, stop_asked, spent_s)
    ending.state, ending.answers, ending.searched = found.state, found.answers, found.rides
    ending.lost += found.lost
    ending.spent_s += found.spent_s
    ending.said += found.said


def _about(asked: Asked) -> dict[str, Any]:
    return {
        "format": 1,
        "name": asked.name,
        "plan": str(asked.plan),
        "plan_sha256": hashlib.sha256(asked.plan.read_bytes()).hexdigest(),
        "cases": len(asked.cases),
        "cases_sha256": cases_hash(asked.cases),
        "questions": [question.name for question in asked.questions],
        "questions_sha256": questions_hash(asked.questions),
        "tool": tool_version(),
        "model": model_key(),
        "versions": {name: metadata.version(name) for name in _LIBRARIES},
        "host": {
            "python": platform.python_version(),
            "kernel": platform.release(),
            "processor": processor(),
            "cpus": os.cpu_count(),
        },
        "terms": asdict(asked.terms)
        | {"ends": None if asked.terms.ends is None else asked.terms.ends.isoformat()},
        "order_from": None if asked.last is None else str(asked.last),
        "state": "under_way",
        STOPPED_AFTER: None,
        "spent_s": 0.0,
        "lost_workers": 0,
        "begun": _now(),
        "ended": None,
        "said": [],
    }


def _same(about: Mapping[str, Any], asked: Asked, folder: Path) -> None:
    """Raises StartFailed unless a folder's campaign is the one asked for, of this version."""
    advice = "name a new folder with --out"
    if about.get("cases_sha256") != cases_hash(asked.cases):
        raise StartFailed(
            f"{folder / CAMPAIGN_FILE} is of other cases: the plan, or a file it names, was changed since",
            advice=advice,
        )
    if about.get("questions_sha256") != questions_hash(asked.questions):
        raise StartFailed(
            f"{folder / CAMPAIGN_FILE} is of other questions: the plan, or a file they name, was changed",
            advice=advice,
        )
    now = {"tool": tool_version(), "model": model_key()}
    if changed := [name for name, value in now.items() if about.get(name) != value]:
        raise StartFailed(
            f"{folder / CAMPAIGN_FILE} was begun by another version ({', '.join(changed)}): "
            "rows of two versions are no table",
            advice=advice,
        )


def _unlike_processors(folder: Path) -> list[str]:
    found = sorted(set(read_results(folder)["processor"].drop_null().to_pylist()))
    if len(found) < 2:
        return []
    return [f"ridden on unlike processors, whose last bits may differ: {'; '.join(found)}"]


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")


def folder_of(asked: Asked, campaigns: Path) -> Path:
    """Where a campaign is ridden by default: the newest folder of its name, if this very one was cut off.

    Else one that is not there yet: its name, with a number behind it if need be.
    """
    before = _of_name(asked.name, campaigns)
    if before and _cut_off(before[0][1], asked):
        return before[0][0]
    folder, n = campaigns / _as_folder(asked.name), 1
    while folder.exists():
        n += 1
        folder = campaigns / f"{_as_folder(asked.name)}-{n}"
    return folder


def last_of(name: str, campaigns: Path) -> Path | None:
    """The newest folder of a campaign of this name that came to an end, whatever was ridden there."""
    return next((path for path, about in _of_name(name, campaigns) if about.get("ended")), None)


def _as_folder(name: str) -> str:
    plain = re.sub(r"[^\w.]+", "-", name).strip("-.")
    return plain or "campaign"


def _cut_off(about: Mapping[str, Any], asked: Asked) -> bool:
    same = about.get("cases_sha256") == cases_hash(asked.cases) and about.get("model") == model_key()
    same = same and about.get("questions_sha256") == questions_hash(asked.questions)
    return same and about.get("state") in ("under_way", "stopped")


def _of_name(name: str, campaigns: Path) -> list[tuple[Path, dict[str, Any]]]:
    """Campaigns of a name in a folder, newest first."""
    found = []
    for file in campaigns.glob(f"*/{CAMPAIGN_FILE}"):
        try:
            about = read_campaign(file.parent)
        except RecordError:
            continue
        if about.get("name") == name:
            found.append((file.parent, about))
    return sorted(found, key=lambda one: (str(one[1].get("begun")), one[0].name), reverse=True)
