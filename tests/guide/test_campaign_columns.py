"""The page about the columns of a campaign: every column stands there as the schema has it."""

from tests.guide.markdown import GUIDE
from tests.support.column_table import answer_rows, table_rows

PAGE = (GUIDE / "campaign-columns.md").read_text()


def test_every_column_has_its_row_and_none_is_made_up():
    same, timing = PAGE.split("These differ from one run")
    for part, rows in ((same, table_rows(timing=False)), (timing, table_rows(timing=True))):
        table = part[part.index("| column | type |") :].splitlines()
        assert [line for line in table[2:] if line.startswith("| `")] == rows


def test_so_has_every_column_of_the_answers():
    page = (GUIDE / "campaign-answers.md").read_text()
    table = page[page.index("| column | type |") :].splitlines()
    assert [line for line in table[2:] if line.startswith("| `")] == answer_rows()
