"""The page of printed figures of line and surface holds together with what the commands print."""

from __future__ import annotations

from pathlib import Path

import pytest

from emulator.survey.ridden_line.line_file import line_text
from emulator.survey.ridden_line.line_page import console_tables as line_tables
from emulator.survey.ridden_line.line_page import line_html
from emulator.survey.ridden_surface.surface_file import scenario_text
from emulator.survey.ridden_surface.surface_page import console_tables as surface_tables
from emulator.survey.ridden_surface.surface_page import surface_html
from tests.guide.markdown import GUIDE
from tests.guide.printed_numbers import Printed, of_page, of_terminal
from tests.guide.printed_rows import named_twice, naming_nothing, rows_of, unconfirmed, without_a_row
from tests.support.made_up_road import made_up_line, made_up_surface

ROWS = rows_of((GUIDE / "printed-figures-road.md").read_text(encoding="utf-8"))
OF = {"`emulator track line`": {"line"}, "`emulator track surface`": {"surface"}}


@pytest.fixture(scope="module")
def printed() -> set[Printed]:
    line, surface = made_up_line(), made_up_surface()
    comments = "\n".join(t[2:] for t in line_text(line).splitlines() if t.startswith("# Known"))
    return {
        *of_terminal("line", line_tables(line)),
        *of_page("line", line_html(line)),
        *of_terminal("line", comments),
        *of_terminal("surface", surface_tables(surface, "Road")),
        *of_page("surface", surface_html(surface, "Road")),
    }


def test_every_printed_number_has_one_row_and_every_row_a_number(printed: set[Printed]) -> None:
    assert printed
    assert without_a_row(printed, ROWS, OF) == []
    assert named_twice(printed, ROWS, OF) == []
    assert naming_nothing(printed, ROWS, OF) == []


def test_every_row_says_what_confirms_it_and_how_closely_or_that_nothing_does() -> None:
    assert {row.heading for row in ROWS} == set(OF)
    assert unconfirmed(ROWS) == []


def test_what_stands_in_a_scenario_is_what_the_page_says() -> None:
    surface = made_up_surface()
    text = scenario_text(surface, "Road", Path("road.yaml"))
    assert "grip 0.34, between 0.3 and 0.6" in text
    assert "length ±1.18 m, height ±2.0 mm; passes: 3, the wheel was in the air behind it" in text
