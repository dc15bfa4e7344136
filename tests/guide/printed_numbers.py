"""What is printed, taken apart: every number with what stands around it, on a terminal and on a page.

A number is known by its surroundings, not by its value: in a table by table and column, in a figure by figure
and curve, elsewhere by its sentence with every number as ``#``. Numbers inside a word (``p99``, ``0x080``,
``rate_x_rad_s``) are names.
"""

from __future__ import annotations

import ast
import json
import re
from collections.abc import Collection, Iterable, Iterator
from html.parser import HTMLParser
from typing import Any, NamedTuple

from rich.console import Group
from rich.panel import Panel
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


def sentences(section: str, text: str) -> Iterator[Printed]:
    """Its lines that hold a number."""
    for line in text.split("\n"):
        if "#" in (found := masked(line)):
            yield Printed(section, "", found)


def _cell(section: str, where: str, head: str, row: str, text: str) -> Iterator[Printed]:
    """A number in a table, or the sentence of a cell; ``row``: what its row begins with."""
    if "#" not in (found := masked(text)):
        return
    if any(row == kind and begins_with(where, table) for table, kind in KINDS_OF_ROW):
        yield Printed(section, where, row)
    elif any(head == column and begins_with(where, table) for table, column in SENTENCES):
        yield Printed(section, "", f"{where} · {head}: {found}")
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
    elif isinstance(item, Panel):
        yield from of_terminal(section, item.title or "")
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
            for key, figure in json.loads(data).items():
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
    """Curves of a legend and titles of axes of a plotly figure; labels C1, F2 as C, F."""
    layout = figure["layout"]
    if layout.get("showlegend", True):
        for trace in figure["data"]:
            if trace.get("showlegend", True):
                yield Printed(section, where, masked(re.sub(r"\b([CF])\d+\b", r"\1", trace.get("name", ""))))
    for key, axis in layout.items():
        if re.fullmatch(r"[xy]axis\d*", key):
            title = masked(axis.get("title", {}).get("text", ""))
            if title not in BARE_UNITS:
                yield Printed(section, where, title)


# -- source --------------------------------------------------------------------------------------------------

_FORM_OF_A_NUMBER = re.compile(r"[-+]?\d*,?(\.\d*)?[fgde%]?")
_TOLD_THROUGH = {"NotJudged", "NotMet"}
"""Exceptions whose text is told; that of others is an error's."""


def of_source(section: str, code: str, *, told: Collection[str] = _TOLD_THROUGH) -> Iterator[Printed]:
    """Numbers of the sentences a module makes: its f-strings that hold a number's form and a word.

    For sentences that only a bench in trouble says. What has no form of its own (a name, words of another
    function) is an ellipsis. ``told``: exceptions whose text is printed as a sentence.
    """
    tree = ast.parse(code)
    errors = {
        id(part)
        for node in ast.walk(tree)
        if isinstance(node, ast.Raise)
        and not (isinstance(node.exc, ast.Call) and _name(node.exc.func) in told)
        for part in ast.walk(node)
    }
    errors |= {
        id(part)
        for node in ast.walk(tree)
        if isinstance(node, ast.FormattedValue) and node.format_spec
        for part in ast.walk(node.format_spec)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr) and id(node) not in errors:
            text = "".join(_part(value) for value in node.values)
            if re.search(r"[a-z]{3}", text):
                yield from sentences(section, text)


def _name(node: ast.expr) -> str:
    return node.id if isinstance(node, ast.Name) else node.attr if isinstance(node, ast.Attribute) else ""


def _part(value: ast.expr) -> str:
    if isinstance(value, ast.Constant):
        return str(value.value)
    assert isinstance(value, ast.FormattedValue)
    form = (
        "".join(v.value for v in value.format_spec.values if isinstance(v, ast.Constant))
        if isinstance(value.format_spec, ast.JoinedStr)
        else ""
    )
    if form and _FORM_OF_A_NUMBER.fullmatch(form):
        return "1%" if form.endswith("%") else "1"
    return "…"


# -- phrases -------------------------------------------------------------------------------------------------


def begins_with(text: str, words: str) -> bool:
    """Whether it does, and goes on with no further word but what a mark sets apart: "limit, grip #"."""
    return text.startswith(words) and not re.match(r" ?\w", text[len(words) :])


