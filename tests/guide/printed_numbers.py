"""What is printed, taken apart: every number with what stands around it, on a terminal and on a page.

A number is known by its surroundings, not by its value: in a table by table and column, in a figure by figure
and curve, elsewhere by its sentence with every number as ``#``. Numbers inside a word (``p99``, ``0x080``,
``rate_x_rad_s``) are names. What a pointer on a curve shows are the curve's own numbers.
"""

from __future__ import annotations

import ast
import json
import re
from collections.abc import Iterator
from html.parser import HTMLParser
from typing import Any, NamedTuple

from rich.console import Group
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

_NUMBER = re.compile(r"(?<![\w.])[-+±−]?\d(?:[\d,]*\d)?(?::\d\d)*(?:\.\d+)?(?:e[-+]?\d+)?(?![\w/]|\.\d)")
"""Not the first part of an address (127.0.0.1) or of a unit (1/s)."""
SENTENCES = {
    ("Criteria", "what happened"),
    ("Events", "what"),
    ("Lap and sector times", ""),
    ("Signals", "made of"),
    ("Errors at the receiver", "made of"),
    ("Hands off", "unstable"),
    ("Hands off", "least stable"),
    ("Fork held", "unstable"),
    ("Fork held", "least stable"),
}
"""Columns whose cells are sentences: every number of them is asked for by itself."""
KINDS_OF_ROW = {
    ("Lap and sector times", "ideal"),
    ("Lap and sector times", "target speed"),
    ("Loop", "wake-up lateness"),
    ("Loop", "computing"),
}
"""Rows that say by their first cell what their numbers are; elsewhere the column does."""
BARE_UNITS = {"", "%", "1/min", "N m", "bar", "cm", "degrees", "degrees/s", "gear", "km/h", "m", "ms", "m/s"}
"""An axis that says no more than that belongs to its curves."""


class Printed(NamedTuple):
    """A number of a table's column or a figure's curve, or a sentence with its numbers.

    where     table or figure, numbers as #; empty for a sentence
    what      column, curve or axis; or the sentence, numbers as #
    """

    section: str
    where: str
    what: str

    def __str__(self) -> str:
        return f"{self.where} · {self.what}" if self.where else self.what

    @property
    def places(self) -> frozenset[int]:
        """Where in ``what`` a number stands; of a column or a curve there is one."""
        if self.where:
            return frozenset((0,))
        return frozenset(i for i, c in enumerate(self.what) if c == "#")


def masked(text: str) -> str:
    """A text on one line, every number as #."""
    return _NUMBER.sub("#", " ".join(text.split()))


def begins_with(text: str, words: str) -> bool:
    """Whether it does, and goes on with no further word but what a mark sets apart: "limit, grip #"."""
    return text.startswith(words) and not re.match(r" ?\w", text[len(words) :])


def sentences(section: str, text: str) -> Iterator[Printed]:
    """Its lines that hold a number."""
    for line in text.split("\n"):
        if "#" in (found := masked(line)):
            yield Printed(section, "", found)


def _cell(section: str, where: str, head: str, row: str, text: str) -> Iterator[Printed]:
    """A number in a table, or the sentence of a cell; ``row``: what its row begins with."""
    if "#" not in (found := masked(text)):
        return
    if any(head == column and begins_with(where, table) for table, column in SENTENCES):
        yield Printed(section, "", f"{where} · {head}: {found}")
    elif any(row == kind and begins_with(where, table) for table, kind in KINDS_OF_ROW):
        yield Printed(section, where, row)
    else:
        yield Printed(section, where, head)


# -- terminal ------------------------------------------------------------------------------------------------


def of_terminal(section: str, item: object) -> Iterator[Printed]:
    """Numbers of what a console is given to print. Raises TypeError for a kind that is new."""
    if isinstance(item, str | Text):
        yield from sentences(section, str(item))
    elif isinstance(item, Group):
        for part in item.renderables:
            yield from of_terminal(section, part)
    elif isinstance(item, Padding):
        yield from of_terminal(section, item.renderable)
    elif isinstance(item, Table):
        title = masked(str(item.title or ""))
        yield from sentences(section, title)
        heads = [masked(str(column.header)) for column in item.columns]
        for row in zip(*(column.cells for column in item.columns), strict=True):
            for head, cell in zip(heads, row, strict=True):
                yield from _cell(section, title or "table", head, str(row[0]), str(cell))
    else:
        raise TypeError(f"a console is given a {type(item).__name__}: say how its numbers are found")


# -- page ----------------------------------------------------------------------------------------------------

_BLOCKS = {
    *("title", "h1", "h2", "h3", "p", "li", "dt", "dd", "summary", "pre", "label", "div", "ul", "dl"),
    *("section", "details", "header", "main", "table", "thead", "tbody", "tr", "th", "td"),
}


