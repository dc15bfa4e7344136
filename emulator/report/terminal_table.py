"""A table of plain words for a terminal."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from rich import box
from rich.table import Table
from rich.text import Text


def terminal_table(
    title: str,
    heads: Sequence[str],
    rows: Iterable[Sequence[str | Text]],
    *,
    right: Sequence[str] = (),
    no_wrap: bool = False,
) -> Table:
    """Rows under their heads, all words as they are; ``right``: heads of right-aligned columns."""
    table = Table(
        box=box.SIMPLE_HEAD, title=title, title_justify="left", padding=(0, 1, 0, 0), pad_edge=False
    )
    for head in heads:
        table.add_column(head, justify="right" if head in right else "left", no_wrap=no_wrap)
    for row in rows:
        table.add_row(*(cell if isinstance(cell, Text) else Text(cell) for cell in row))
    return table
