"""Change notes: one small file each in emulator/guide/changes; this reads, checks and shows them.

`make changes` shows them all, newest first. A note is named DATE-name.md and holds a heading and a sentence
or two.
"""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path
from typing import NamedTuple

FOLDER = Path(__file__).parents[2] / "emulator" / "guide" / "changes"
MOST_WORDS = 80
_NAME = re.compile(r"(\d{4}-\d\d-\d\d)-[a-z0-9][a-z0-9.-]*\.md")
_NOTE = re.compile(r"# (\S[^\n]*)\n\n(\S.*\S)\n", re.DOTALL)


class Note(NamedTuple):
    """One change: the day it was made, its heading, and what is new for users."""

    day: date
    title: str
    text: str


def read_note(path: Path) -> Note:
    """One note. Raises ValueError that says what is wrong with its name or its text."""
    name = _NAME.fullmatch(path.name)
    if name is None:
        raise ValueError(f"{path.name}: expected a name such as 2026-11-26-can-fd.md")
    try:
        day = date.fromisoformat(name[1])
    except ValueError:
        raise ValueError(f"{path.name}: expected a day of the calendar, got {name[1]}") from None
    note = _NOTE.fullmatch(path.read_text())
    if note is None or "\n#" in note[2]:
        raise ValueError(f"{path.name}: expected one heading (# What is new), an empty line, and text")
    words = len(note[2].split())
    if words > MOST_WORDS:
        raise ValueError(f"{path.name}: expected at most {MOST_WORDS} words, got {words}")
    return Note(day, note[1], note[2])


def notes(folder: Path = FOLDER) -> list[Note]:
    """All notes, newest first; those of one day by name, backwards. Raises ValueError."""
    paths = sorted((p for p in folder.glob("*.md") if p.name != "index.md"), reverse=True)
    return [read_note(path) for path in paths]


if __name__ == "__main__":
    for note in notes():
        print(f"## {note.title} ({note.day})\n\n{note.text}\n")