class _Page(HTMLParser):
    """Walks through a page and notes numbers as they come."""

    def __init__(self, section: str, text: str) -> None:
        super().__init__()
        self.found: list[Printed] = []
        self._section = section
        self._title = self._subtitle = self._term = self._first_line = self._row = ""
        self._words: list[str] = []
        self._heads: list[str] = []
        self._column = 0
        self._skipped = self._is_data = False
        self._figure_at: dict[str, str] = {}
        self.feed(text)
        self.close()

    @property
    def _heading(self) -> str:
        """The nearest one that names more than an output or a kind of fix."""
        mere_name = re.search(r"[_#:]", self._subtitle)
        return self._title if not self._subtitle or mere_name else self._subtitle

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in _BLOCKS:
            self._end_of_block("")
        given = dict(attrs)
        if tag in ("script", "style"):
            self._skipped, self._is_data = True, given.get("id") == "figures"
        elif tag == "br":
            self._words.append("\n")
        elif tag == "table":
            self._heads, self._first_line = [], ""
        elif tag == "tr":
            self._column = 0
        elif tag == "div" and given.get("class") == "figure":
            self._figure_at[str(given.get("id"))] = self._heading

    def handle_endtag(self, tag: str) -> None:
        if tag in ("script", "style"):
            self._skipped = False
        elif tag in _BLOCKS:
            self._end_of_block(tag)

    def handle_data(self, data: str) -> None:
        if not self._skipped:
            self._words.append(re.sub(r"\s+", " ", data))
        elif self._is_data:
            for key, figure in json.loads(data)["figures"].items():
                self.found += of_figure(self._section, self._figure_at[key], figure)

    def _end_of_block(self, tag: str) -> None:
        lines = [masked(line) for line in "".join(self._words).split("\n")]
        text, self._words = " ".join(filter(None, lines)), []
        if tag == "h2":
            self._title, self._subtitle = text, ""
        elif tag == "h3":
            self._subtitle = text
        if tag == "th":
            # a head that begins on its second line goes on with the first line of the one before
            self._first_line = lines[0] or self._first_line
            self._heads.append(text if lines[0] else f"{self._first_line} {text}")
        elif tag == "td":
            self._row = self._row if self._column else text
            head = self._heads[self._column]
            self.found += _cell(self._section, self._heading, head, self._row, text)
            self._column += 1
        elif tag == "dt":
            self._term = text
        elif tag == "dd":
            self.found += _cell(self._section, "facts", self._term, "", text)
        else:
            self.found += sentences(self._section, text)


def of_page(section: str, text: str) -> list[Printed]:
    """Numbers of an HTML page: of its tables, its sentences, and its figures' curves."""
    return _Page(section, text).found


def of_figure(section: str, where: str, figure: dict[str, Any]) -> Iterator[Printed]:
    """Curves, bars and limits of a legend and titles of axes; labels C1, F2, E3 as C, F, E."""
    curves = [c for c in (*figure["curves"], *figure.get("bars", ())) if c["name"] and c.get("legend", True)]
    if figure["kind"] == "strip" or len(curves) > 1 or figure.get("legend"):
        for part in (*curves, *figure.get("limits", ())):
            yield Printed(section, where, masked(re.sub(r"\b([CFE])\d+\b", r"\1", part["name"])))
    for key in ("x", "y"):
        title = masked(figure.get(key, {}).get("title", ""))
        if title not in BARE_UNITS:
            yield Printed(section, where, title)


# -- source --------------------------------------------------------------------------------------------------

_FORM_OF_A_NUMBER = re.compile(r"[-+]?\d*,?(\.\d*)?[fgde%]?")


def of_source(section: str, code: str) -> Iterator[Printed]:
    """Numbers of the sentences a module makes: its f-strings that hold a number's form and a word.

    For sentences that only a bench in trouble says. What has no form of its own (a name, words of another
    function) is an ellipsis. Texts of errors that it raises are left out.
    """
    tree = ast.parse(code)
    other: set[ast.AST] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Raise):
            other.update(ast.walk(node))
        elif isinstance(node, ast.FormattedValue) and node.format_spec:
            other.update(ast.walk(node.format_spec))
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr) and node not in other:
            text = "".join(_part(value) for value in node.values)
            if re.search(r"[a-z]{3}", text):
                yield from sentences(section, text)


def _part(value: ast.expr) -> str:
    if isinstance(value, ast.Constant):
        return str(value.value)
    assert isinstance(value, ast.FormattedValue)
    spec = value.format_spec
    parts = spec.values if isinstance(spec, ast.JoinedStr) else []
    form = "".join(str(part.value) for part in parts if isinstance(part, ast.Constant))
    if form and _FORM_OF_A_NUMBER.fullmatch(form):
        return "1%" if form.endswith("%") else "1"
    return "…"
