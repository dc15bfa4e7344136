"""A campaign's folder in, its morning out: read with what stands beside it, written in every form."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from emulator.campaign.page.edges import read_edges
from emulator.campaign.page.junit import junit_of
from emulator.campaign.page.morning import Morning, morning_of
from emulator.campaign.page.night import read_night
from emulator.campaign.page.night_page import night_html
from emulator.campaign.page.plain import plain_of
from emulator.campaign.page.text import text_of
from emulator.config.campaign.acknowledged import entries_beside, load_acknowledged
from emulator.record.writer import jsonable, write_whole

PAGE_FILE = "page.html"
TEXT_FILE = "page.txt"
RESULT_FILE = "campaign_result.json"
JUNIT_FILE = "junit.xml"


def read_morning(
    folder: Path,
    *,
    baseline: Path | None = None,
    earlier: Sequence[Path] = (),
    acknowledged: Path | None = None,
) -> Morning:
    """What a campaign's folder comes to.

    baseline      folder of the campaign to compare with
    earlier       folders of the nights before, in any order
    acknowledged  the list of what is acknowledged; left out: the one beside the plan, if there is one

    Raises RecordError for a folder that holds no campaign, ConfigError for a list that is none.
    """
    night = read_night(folder)
    entries = (
        entries_beside(night.plan) if acknowledged is None else load_acknowledged(acknowledged)[0].entries
    )
    return morning_of(
        night,
        entries=entries,
        edges=read_edges(folder),
        baseline=None if baseline is None else read_night(baseline),
        earlier=[read_night(one) for one in earlier],
    )


def result_text(morning: Morning) -> str:
    """``campaign_result.json``."""
    return json.dumps(jsonable(plain_of(morning)), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def write_morning(morning: Morning) -> Path:
    """Write page, text, JSON and JUnit into the campaign's folder; the page's path. Raises RunFailed."""
    folder = morning.night.folder
    write_whole(folder / TEXT_FILE, text_of(morning))
    write_whole(folder / RESULT_FILE, result_text(morning))
    write_whole(folder / JUNIT_FILE, junit_of(morning))
    write_whole(folder / PAGE_FILE, night_html(morning))
    return folder / PAGE_FILE
