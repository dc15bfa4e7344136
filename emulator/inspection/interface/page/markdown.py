"""The page as Markdown: every text escaped, so that no name of a file is taken for mark-up."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from emulator.core.outside.visible_text import visible
from emulator.inspection.interface.description import Interface
from emulator.inspection.interface.page.content import facts, sections
from emulator.inspection.interface.page.document import (
    Block,
    Code,
    Heading,
    Items,
    Pictures,
    Sentences,
    Table,
)
from emulator.inspection.interface.page.views import View, views

_SPECIAL = re.compile(r"([\\`*\[\]<>|#~]|(?<!\w)_|_(?!\w))")
_BEGINS_A_LIST = re.compile(r"^(\d+)([.)]) |^([-+=])")
_FENCE = re.compile(r"`{3,}")


def view_file(view: View) -> str:
    """Name of a drawing's file."""
    return f"axes-{view.key}.svg"


def markdown(interface: Interface) -> str:
    """The whole page."""
    parts = [f"# {plain(interface.rig)}: interface for a robot", plain(interface.purpose), "## Cautions"]
    parts.append(_items(interface.cautions, numbered=False))
    parts.append(_table(("", ""), facts(interface)))
    for section in sections(interface):
        parts.append(f"## {plain(section.title)}")
        parts += [_block(block, interface) for block in section.blocks]
    return "\n\n".join(part for part in parts if part) + "\n"


def plain(text: str) -> str:
    """Text that stays text: on one line, what Markdown would take for its own with a backslash before it."""
    escaped = _SPECIAL.sub(r"\\\1", " ".join(visible(text).split()))
    return _BEGINS_A_LIST.sub(lambda m: f"{m[1]}\\{m[2]} " if m[1] else f"\\{m[3]}", escaped)


def _block(block: Block, interface: Interface) -> str:
    if isinstance(block, Sentences):
        return plain(block.text)
    if isinstance(block, Items):
        return _items(block.items, numbered=block.numbered)
    if isinstance(block, Table):
        return _table(block.heads, block.rows)
    if isinstance(block, Heading):
        return f"### {plain(block.text)}"
    if isinstance(block, Code):
        return _code(block)
    assert isinstance(block, Pictures)
    return "\n\n".join(f"![{plain(v.words)}]({view_file(v)})" for v in views(interface))


def _items(items: Iterable[str], *, numbered: bool) -> str:
    return "\n".join(f"{f'{n}.' if numbered else '-'} {plain(item)}" for n, item in enumerate(items, 1))


def _table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    text = [_row(heads), f"|{' --- |' * len(heads)}", *map(_row, rows)]
    return "\n".join(text)


def _row(cells: Sequence[str]) -> str:
    return f"| {' | '.join(plain(cell) for cell in cells)} |"


def _code(block: Code) -> str:
    text = "\n".join(visible(line) for line in block.text.splitlines())
    longest = max((len(run) for run in _FENCE.findall(text)), default=2)
    fence = "`" * (longest + 1)
    return f"{plain(block.words)}\n\n{fence}\n{text}\n{fence}"
