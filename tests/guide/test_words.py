"""Documents that are read: short ones, in short sentences."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.guide.markdown import DEVELOPERS, PAGES, README, sentences, words

MOST_WORDS = {README: 900, DEVELOPERS: 1800}
MEAN_WORDS, LONGEST_WORDS = 16.0, 28
MOST_PAGE_WORDS = {"faults.md": 2700}  # a reference in one piece, with worked examples
MOST_PROSE_WORDS = {
    "printed-figures.md": 2800,
    "printed-figures-campaigns.md": 1100,
    "printed-figures-logs.md": 1100,
}  # beside what is printed and names of tests, which are code
PAGE_WORDS = 1100  # about three screens, tables included


@pytest.mark.parametrize("page", MOST_WORDS, ids=lambda p: p.name)
def test_the_first_pages_are_short(page: Path) -> None:
    count = len(page.read_text().split())  # everything counts, code and tables too
    assert count <= MOST_WORDS[page]


def length(page: Path) -> int:
    """Words of a page; of a table of printed figures those of its prose."""
    text = page.read_text()
    return words(re.sub(r"`[^`\n]*`", "", text)) if page.name in MOST_PROSE_WORDS else len(text.split())


def test_no_page_of_the_guide_is_longer_than_three_screens() -> None:
    long = {
        page.name: count
        for page in PAGES
        if page not in MOST_WORDS
        and page.parts[-2:] != ("decisions", "index.md")  # a table of contents, a line a record
        and page.parent.name != "reference"  # looked up, not read
        and (count := length(page)) > (MOST_PAGE_WORDS | MOST_PROSE_WORDS).get(page.name, PAGE_WORDS)
    }
    assert long == {}


def test_the_readme_is_read_once() -> None:
    lengths = {sentence: words(sentence) for sentence in sentences(README.read_text())}
    assert len(lengths) > 30
    assert sum(lengths.values()) / len(lengths) < MEAN_WORDS
    assert {s: n for s, n in lengths.items() if n > LONGEST_WORDS} == {}


def test_sentences_are_counted_as_they_are_read() -> None:
    text = (
        "# A heading. Not counted.\n\nOne two: three; four.\nFive `six seven` [eight nine](x.md)! Ten "
        "**11.** Twelve\n\n> Quoted\n> words.\n\n- an item\n- another. More\n\n| a | table. |\n\n"
        "```\ncode. code.\n```\n\n![alt](x.png)\n"
    )
    found = sentences(text)
    assert [words(s) for s in found] == [4, 4, 2, 1, 2, 2, 1, 1], found
