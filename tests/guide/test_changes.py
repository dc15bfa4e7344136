from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.guide.changes import FOLDER, notes, read_note

ROOT = Path(__file__).parents[2]


def test_every_note_is_one_and_the_newest_comes_first() -> None:
    found = notes()
    assert len(found) == len(list(FOLDER.iterdir())) - 1, "something beside notes and index.md"
    days = [note.day for note in found]
    assert days == sorted(days, reverse=True)
    assert found[-1].title == "First whole loop (0.1.0)"


def test_they_are_shown_newest_first() -> None:
    shown = subprocess.run(
        [sys.executable, "-m", "tests.guide.changes"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    titles = re.findall(r"^## (.*) \(\d{4}-\d\d-\d\d\)$", shown.stdout, re.MULTILINE)
    assert titles == [note.title for note in notes()]


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("can-fd.md", "# CAN FD\n\nIt is there.\n", "expected a name such as"),
        ("2026-13-26-can-fd.md", "# CAN FD\n\nIt is there.\n", "expected a day of the calendar"),
        ("2026-11-26-can-fd.md", "CAN FD is there.\n", "expected one heading"),
        ("2026-11-26-can-fd.md", "# CAN FD\n", "expected one heading"),
        ("2026-11-26-can-fd.md", "# CAN FD\n\nThere.\n\n# And more\n\nThere.\n", "expected one heading"),
        ("2026-11-26-can-fd.md", "# CAN FD\n\n" + "word " * 80 + "word\n", "at most 80 words, got 81"),
    ],
)
def test_a_note_that_is_none_is_refused(tmp_path: Path, name: str, text: str, words: str) -> None:
    (tmp_path / name).write_text(text)
    with pytest.raises(ValueError, match=words):
        read_note(tmp_path / name)
