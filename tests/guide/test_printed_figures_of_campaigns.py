"""The page of printed figures of campaigns and what is printed of them hold together."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.guide.markdown import GUIDE
from tests.guide.printed_campaign import of_campaigns
from tests.guide.printed_numbers import Printed
from tests.guide.printed_rows import named_twice, naming_nothing, rows_of, unconfirmed, without_a_row

ROWS = rows_of((GUIDE / "printed-figures-campaigns.md").read_text(encoding="utf-8"))
GIVEN = "Given, not computed"
SECTIONS = {"The morning page and a comparison": {"campaign"}, "`emulator evidence`": {"evidence"}}
OF = SECTIONS | {GIVEN: {"campaign", "evidence"}}
TESTS = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def printed(tmp_path_factory: pytest.TempPathFactory) -> set[Printed]:
    return of_campaigns(tmp_path_factory.mktemp("printed"))


def test_every_printed_number_has_one_row_and_every_row_a_number(printed: set[Printed]) -> None:
    assert len(printed) > 80
    assert without_a_row(printed, ROWS, OF) == []
    assert named_twice(printed, ROWS, OF) == []
    assert naming_nothing(printed, ROWS, OF) == []


def test_every_row_says_what_confirms_it_and_how_closely_or_that_nothing_does() -> None:
    assert {row.heading for row in ROWS} == set(OF)
    assert {len(row.cells) for row in ROWS if row.heading == GIVEN} == {1}
    assert unconfirmed(row for row in ROWS if row.heading != GIVEN) == []
