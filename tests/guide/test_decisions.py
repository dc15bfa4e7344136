"""Decision records: numbered without a gap, four headings, each in the index once."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.guide.markdown import GUIDE, links

FOLDER = GUIDE / "decisions"
RECORDS = sorted(path for path in FOLDER.iterdir() if path.name != "index.md")
HEADINGS = ["Context", "Decision", "Evidence", "Consequence"]


@pytest.mark.parametrize("path", RECORDS, ids=lambda p: p.stem)
def test_a_record_has_its_four_parts(path: Path) -> None:
    name = re.fullmatch(r"(\d{4})-[a-z0-9]+(?:-[a-z0-9]+)*\.md", path.name)
    assert name, "expected a name such as 0001-one-reference-point.md"
    head, *parts = re.split(r"^## ", path.read_text(), flags=re.MULTILINE)
    assert re.fullmatch(rf"# {int(name[1])}\. \S.*\n\n", head)
    titles, texts = zip(*(part.split("\n", 1) for part in parts), strict=True)
    assert list(titles) == HEADINGS
    assert all(text.strip() for text in texts)
    assert re.match(r"\n20\d\d-\d\d-\d\d: \S", texts[2]), "expected the day, then what was measured"


def test_they_are_numbered_without_a_gap() -> None:
    assert [int(path.name[:4]) for path in RECORDS] == list(range(1, len(RECORDS) + 1))


def test_the_index_names_each_once_by_its_heading() -> None:
    text = (FOLDER / "index.md").read_text()
    assert sorted(link for link in links(text) if re.match(r"\d{4}-", link)) == [p.name for p in RECORDS]
    for path in RECORDS:
        title = path.read_text().partition("\n")[0].removeprefix("# ")
        assert f"- [{title}]({path.name})\n" in text
