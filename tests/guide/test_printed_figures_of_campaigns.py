"""The page of printed figures of campaigns and what is printed of them hold together."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.guide.markdown import GUIDE
from tests.guide.printed_campaign import of_campaigns
from tests.guide.printed_numbers import Printed
from tests.guide.printed_rows import named_twice, naming_nothing, rows_of, without_a_row

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
    for row in ROWS:
        if row.heading == GIVEN:
            assert len(row.cells) == 1, row
            continue
        what, confirmed, how_closely = row.cells
        assert what, row
        if not confirmed.startswith("not confirmed:"):
            named = re.findall(r"`(tests/[^`]+\.py)::(\w+)`", confirmed)
            assert named, row
            assert how_closely, row
            for file, test in named:
                assert f"def {test}(" in (TESTS / file).read_text(), test