class Phrase(NamedTuple):
    """How a page names numbers: ``Table · column``, ``Figure · curve``, an axis, or words of a sentence."""

    where: str
    what: str

    def __str__(self) -> str:
        return f"{self.where} · {self.what}" if self.where else self.what

    def places_in(self, printed: Printed) -> frozenset[int]:
        """Which numbers of it are meant."""
        if self.where:
            meant = begins_with(printed.where, self.where) and begins_with(printed.what, self.what)
            return printed.places if printed.where and meant else frozenset()
        if printed.where:
            return printed.places if printed.what == self.what else frozenset()
        found: set[int] = set()
        at = printed.what.find(self.what)
        while at >= 0:
            found |= {place for place in printed.places if at <= place < at + len(self.what)}
            at = printed.what.find(self.what, at + 1)
        return frozenset(found)


def phrases(code: str) -> list[Phrase]:
    """What stands between backquotes: one phrase, or of one table or figure several, set apart by commas."""
    where, mark, what = code.partition(" · ")
    return [Phrase(where, part) for part in what.split(", ")] if mark else [Phrase("", code)]


class Row(NamedTuple):
    """A row of the page: under which heading, its phrases, and the cells behind them."""

    heading: str
    phrases: tuple[Phrase, ...]
    cells: tuple[str, ...]


def rows_of(page: str) -> list[Row]:
    """Rows of all tables of a page in Markdown that begin with a phrase."""
    found, heading = [], ""
    for line in page.splitlines():
        if line.startswith("## "):
            heading = line.removeprefix("## ")
        elif line.startswith("| `"):
            first, *rest = (cell.strip() for cell in line.strip().strip("|").split("|"))
            named = (phrase for code in re.findall(r"`([^`]+)`", first) for phrase in phrases(code))
            found.append(Row(heading, tuple(named), tuple(rest)))
    return found


def without_a_row(printed: Iterable[Printed], rows: Iterable[Row], of: dict[str, set[str]]) -> list[str]:
    """What is printed and no row of its section names; ``of``: sections by heading."""
    rows = list(rows)
    missing = set()
    for one in set(printed):
        named = {
            place
            for row in rows
            if one.section in of[row.heading]
            for phrase in row.phrases
            for place in phrase.places_in(one)
        }
        if named != one.places:
            text = (
                one.what
                if one.where
                else "".join("<#>" if i in one.places - named else c for i, c in enumerate(one.what))
            )
            missing.add(f"{one.section}: {one.where} · {text}" if one.where else f"{one.section}: {text}")
    return sorted(missing)


def named_twice(printed: Iterable[Printed], rows: Iterable[Row], of: dict[str, set[str]]) -> list[str]:
    """Numbers that two rows name: one of their phrases is not specific enough."""
    rows = list(rows)
    twice = set()
    for one in set(printed):
        seen: dict[int, Phrase] = {}
        for row in rows:
            if one.section not in of[row.heading]:
                continue
            here = {place: phrase for phrase in row.phrases for place in phrase.places_in(one)}
            twice |= {f"`{seen[p]}` and `{here[p]}`: {one}" for p in seen.keys() & here.keys()}
            seen |= here
    return sorted(twice)


def naming_nothing(printed: Iterable[Printed], rows: Iterable[Row], of: dict[str, set[str]]) -> list[str]:
    """Phrases by which nothing is printed (any more) in their section."""
    by_section: dict[str, list[Printed]] = {}
    for one in set(printed):
        by_section.setdefault(one.section, []).append(one)
    return [
        str(phrase)
        for row in rows
        for phrase in row.phrases
        if not any(phrase.places_in(one) for s in of[row.heading] for one in by_section.get(s, ()))
    ]


def naming_elsewhere(printed: Iterable[Printed], rows: Iterable[Row], of: dict[str, set[str]]) -> list[str]:
    """Phrases that would name numbers of other sections, too: too short to be one meaning's."""
    printed = set(printed)
    return [
        f"`{phrase}`: {one.section}: {one}"
        for row in rows
        for phrase in row.phrases
        for one in printed
        if one.section not in of[row.heading] and phrase.places_in(one)
    ]
