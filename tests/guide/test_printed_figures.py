"""The page of printed figures and what the program prints hold together: no number without a row, no row
without a number, and what is said to confirm it is there."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from rich.console import Group
from rich.padding import Padding
from rich.text import Text

from emulator.report.terminal_table import terminal_table
from tests.guide.markdown import GUIDE
from tests.guide.printed_numbers import (
    BARE_UNITS,
    Printed,
    masked,
    of_figure,
    of_page,
    of_source,
    of_terminal,
)
from tests.guide.printed_output import everything
from tests.guide.printed_rows import (
    Row,
    named_twice,
    naming_elsewhere,
    naming_nothing,
    rows_of,
    without_a_row,
)
from tests.support.stored_runs import unpack_runs

PAGE = (GUIDE / "printed-figures.md").read_text(encoding="utf-8")
SECTIONS = {
    "A run": {"run"},
    "During a run": {"screen"},
    "`emulator check`": {"check"},
    "`emulator line`, `list` and `interface`": {"line"},
    "`emulator sensors`": {"sensors"},
    "`emulator modes`": {"modes"},
    "`emulator vehicle describe`": {"vehicle"},
    "`emulator host`": {"host"},
    "`emulator replay`": {"replay"},
    "`emulator rehearse`": {"rehearse"},
}
GIVEN = "Given, not computed"
OF = SECTIONS | {GIVEN: set().union(*SECTIONS.values())}
ROWS = rows_of(PAGE)


@pytest.fixture(scope="module")
def printed(tmp_path_factory: pytest.TempPathFactory, whole_ride: Path) -> set[Printed]:
    folder = tmp_path_factory.mktemp("printed")
    return everything(folder, whole_ride, unpack_runs(tmp_path_factory.mktemp("stored")))


# -- page and output -----------------------------------------------------------------------------------------


@pytest.mark.slow
def test_every_printed_number_has_a_row(printed: set[Printed]) -> None:
    assert len(printed) > 400
    assert {one.section for one in printed} == OF[GIVEN]
    assert without_a_row(printed, ROWS, OF) == []


@pytest.mark.slow
def test_no_number_has_two_meanings(printed: set[Printed]) -> None:
    assert named_twice(printed, ROWS, OF) == []


@pytest.mark.slow
def test_every_phrase_names_numbers_of_its_section_and_of_no_other(printed: set[Printed]) -> None:
    assert naming_nothing(printed, ROWS, OF) == []
    assert naming_elsewhere(printed, ROWS, OF) == []


def test_a_phrase_of_a_sentence_says_more_than_a_unit() -> None:
    bare = [
        str(phrase)
        for row in ROWS
        for phrase in row.phrases
        if not phrase.where and phrase.what.replace("#", "").strip() in {*BARE_UNITS, "s", "°", "ppm", "µs"}
    ]
    assert bare == []


def test_every_row_says_what_confirms_it_and_how_closely_or_that_nothing_does() -> None:
    assert {row.heading for row in ROWS} == set(OF)
    for row in ROWS:
        if row.heading == GIVEN:
            assert len(row.cells) == 1, row
            continue
        what, confirmed, how_closely = row.cells
        assert what, row
        if confirmed.startswith("not confirmed:"):
            assert len(confirmed.split()) > 3, row
        else:
            assert re.findall(r"`tests/[^`]+\.py::\w+`", confirmed), row
            assert how_closely, row


# -- how numbers are found -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("12 of 1,133 samples, 8.8 ppm", "# of # samples, # ppm"),
        ("age p50, p99.9 of 0x080 and rate_x_rad_s", "age p50, p99.9 of 0x080 and rate_x_rad_s"),
        ("+0.25..-0.5 ms, ±2.5 cm, 1e-05", "#..-# ms, # cm, #"),
        ("1:02.345 at 127.0.0.1:40100", "# at 127.0.0.1:#"),
        ("growth rate / (1/s): +1.5 1/s, 20 % of it.", "growth rate / (1/s): # 1/s, # % of it."),
        ("version 0.1.0, 43.0° to the left\n  for 5 s.", "version 0.1.0, #° to the left for # s."),
    ],
)
def test_a_number_is_no_part_of_a_name(text: str, found: str) -> None:
    assert masked(text) == found


def test_a_terminal_is_walked_through() -> None:
    table = terminal_table("Load 12 %, at most", ("name", "worst\nage"), [("a", "3.5 ms"), ("b 2", "–")])
    criteria = terminal_table("Criteria", ("what happened",), [("lean 3.0° (limit 4.0°)",)])
    item = Group(
        Text("run 5"), Padding(Text("2 of 3\nnothing"), (0, 0, 0, 2)), table, Text("within 4 cm"), criteria
    )
    assert set(of_terminal("here", item)) == {
        Printed("here", "", "run #"),
        Printed("here", "", "# of #"),
        Printed("here", "", "Load # %, at most"),
        Printed("here", "Load # %, at most", "name"),
        Printed("here", "Load # %, at most", "worst age"),
        Printed("here", "", "within # cm"),
        Printed("here", "", "Criteria · what happened: lean #° (limit #°)"),
    }
    with pytest.raises(TypeError, match="int: say how"):
        list(of_terminal("here", 3))


def test_a_page_is_walked_through() -> None:
    text = """<h2>Ages</h2><table><tr><th>output</th><th>age<br>p50 ms</th><th><br>max</th></tr>
        <tr><td>lean</td><td>3.5</td><td><strong>4</strong> ms</td></tr></table>
        <p>Below <em>50 N</em> of load</p><h3>imu_rates</h3><div class="figure" id="a"></div>
        <dl><div><dt>ride</dt><dd>3.0 s</dd></div></dl>
        <script id="figures">{"figures": {"a": {"kind": "strip", "curves": [{"name": "C1 ±2"}]}}}</script>
        <script>var x = 5</script>"""
    assert set(of_page("here", text)) == {
        Printed("here", "Ages", "age p50 ms"),
        Printed("here", "Ages", "age max"),
        Printed("here", "", "Below # N of load"),
        Printed("here", "facts", "ride"),
        Printed("here", "Ages", "C #"),
    }


def test_a_figure_has_its_legend_and_what_its_axes_say_beyond_a_unit() -> None:
    curves = [{"name": "true"}, {"name": "mark", "legend": False}]
    axes = {"x": {"title": "time / s"}, "y": {"title": "km/h"}}
    figure = {"kind": "plane", "curves": curves, **axes}
    assert [p.what for p in of_figure("here", "Ages", figure)] == ["time / s"]  # one curve has no legend
    assert [p.what for p in of_figure("here", "Ages", figure | {"bars": [{"name": "late"}]})] == [
        *("true", "late", "time / s")
    ]
    limits = [{"name": "C2 ≤ 3"}]
    strip = {"kind": "strip", "curves": curves, "limits": limits}
    assert [p.what for p in of_figure("here", "Speed", strip)] == ["true", "C ≤ #"]


def test_sentences_are_found_where_they_are_made() -> None:
    code = (
        'say(f"stood still for {a:.1f} s, {b:.0%} of {name}", f"{f:.1f} s")\n'
        'raise ValueError(f"expected less than {c:g} words")\n'
        'x = f"0x{e:03X} of them"\n'
    )
    assert [p.what for p in of_source("here", code)] == ["stood still for # s, #% of …"]


def row(heading: str, *codes: str) -> Row:
    (found,) = rows_of(f"## {heading}\n\n| {', '.join(f'`{code}`' for code in codes)} | is | none | 0 |\n")
    return found


HERE = {"here": {"a"}, "there": {"b"}}


def test_what_has_no_row_is_told() -> None:
    printed = [
        Printed("a", "Load #", "worst age"),
        Printed("a", "", "late by # ms of # ms"),
        Printed("a", "Speed", "time / s"),
    ]
    rows = [row("here", "Load · worst age", "late by # ms", "time / s")]
    assert without_a_row(printed, rows, HERE) == ["a: late by # ms of <#> ms"]
    assert without_a_row(printed[:1], [row("here", "Load · worst")], HERE) == ["a: Load # · worst age"]
    assert without_a_row(printed[:1], [row("there", "Load · worst age")], HERE) == ["a: Load # · worst age"]
    assert without_a_row(printed, [*rows, row("here", "of # ms")], HERE) == []


def test_a_phrase_that_is_not_specific_is_told() -> None:
    printed = [Printed("a", "", "late by # ms"), Printed("b", "", "late by # ms, twice")]
    rows = [row("here", "late by # ms"), row("here", "by # ms")]
    assert named_twice(printed, rows, HERE) == ["`late by # ms` and `by # ms`: late by # ms"]
    assert naming_elsewhere(printed, rows[:1], HERE) == ["`late by # ms`: b: late by # ms, twice"]
    assert named_twice(printed, rows[:1], HERE) == []
    assert naming_elsewhere(printed, [rows[0], row("there", "late by # ms, twice")], HERE) == []


def test_a_phrase_that_names_nothing_is_told() -> None:
    printed = [Printed("a", "Limits", "limit, grip #"), Printed("a", "", "late by # ms")]
    assert naming_nothing(printed, [row("here", "Limits · limit", "late by # ms")], HERE) == []
    assert naming_nothing(printed, [row("here", "Limits · limit at", "early by # ms")], HERE) == [
        "Limits · limit at",
        "early by # ms",
    ]
    assert naming_nothing(printed, [row("there", "late by # ms")], HERE) == ["late by # ms"]
