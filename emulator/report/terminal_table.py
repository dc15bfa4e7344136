"""A table of plain words for a terminal of any width: what does not fit beside stands under one another."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from copy import copy

from rich import box
from rich.console import Console, ConsoleOptions, RenderResult
from rich.measure import Measurement
from rich.padding import Padding
from rich.table import Column, Table
from rich.text import Text

_ANY_WIDTH = 100_000
_MOST_LINES = 8  # of a cell
_FEW = 4  # letters that a column lacks are given to it before all others
_WIDE, _LONG_WORD = 100, 20  # columns of a screen on which longer words may be broken, if one has no room


class WholeTable(Table):
    """A table none of whose words is ever cut: where one would not fit, each row becomes a paragraph."""

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """As a table if every word fits, else row by row."""
        if self.title:  # written here: rich would fill it up with blanks
            yield folded(str(self.title), "bold")
        if self._fit(console, options):
            untitled = copy(self)
            untitled.title = None
            yield from Table.__rich_console__(untitled, console, options)
        else:
            yield from self._paragraphs()

    def _fit(self, console: Console, options: ConsoleOptions) -> bool:
        """Give each column its longest word at least, and narrow ones what they ask for first.

        False if words have no room, or a cell would take more lines than are read as one. Rich itself would
        narrow columns to less than their longest word.
        """
        unbounded = options.update(max_width=_ANY_WIDTH)
        for column in self.columns:
            column.width = None
        asked = [self._asked(console, unbounded, column) for column in self.columns]
        room = options.max_width - sum(m.minimum for m in asked) - self._extra_width
        wraps = not any(column.no_wrap for column in self.columns)
        if room < 0 and options.max_width >= _WIDE and wraps:  # one long word does not take the table apart
            asked = [Measurement(min(m.minimum, _LONG_WORD), m.maximum) for m in asked]
            room = options.max_width - sum(m.minimum for m in asked) - self._extra_width
        if room < 0:
            return False
        if sum(m.maximum - m.minimum for m in asked) <= room:
            return True
        order = sorted(range(len(asked)), key=lambda i: asked[i].maximum - asked[i].minimum)
        for left, i in zip(range(len(order), 0, -1), order, strict=True):
            more = min(asked[i].maximum - asked[i].minimum, max(room // left, min(room, _FEW)))
            room -= more
            width = asked[i].minimum + more
            if asked[i].maximum > _MOST_LINES * width:
                return False
            self.columns[i].width = width - self._get_padding_width(i)
        return True

    def _asked(self, console: Console, unbounded: ConsoleOptions, column: Column) -> Measurement:
        """What a column takes, at least and at most; rich would cut the cells of one that does not wrap."""
        least, most = self._measure_column(console, unbounded, column)
        return Measurement(most if column.no_wrap else least, most)

    def _paragraphs(self) -> Iterable[Text | Padding]:
        heads = [" ".join(str(column.header).split()) for column in self.columns]
        for row in zip(*(column.cells for column in self.columns), strict=True):
            cells = [cell if isinstance(cell, Text) else Text(str(cell)) for cell in row]
            told = [
                Text.assemble((f"{head} ", "dim"), cell) if head else cell
                for head, cell in zip(heads, cells, strict=True)
                if cell.plain
            ]
            yield folded("").append_text(told[0]) if told else folded("")
            text = Text("  ").join(told[1:])
            text.no_wrap, text.overflow = False, "fold"
            yield Padding(text, (0, 0, 0, 2))
        yield Text("")


def folded(words: str, style: str = "") -> Text:
    """Words that are broken at the screen's edge rather than cut."""
    return Text(words, style, no_wrap=False, overflow="fold")


def terminal_table(
    title: str,
    heads: Sequence[str],
    rows: Iterable[Sequence[str | Text]],
    *,
    right: Sequence[str] = (),
    no_wrap: bool = False,
) -> Table:
    """Rows under their heads, all words as they are; ``right``: heads of right-aligned columns."""
    table = WholeTable(box=box.SIMPLE_HEAD, title=title, padding=(0, 1, 0, 0), pad_edge=False)
    for head in heads:
        table.add_column(head, justify="right" if head in right else "left", no_wrap=no_wrap, overflow="fold")
    for row in rows:
        table.add_row(*(cell if isinstance(cell, Text) else Text(cell) for cell in row))
    return table
