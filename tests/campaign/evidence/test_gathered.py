"""Evidence for one version: every figure counted by hand on a few rows."""

from __future__ import annotations

from datetime import date
from pathlib import Path

from emulator.campaign.evidence.gathered import NO_DECISION, Evidence, gather, robot_versions
from emulator.campaign.evidence.shown import evidence_html, plain_evidence
from emulator.campaign.page.night import read_night
from emulator.config.campaign.acknowledged import Entry
from tests.support.html_page import Page
from tests.support.made_up_campaign import error, fallen, invalid, row, write_campaign

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
