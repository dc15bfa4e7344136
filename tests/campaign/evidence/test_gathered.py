"""Evidence for one version: every figure counted by hand on a few rows."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from emulator.campaign.evidence.asked import interval
from emulator.campaign.evidence.gathered import NO_DECISION, Evidence, ScenarioMargin, gather, robot_versions
from emulator.campaign.evidence.shown import evidence_html, plain_evidence, summary
from emulator.campaign.page.night import Night, read_night
from emulator.campaign.store.answers import ANSWERS_FILE, answers_table
from emulator.config.campaign.acknowledged import Entry
from tests.support.html_page import Page
from tests.support.made_up_answers import margin, other
from tests.support.made_up_campaign import error, fallen, invalid, row, table_of, write_campaign

ENTRY = Entry(scenario="slalom", reason="known", name="A. Keeper", until=date(2027, 3, 31))


def gathered(folder: Path) -> Evidence:
    slalom = [row("slalom", None, k, margin, k) for k, margin in enumerate([5.0, -3.0, 8.0, 9.0])]
    slalom[2] = invalid(slalom[2], "late")
    other = row("slalom", None, 9, -50.0, 4, robot_version="rider 2.0")
    virtual = write_campaign(folder / "virtual", [*slalom[:3], other], not_ridden=[slalom[3]])
    braking = [
        row("braking", None, k, margin, k, stage="bench", rig_sha256="9" * 64)
        for k, margin in enumerate([20.0, 30.0, 2.0])
    ]
    braking[2] = error(braking[2], "the robot never came")
    braking[1] = fallen(braking[1])
    bench = write_campaign(folder / "bench", braking)
    nights = [read_night(virtual), read_night(bench)]
    assert robot_versions(nights) == ("rider 1.0", "rider 2.0")
    return gather(nights, [(ENTRY,), ()], "rider 1.0")


def test_every_figure_is_that_of_the_version(tmp_path: Path) -> None:
    found = gathered(tmp_path)
    assert [(r.stage, r.runs, r.passed, r.failed, r.no_evidence) for r in found.ridden] == [
        ("bench", 2, 1, 1, 0),
        ("virtual", 3, 1, 1, 1),
    ]
    requirements = {r.name: (r.planned, r.runs, r.passed, r.failed, r.percent) for r in found.requirements}
    assert requirements["R-slalom"] == (5, 2, 1, 1, -3.0)
    assert requirements["R-braking"] == (3, 2, 1, 1, 20.0)
    assert requirements["R-all"] == (8, 4, 2, 2, -3.0)
    line = {m.scenario: m for m in found.margins if m.criterion == "line"}
    assert (line["slalom"].runs, line["slalom"].missed, line["slalom"].percent) == (2, 1, -3.0)
    assert (line["braking"].runs, line["braking"].percent) == (1, 20.0)
    gaps = {(g.campaign, g.what): (g.count, g.cause) for g in found.gaps}
    assert gaps == {
        ("virtual", "invalid"): (1, "late"),
        ("virtual", "not ridden"): (1, "campaign: out of time"),
        ("bench", "error"): (1, "the robot never came"),
    }


def test_deviations_are_told_with_who_bears_them(tmp_path: Path) -> None:
    found = {d.campaign: d for d in gathered(tmp_path).deviations}
    assert (found["virtual"].reason, found["virtual"].name, found["virtual"].until) == (
        "known",
        "A. Keeper",
        date(2027, 3, 31),
    )
    assert (found["bench"].group.cause, found["bench"].reason) == ("fell at 5.1 s", "")


def test_the_page_decides_nothing_and_says_so(tmp_path: Path) -> None:
    found = gathered(tmp_path)
    page = Page(evidence_html(found))
    assert NO_DECISION in page.text
    for words in ("rider 1.0", "R-slalom", "nobody has said anything", "A. Keeper", "the robot never came"):
        assert words in page.text, words
    plain = plain_evidence(found)
    assert plain["decides"] == "nothing"
    assert plain["deviations"][0]["until"] == "2027-03-31"
    assert not {"passes", "approved", "released", "result"} & plain.keys()


def asked(folder: Path) -> Night:
    """A campaign of nothing but questions: one about each kind, one without an answer."""
    answers = (
        margin("imu_rates", 60.0, 24.0),
        other(
            *("how likely", "probability", "a ride is lost with a probability of 0.02"),
            probability=0.02,
            low=0.005,
            high=0.05,
            confidence=0.95,
            as_expected=False,
        ),
        other("of the other", "failure", "found", found="failure found", case_id="0" * 16),
    )
    rides = [
        row("gust", None, k, 5.0, k, factors=f'{{"question": "{name}"}}', robot_version=version)
        for k, (name, version) in enumerate(
            [("over speed", "rider 1.0"), ("how likely", "rider 1.0"), ("of the other", "rider 2.0")]
        )
    ]
    names = [*dict.fromkeys(one.question for one in answers), "never asked"]
    path = write_campaign(folder / "asked", [], questions=names)
    (path / "searched").mkdir()
    pq.write_table(table_of(rides), path / "searched" / "000001.parquet")
    pq.write_table(answers_table(answers), path / ANSWERS_FILE)
    return read_night(path)


def test_answers_stand_with_who_rode_their_bounds_and_what_they_leave_out(tmp_path: Path) -> None:
    night = asked(tmp_path)
    assert robot_versions([night]) == ("rider 1.0", "rider 2.0")
    found = gather([night], [()], "rider 1.0")
    assert [(one.answer.question, one.robots) for one in found.answers] == [
        ("over speed", ("rider 1.0",)),
        ("how likely", ("rider 1.0",)),
    ]
    assert [interval(one.answer) for one in found.answers] == [
        "between 24 and 25 ms",
        "0.005 to 0.05 at 95 %",
    ]
    assert [(r.asked_by, r.runs) for r in found.ridden] == [("questions", 2)]
    assert summary(found).startswith("0 runs of 1 campaign say something about it (virtual stage)")
    assert [(gap.what, gap.count, gap.example) for gap in found.gaps] == [("not answered", 1, "never asked")]
    page = Page(evidence_html(found))
    for words in ("over speed · delay of imu_rates · at 60 km/h", "0.005 to 0.05", "rider 1.0 on", "NO"):
        assert words in page.text, words
    assert "several things late or weak at once" in page.text
    assert "2 answers to questions, 1 other than the plan expects" in page.text
    plain = plain_evidence(found)
    assert plain["answers"][1]["answer"]["high"] == 0.05
    assert plain["answers"][1]["leaves_out"].startswith("other distributions")
    (of_the_other,) = gather([night], [()], "rider 2.0").answers
    assert of_the_other.leaves_out.startswith("whether there are likelier")


@pytest.mark.parametrize(
    ("margin", "limit", "unit", "texts"),
    [
        (0.7245, 3.0 / 3.6, "m/s", ("+2.6 km/h", "3.0 km/h")),
        (-0.1414, 0.5, "m", ("\N{MINUS SIGN}0.141 m", "0.500 m")),
        (1.0, None, "1", ("–", "none")),
        (None, 0.5, "m", ("unknown", "0.500 m")),
    ],
)
def test_margins_are_told_in_units_and_digits_of_the_report(
    margin: float | None, limit: float | None, unit: str, texts: tuple[str, str], tmp_path: Path
) -> None:
    one = ScenarioMargin("slalom", "virtual", "line", 3, 0, margin, limit, unit, None, "0123", "night")
    found = replace(gathered(tmp_path), margins=(one,))
    shown = Page(evidence_html(found)).words
    assert set(texts) <= set(shown[shown.index("line") : shown.index("0123 (night)")])
