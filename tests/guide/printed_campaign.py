"""What is printed about campaigns: the morning page, its text and JUnit, a comparison, evidence."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from datetime import timedelta
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from emulator.campaign.evidence.gathered import gather
from emulator.campaign.evidence.shown import evidence_html, summary
from emulator.campaign.page import text
from emulator.campaign.page.edges import CurvePoint, Edge, EdgePoint, write_edges
from emulator.campaign.page.junit import junit_of
from emulator.campaign.page.morning import Morning
from emulator.campaign.page.night import read_night
from emulator.campaign.page.night_page import night_html
from emulator.campaign.page.outputs import read_morning
from emulator.campaign.store.answers import ANSWERS_FILE, Answer, answers_table
from emulator.campaign.store.schema import NO_POSSIBLE_BIKE
from emulator.config.campaign.acknowledged import Entry
from tests.guide.printed_numbers import Printed, of_page, sentences
from tests.guide.printed_output import of_junit
from tests.support.made_up_answers import margin, other
from tests.support.made_up_campaign import (
    EVENING,
    Row,
    error,
    fallen,
    invalid,
    made_up_rows,
    row,
    table_of,
    write_campaign,
)

MANY = tuple(f"ride {chr(97 + k)}" for k in range(26))
"""Scenarios enough for folded lists."""


def of_campaigns(folder: Path) -> set[Printed]:
    """All numbers of several nights: one of everything, one of much of everything, quiet ones."""
    found: set[Printed] = set()
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)  # so that no number of a path is printed
        for morning in _mornings(Path()):
            found |= set(of_morning(morning))
    first, second = read_night(folder / "first"), read_night(folder / "eventful")
    for nights in ((first, second), (first,)):
        entries = Entry(scenario="*", reason="known", name="A. Keeper", until=EVENING.date())
        evidence = gather(nights, [(entries,) for _ in nights], "rider")
        found |= set(of_page("evidence", evidence_html(evidence)))
        found |= set(sentences("evidence", summary(evidence)))
    asked = folder / "asked"
    rides = [
        row("shuffled", None, 0, 20.0, k, factors=f'{{"question": "{name}"}}')
        for k, name in enumerate(dict.fromkeys(one.question for one in ANSWERS))
    ]
    (asked / "searched").mkdir()
    pq.write_table(table_of(_plain(rides)), asked / "searched" / "000001.parquet")
    evidence = gather([read_night(asked)], [()], "rider")
    assert len(evidence.answers) == len(ANSWERS)
    found |= set(of_page("evidence", evidence_html(evidence)))
    found |= set(sentences("evidence", summary(evidence)))
    return {one._replace(what=_NAMES.sub("…", one.what)) for one in found}


_NAMES = re.compile(
    r"(?:ride[ _][a-z]\b|short[ _]bend|lane[ _]change|slalom|braking|shuffled)"
    r"(?: · (?:dropout imu_rates|offset gnss|slow steering|undisturbed))?"
    r"|signal [a-h]\b|frame steering|lean_rad|again-[0-9a-f]{16}|\b[0-9a-f]{16}\b|dropout imu_rates"
    r"|everything"
)
"""Scenarios, disturbances and identities: one name is as good as another."""


def of_morning(morning: Morning) -> Iterator[Printed]:
    """Its page, its text on lines as long as they get, its JUnit."""
    html = night_html(morning)
    # cells of the map are one thing, and their columns names; axes of drawings are their captions' numbers
    html = re.sub(
        r'<table class="map">.*?</table>|<svg.*?</svg>|<ul class="each">.*?</ul>', "", html, flags=re.DOTALL
    )
    yield Printed("campaign", "Thinnest margins", "cell")
    yield Printed("campaign", "Every run", "margin")
    yield from of_page("campaign", html)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(text, "WIDTH", 100_000)
        yield from sentences("campaign", text.text_of(morning))
    yield from of_junit("campaign", junit_of(morning))


def _mornings(folder: Path) -> Iterator[Morning]:
    first = write_campaign(folder / "first", _plain(made_up_rows(spread=4.0, robot="rider")))
    _answered(first, [margin(f"signal {name}", 60.0, 40.0) for name in "abcdefgh"])
    yield read_morning(first)
    eventful = _rows(made_up_rows(spread=4.0, draw=2, shift={"slalom": -30.0}, robot="rider"))
    tonight = write_campaign(folder / "eventful", eventful[:-3], not_ridden=eventful[-3:])
    (tonight / "acknowledged.yaml").write_text(
        "kind: acknowledged\nentries:\n"
        f"- {{case: {eventful[8]['case_id']}, reason: known, name: A. Keeper, until: 2027-03-31}}\n"
        "- {scenario: nothing, reason: old, name: B. Keeper, until: 2027-01-01}\n"
    )
    write_edges(tonight, EDGES)
    _answered(tonight, [margin(f"signal {name}", 60.0, 34.0) for name in "abcdefgh"])
    yield read_morning(tonight, baseline=first, earlier=[first])
    many = made_up_rows(scenarios=MANY, seeds=2, spread=30.0, robot="rider", disturbances=(None,))
    later = [one | {"began": one["began"] + timedelta(days=1)} for one in many]
    some = [
        (invalid(one, f"cause {one['scenario']}") if k % 3 else error(one, f"broken {one['scenario']}"))
        for k, one in enumerate(later[:30])
    ]
    loud = write_campaign(folder / "loud", _plain(some), not_ridden=_plain(later[30:]))
    before = write_campaign(folder / "before", _plain(many))
    yield read_morning(loud, baseline=before, earlier=[before])
    fell = write_campaign(folder / "fell", _plain([fallen(one) for one in later]), state="stopped")
    thin = write_campaign(
        folder / "thin", _plain(made_up_rows(scenarios=MANY, seeds=1, disturbances=(None,), shift=-7.0))
    )
    yield read_morning(fell, baseline=before, earlier=[before])
    yield read_morning(thin, earlier=[before])
    worse = write_campaign(folder / "worse", _plain(made_up_rows(spread=0.5, shift=-3.0, robot="rider")))
    fine = write_campaign(folder / "fine", _plain(made_up_rows(spread=0.5, robot="rider")))
    yield read_morning(worse, baseline=fine)
    asked = write_campaign(folder / "asked", [], questions=["over speed", "gap", "gust", "fall", "none"])
    _answered(asked, ANSWERS)
    yield read_morning(asked)
    alone = write_campaign(folder / "alone", [], questions=["gap"])
    _answered(alone, [one for one in ANSWERS if one.question == "gap"])
    yield read_morning(alone)


def _answered(night: Path, answers: Sequence[Answer]) -> None:
    pq.write_table(answers_table(answers), night / ANSWERS_FILE)


def _rows(rows: list[Row]) -> list[Row]:
    """Something of everything among them."""
    rows[0] = fallen(rows[0])
    rows[1] |= {"expected": "fail", "as_expected": False, "expectation": "fail expected, got pass"}
    rows[2], rows[3] = invalid(rows[2], "output late"), error(rows[3], "the worker died")
    rows[4] |= {"result": "stopped", "as_expected": None, "cause": "stopped by hand", "whose": "operator"}
    rows[8], rows[9] = fallen(rows[8]), rows[9] | {"case_id": "f" * 16, "scenario_sha256": "d" * 64}
    rows[3] |= {"cause_kind": NO_POSSIBLE_BIKE, "drawn": '{"steering.damping": -1.0}'}
    rows[10] |= {"drawn": '{"steering.damping": 6.0}'}
    again = rows[20] | {"number": 200, "repeat": 1, "case_id": "e" * 16}
    drawn = [
        row("shuffled", None, k, 20.0, 300 + k, factors=f'{{"size": {0.01 * k}, "odd": "v{k % 12}"}}')
        for k in range(30)
    ]
    return _plain([*rows, again | {"result": "fail", "as_expected": False}, *drawn])


def _plain(rows: list[Row]) -> list[Row]:
    """Sentences of runs without numbers: those are the run's own."""
    for one in rows:
        if one["result"] == "fail":
            one["cause"] = "fell" if one["fell"] else "left the line"
        one["robot_version"] = one["robot_version"] if one["result"] == "error" else "rider"
    return rows


_POINTS = (EdgePoint(5.0, 10, 0), EdgePoint(50.0, 10, 9))
_CURVE = (CurvePoint(5.0, 0.02, 0.0, 0.1), CurvePoint(50.0, 0.9, 0.7, 1.0))
ANSWERS = (
    *(margin("frame steering", speed, size) for speed, size in ((60.0, 40.0), (120.0, None))),
    margin("lean_rad", 60.0, 100.0, lost=None, found="all survived"),
    margin("lean_rad", 120.0, None, borne=None, found="no one edge"),
    other("gap", "edge", "duration / s: survived up to 0.12, lost from 0.13", as_expected=False),
    other(
        "gust", "probability", "lost with a probability of 0.2, 0.1 to 0.3 with 95 % confidence (100 rides)"
    ),
    other("fall", "failure", "lost (fell) with gust 9", saved="found/fall", command="emulator run --seed 0"),
)
EDGES = (
    Edge("slalom · delay", "delay", "ms", _POINTS, _CURVE, 27.5, 20.0, 36.0, 0.95, "logistic regression"),
    Edge("slalom · gain", "gain", "", _POINTS[:1], (), None, None, None, 0.95, "bisection"),
)
