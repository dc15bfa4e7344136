"""Points from CSV: a first line that names the columns, then a line a point.

Columns are known by their names, in any order, whatever the case; a unit in brackets behind the name or an
ending such as ``_m`` may stand or not. Between columns stands a comma, a semicolon or a tab; with one of the
latter two a comma may be the decimal sign. Lines that begin with ``#`` are skipped.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Callable

from emulator.core.errors import ConfigError, Problem, UnreadableError
from emulator.core.outside.reading import POINTS, read_whole
from emulator.survey.points import Gathered, Points, latitude_and_longitude, moment, number, shown

COLUMNS: dict[str, tuple[str, ...]] = {
    "latitude": ("latitude", "lat"),
    "longitude": ("longitude", "lon", "lng", "long"),
    "east": ("east", "easting", "x", "e"),
    "north": ("north", "northing", "y", "n"),
    "elevation": ("elevation", "ele", "height", "altitude", "alt", "z"),
    "width": ("width",),
    "time": ("time", "timestamp", "utc", "t"),
}
"""What columns are, and what they may be called."""

_ENDINGS = re.compile(r"\s*[\[(].*[\])]\s*$|[_ ](?:m|deg|s)$")
_MOST_COLUMNS = 200
_SEXAGESIMAL = re.compile(r"[0-9]\s*(?:[°:'\"NSW]|E\s*$|\s[0-9])", re.IGNORECASE)
_OTHER = {"{": "JSON", "[": "JSON", "<": "XML"}  # by the first sign of a file
_PACKED = b"PK\x03\x04"


def read_csv(path: str) -> Points:
    """The points of a CSV file. Raises ConfigError with what is wrong, by line and column."""
    text = _text(path)
    lines = text.split("\n")
    first = next((k for k, line in enumerate(lines) if line.strip() and not line.startswith("#")), None)
    if first is None:
        raise ConfigError([Problem(path, 1, 1, "", "the file is empty; expected a line that names columns")])
    delimiter = max("\t;,", key=lines[first].count)
    places, remarks = _columns(path, first + 1, lines[first].split(delimiter))
    gathered, heads = Gathered(path), lines[first].count(delimiter) + 1
    geodetic = "latitude" in places
    rows = csv.reader(io.StringIO("\n".join(lines[first + 1 :])), delimiter=delimiter, strict=True)
    try:
        for cells in rows:
            if "".join(cells[heads:]).strip():
                text = f"expected {heads} columns, as the first line names, got {len(cells)}"
                if delimiter == ",":
                    text += "; with decimal commas, put semicolons between columns"
                gathered.wrong(first + 1 + rows.line_num, 1, text)
            elif "".join(cells).strip() and not cells[0].startswith("#"):
                _point(gathered, first + 1 + rows.line_num, cells, places, comma=delimiter != ",")
    except csv.Error as error:
        raise ConfigError(
            [Problem(path, first + 1 + rows.line_num, 1, "", f"this is no line of CSV: {error}")]
        ) from None
    return gathered.points(geodetic=geodetic, remarks=remarks)


def _text(path: str) -> str:
    try:
        raw = read_whole(path, POINTS)
    except UnreadableError as error:
        raise ConfigError([Problem(path, 1, 1, "", error.why)]) from error
    if raw.startswith(_PACKED):
        text = "this is a packed file, such as a spreadsheet's; save its table as CSV text"
        raise ConfigError([Problem(path, 1, 1, "", text)])
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        column = error.start - raw.rfind(b"\n", 0, error.start)
        what = f"byte 0x{raw[error.start]:02x} is not UTF-8 text; save the file as UTF-8"
        raise ConfigError([Problem(path, line, column, "", what)]) from None
    return text.replace("\r\n", "\n").replace("\r", "\n").replace("\0", "\ufffd")


def _columns(path: str, line: int, heads: list[str]) -> tuple[dict[str, int], tuple[str, ...]]:
    """Where the columns stand that are known, and sentences on the others. Raises ConfigError."""
    known = {name: what for what, names in COLUMNS.items() for name in names}
    places: dict[str, int] = {}
    others = []
    problems = []
    for k, head in enumerate(heads[:_MOST_COLUMNS]):
        name = head.strip().strip('"').strip().casefold()
        what = known.get(name) or known.get(_ENDINGS.sub("", name))
        if what is None:
            others.append(shown(head.strip().strip('"')))
        elif what in places:
            text = f"expected one column of {what}, got {shown(heads[places[what]])} and {shown(head)}"
            problems.append(Problem(path, line, 1 + sum(len(h) + 1 for h in heads[:k]), "", text))
        else:
            places[what] = k
    pairs = [pair for pair in (("latitude", "longitude"), ("east", "north")) if places.keys() >= set(pair)]
    if not pairs and not problems:
        names = ", ".join(sorted(n for w in ("latitude", "longitude", "east", "north") for n in COLUMNS[w]))
        other = _OTHER.get(heads[0].lstrip()[:1])
        text = (
            f"expected points in CSV, or in GPX 1.1 in a file whose name ends in .gpx; got {other}"
            if other
            else "expected a line that names the columns, latitude and longitude or east and north among "
            f"them ({names}); got {', '.join(shown(head.strip()) for head in heads[:8])}"
        )
        problems.append(Problem(path, line, 1, "", text))
    if problems:
        raise ConfigError(problems)
    unused = {"latitude", "longitude", "east", "north"} - set(pairs[0])
    others += [shown(heads[places.pop(what)].strip()) for what in sorted(unused) if what in places]
    return places, (f"columns not used: {', '.join(others[:10])}",) if others else ()


def _point(gathered: Gathered, line: int, cells: list[str], places: dict[str, int], *, comma: bool) -> None:
    """Take the point of a line, or note what is wrong with it."""

    def value(what: str, read: Callable[[str], float], *, needed: bool = False) -> float:
        k = places.get(what)
        if k is None:
            return math.nan
        cell = cells[k] if k < len(cells) else ""
        if not cell.strip() and not needed:
            return math.nan
        try:
            if not cell.strip():
                raise ValueError(f"expected a number for {what}, got nothing")
            return read(cell)
        except ValueError as error:
            bad.append(what)
            text = str(error)
            if what in ("latitude", "longitude") and _SEXAGESIMAL.search(cell):
                text += "; write decimal degrees, such as 47.2508"
            gathered.wrong(line, 1 + sum(len(before) + 1 for before in cells[:k]), text)
            return math.nan

    def plain(text: str) -> float:
        return number(text, comma=comma)

    bad: list[str] = []
    pair = ("latitude", "longitude") if "latitude" in places else ("east", "north")
    place = (value(pair[0], plain, needed=True), value(pair[1], plain, needed=True))
    if pair[0] == "latitude" and not bad:
        try:
            latitude_and_longitude(*place)
        except ValueError as error:
            gathered.wrong(line, 1, str(error))
    gathered.add(line, place, value("elevation", plain), value("width", plain), value("time", moment))
