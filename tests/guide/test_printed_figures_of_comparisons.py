"""The page of printed figures of comparisons and what ``track compare`` prints hold together."""

from __future__ import annotations

import pytest

from emulator.inspection.comparison.page import comparison_html, console_tables
from tests.guide.markdown import GUIDE
from tests.guide.printed_numbers import Printed, of_page, of_terminal
from tests.guide.printed_rows import named_twice, naming_nothing, rows_of, unconfirmed, without_a_row
from tests.support.planted_record import laid_beside, laid_beside_as_a_log

ROWS = rows_of((GUIDE / "printed-figures-comparison.md").read_text(encoding="utf-8"))
OF = {"`emulator track compare`": {"compare"}}


@pytest.fixture(scope="module")
def printed() -> set[Printed]:
    """Of a noisy record beside a bike with another trail; panels over station are those of the report.
    As a log besides."""
    found: set[Printed] = set()
    for compared in (laid_beside(), laid_beside_as_a_log()):
        page = comparison_html(compared._replace(panels=()))
        found |= {*of_terminal("compare", console_tables(compared)), *of_page("compare", page)}
    return found


def test_every_printed_number_has_one_row_and_every_row_a_number(printed: set[Printed]) -> None:
    assert printed
    assert without_a_row(printed, ROWS, OF) == []
    assert named_twice(printed, ROWS, OF) == []
    assert naming_nothing(printed, ROWS, OF) == []


def test_every_row_says_what_confirms_it_and_how_closely_or_that_nothing_does() -> None:
    assert {row.heading for row in ROWS} == set(OF)
    assert unconfirmed(ROWS) == []
