"""A copy of the package somewhere else, with other dates and edits: another checkout."""

from __future__ import annotations

import os
import re
import shutil
from pathlib import Path

import emulator

PACKAGE = Path(emulator.__file__).parent


def copy_package(at: Path, *edits: tuple[str, str, str]) -> Path:
    """Copy to ``at``/emulator; edits: file, regular expression (found once), replacement. Returns ``at``.

    Without the guide, which is half of the files.
    """
    shutil.copytree(PACKAGE, at / "emulator", ignore=shutil.ignore_patterns("__pycache__", "guide"))
    for file, old, new in edits:
        path = at / "emulator" / file
        text, count = re.subn(old, new, path.read_text(), flags=re.MULTILINE)
        assert count == 1, f"{file}: {old!r} found {count} times"
        path.write_text(text)
    for path in at.rglob("*.py"):
        os.utime(path, (1.5e9, 1.5e9))
    return at


def statement_in(file: str, function: str, statement: str) -> tuple[str, str, str]:
    """Edit that puts a statement at the beginning of a function whose head takes one line or more."""
    return file, rf"(^def {function}\((?:.|\n)*?\)(?: -> [^\n]*)?:\n)", rf"\1    {statement}\n"
