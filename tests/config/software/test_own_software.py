"""A robot's class looked at without running it: what is wrong has a line, what may be right is let be."""

from __future__ import annotations

from pathlib import Path

import pytest

from emulator.config.software.own_software import wrong_class

SOUND = """\
class Mine:
    wants = "values"

    def begin(self, start):
        pass

    def act(self, moment):
        return None
"""


def told(tmp_path: Path, text: str) -> list[tuple[int, str]]:
    path = tmp_path / "mine.py"
    path.write_text(text)
    return [(p.line, p.expected) for p in wrong_class(str(path), "Mine")]


@pytest.mark.parametrize(
    "text",
    [
        SOUND,
        SOUND.replace("(self, moment)", "(self, moment, again=None)"),
        SOUND.replace("(self, moment)", "(self, *all_of_it)"),
        SOUND.replace("class Mine:", "class Mine(Theirs):").replace("def act", "def step"),
        SOUND.replace("    def act(self, moment):\n        return None\n", "    act = other\n"),
        SOUND.replace("    def act", "    @staticmethod\n    def act").replace("(self, moment)", "(moment)"),
        SOUND.replace("class Mine:", "class Base:") + "\nMine = Base\n",
        "from elsewhere import *\n",
        "raise SystemExit\n" + SOUND,  # it is not run
    ],
)
def test_what_may_be_a_robot_is_let_be(tmp_path: Path, text: str) -> None:
    assert told(tmp_path, text) == []


@pytest.mark.parametrize(
    ("old", "new", "line", "words"),
    [
        ("def act", "def step", 1, "Mine has no act"),
        ("def begin", "def start", 1, "Mine has no begin"),
        ("(self, moment)", "(self)", 7, "expected Mine.act(self, moment), got act(self)"),
        ("(self, start)", "(self, start, more)", 4, "got begin(self, start, more)"),
        ("(self, moment)", "(self, moment, *, rate)", 7, "got act(self, moment, *, rate)"),
        ("    def act", "    async def act", 7, "coroutine"),
        ("class Mine", "class Mina", 1, "did you mean 'Mina'?"),
        ("pass", "pass)", 5, "expected a Python file"),
    ],
)
def test_what_can_be_none_is_told_at_its_line(
    tmp_path: Path, old: str, new: str, line: int, words: str
) -> None:
    assert SOUND.count(old) == 1
    ((where, text),) = told(tmp_path, SOUND.replace(old, new))
    assert where == line
    assert words in text
