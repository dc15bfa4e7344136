"""The reference is what the program declares now, and everything that can be named is in it."""

from __future__ import annotations

import re
from functools import cache

import pytest
from typer.main import get_command

from emulator.cli.app import command_line
from emulator.core.signals import OUTPUTS, SIGNALS
from emulator.criteria.kinds import KINDS as CRITERIA
from emulator.events.table import KINDS as EVENTS
from emulator.telemetry.messages import TOPICS
from tests.guide.markdown import GUIDE
from tests.guide.reference_pages import FOLDER, pages


@cache
def made() -> dict[str, str]:
    return pages()


@pytest.mark.parametrize("name", sorted(path.name for path in FOLDER.iterdir()))
def test_a_page_is_what_is_made_now(name: str) -> None:
    """After a change of a command, a key, a topic, a criterion or a fault: make reference."""
    assert (FOLDER / name).read_text() == made()[name]


def test_there_is_no_page_of_something_that_is_gone() -> None:
    assert {path.name for path in FOLDER.iterdir()} == set(made())


def first_cells(name: str) -> set[str]:
    return set(re.findall(r"^\| `([^`]+)` \|", made()[name], re.MULTILINE))


def test_nothing_is_left_out() -> None:
    """By tables other than those the pages are made from."""
    assert first_cells("criteria.md") == set(CRITERIA)
    assert first_cells("faults.md") == {kind.name for kind in EVENTS}
    assert first_cells("signals.md") == {signal.name for signal in SIGNALS}
    assert first_cells("outputs.md") == {output.name for output in OUTPUTS}
    assert set(re.findall(r"^## `(\w+)`$", made()["topics.md"], re.MULTILINE)) == set(TOPICS)
    groups = get_command(command_line()).commands  # type: ignore[attr-defined]
    commands = {n for n, c in groups.items() if not hasattr(c, "commands")}
    commands |= {f"{n} {inner}" for n, c in groups.items() for inner in getattr(c, "commands", ())}
    headings = re.findall(r"^## `emulator ([a-z]+(?: [a-z]+)?)[ `]", made()["commands.md"], re.MULTILINE)
    assert set(headings) == commands


def test_the_guides_table_of_contents_leads_there() -> None:
    assert "(reference/index.md)" in (GUIDE / "index.md").read_text()
