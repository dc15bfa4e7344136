"""Answers to a plan's questions on the morning page, in its text, JSON and JUnit, and in its status."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

import pyarrow.parquet as pq

from emulator.campaign.page.edges import margin_tables, margin_words
from emulator.campaign.page.junit import junit_of
from emulator.campaign.page.morning import Morning
from emulator.campaign.page.night_page import night_html
from emulator.campaign.page.outputs import read_morning
from emulator.campaign.page.plain import plain_of
from emulator.campaign.page.text import WIDTH, text_of
from emulator.campaign.page.words import headline
from emulator.campaign.store.answers import ANSWERS_FILE, UNKNOWN, Answer, answers_table
from tests.support.made_up_answers import margin, other
from tests.support.made_up_campaign import made_up_rows, write_campaign

FOUND = other(
    "a way to fail",
    "failure",
    "lost (fell) with gust 9",
    found="failure found",
    saved="found/a-way-to-fail-01234567",
    command="emulator run scenario.yaml --rig rig.yaml --seed 0 --virtual",
)
MARGINS = [margin("frame steering", v, s) for v, s in ((60.0, 40.0), (120.0, 31.0), (180.0, None))]
GAIN = [
    margin("steering", v, 4.0, quantity="gain up", unit="", lost=None, found="all survived")
    for v in (60.0, 120.0)
]


def morning(
    folder: Path, *answers: Answer, asked: tuple[str, ...] = (), rows: bool = True, **more: Path
) -> Morning:
    made = made_up_rows(seeds=1, spread=0.1) if rows else []
    night = write_campaign(folder, made, questions=list(asked or dict.fromkeys(a.question for a in answers)))
    if answers:
        pq.write_table(answers_table(answers), night / ANSWERS_FILE)
    return read_morning(night, **more)  # type: ignore[arg-type]


def test_margins_stand_over_speed_and_the_rest_in_sentences(tmp_path: Path) -> None:
    found = morning(tmp_path / "a", *MARGINS, *GAIN, FOUND)
    text, html = text_of(found), night_html(found)
    assert "delay of frame steering / ms: 40, 31, lost without any" in text
    assert "gain up of steering: all to 4, all to 4, –" in text
    assert max(map(len, text.splitlines())) <= WIDTH
    for words in ("a way to fail: lost (fell) with gust 9", "saved in found/a-way-to-fail-01234567"):
        assert words in text
    for words in ("delay of frame steering / ms", "<td>31</td>", "lost without any", "Saved in found/a-way"):
        assert words in html
    assert found.status == "as expected"
    assert "2 of 2 questions answered" in headline(found).sentence
    plain = plain_of(found)
    assert [a["survived"] for a in plain["answers"]][:3] == [40.0, 31.0, None]


def test_a_table_has_a_column_for_every_speed_and_a_row_for_every_margin() -> None:
    (table,) = margin_tables([*GAIN, *MARGINS, FOUND])
    assert table.speeds_km_h == (60.0, 120.0, 180.0)
    assert [[margin_words(a) for a in row.answers] for row in table.rows] == [
        ["all to 4", "all to 4", ""],
        ["40", "31", "lost without any"],
    ]


def test_an_answer_that_is_not_expected_is_a_surprise(tmp_path: Path) -> None:
    chance = other("a gust", "probability", "lost with a probability of 0.2", as_expected=False)
    found = morning(tmp_path / "a", chance)
    assert found.status == "surprises"
    head = headline(found)
    assert head.word == "1 SURPRISE"
    assert "1 answer to what the plan asks came out other than expected" in head.sentence
    assert "OTHER THAN EXPECTED" in text_of(found)
    assert plain_of(found)["unexpected_answers"] == ["a gust"]
    root = ElementTree.fromstring(junit_of(found))
    (suite,) = [s for s in root if s.get("name") == "answers"]
    assert (suite.get("tests"), suite.get("failures"), root.get("failures")) == ("1", "1", "1")


def test_a_question_without_an_answer_does_not_count(tmp_path: Path) -> None:
    for name, answers in (
        ("none", ()),
        ("unknown", (other("a gust", "probability", "not known", found=UNKNOWN),)),
    ):
        found = morning(tmp_path / name, *answers, asked=("a gust",))
        assert found.status == "does not count"
        assert "a gust: NO ANSWER" in text_of(found)
        assert "No answer:" in night_html(found)
        root = ElementTree.fromstring(junit_of(found))
        assert root.get("errors") == "1"


def test_a_campaign_of_questions_alone_has_a_page(tmp_path: Path) -> None:
    found = morning(tmp_path / "a", *MARGINS, rows=False)
    assert found.status == "as expected"
    assert "Nothing was asked for but answers; 1 of 1 question answered." in text_of(found)
    assert "frame steering" in night_html(found)
    for empty in ("THINNEST MARGINS", "COVERAGE"):
        assert empty not in text_of(found)
    assert 'id="map"' not in night_html(found)


def test_margins_against_a_baseline_and_over_the_nights(tmp_path: Path) -> None:
    before = [margin(f"s{k}", 60.0, 40.0) for k in range(8)]
    now = [margin(f"s{k}", 60.0, 34.0) for k in range(8)]
    morning(tmp_path / "before", *before)
    found = morning(tmp_path / "now", *now, baseline=tmp_path / "before", earlier=[tmp_path / "before"])  # type: ignore[arg-type]
    assert found.status == "surprises"
    text, html = text_of(found), night_html(found)
    assert "everything: edges and margins of the robot worse" in text.replace("\n  ", " ")
    assert "survived up to 40 then, survived up to 34 now ms" in text.replace("\n  ", " ")
    assert "40, 34 ms from the mild end" in html
    assert "Bears less:" in html
    assert plain_of(found)["comparison"]["answers"][0]["change_points"] == -6.0
