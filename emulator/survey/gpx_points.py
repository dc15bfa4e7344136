"""Points from GPX 1.1: the points of its one track, or else of its one route.

The format is the open schema http://www.topografix.com/GPX/1/1 (from memory): ``trk`` holds ``trkseg``,
which hold ``trkpt`` with the attributes ``lat`` and ``lon`` [deg, WGS 84] and the elements ``ele`` [m] and
``time``; ``rte`` holds ``rtept``. Version 1.0 has the same points and is taken, too.

Read by expat, element by element. A document type is refused where it begins: nothing that is read here needs
one, and entities that grow without bound are declared in it.
"""

from __future__ import annotations

import math
from typing import NoReturn
from xml.parsers import expat

from emulator.core.errors import ConfigError, Problem, UnreadableError
from emulator.core.outside.reading import POINTS, read_whole
from emulator.survey.points import Gathered, Points, latitude_and_longitude, moment, number, shown

NAMESPACES = ("http://www.topografix.com/GPX/1/1", "http://www.topografix.com/GPX/1/0")
"""Of the versions that are read."""
DEEPEST = 30
"""Levels of nesting; a track's points stand at the fourth."""

_LINES = {"trk": ["gpx", "trk", "trkseg", "trkpt"], "rte": ["gpx", "rte", "rtept"]}  # and where points stand
_WORDS = {"trk": "track", "rte": "route"}
_MOST_TEXT = 200


def read_gpx(path: str) -> Points:
    """The points of a GPX file. Raises ConfigError with what is wrong, by line and column."""
    try:
        raw = read_whole(path, POINTS)
    except UnreadableError as error:
        raise ConfigError([Problem(path, 1, 1, "", error.why)]) from error
    reading = _Reading(path)
    reading.parse(raw)
    return reading.points()


class _Reading:
    """What expat finds, from element to element."""

    def __init__(self, path: str) -> None:
        self.path = path
        self.open: list[str] = []  # local names of the elements that are open, the outermost first
        self.found: dict[str, list[Gathered]] = {kind: [] for kind in _LINES}
        self.pieces = dict.fromkeys(_LINES, 0)
        self.waypoints = 0
        self.place: tuple[float, float] | None = None
        self.place_line = 0
        self.told: dict[str, float] = {}
        self.text = ""
        self.parser = expat.ParserCreate(namespace_separator=" ")
        self.parser.buffer_text = True
        self.parser.StartDoctypeDeclHandler = self._doctype
        self.parser.EntityDeclHandler = self._doctype
        self.parser.StartElementHandler = self._start
        self.parser.EndElementHandler = self._end
        self.parser.CharacterDataHandler = self._characters

    def parse(self, raw: bytes) -> None:
        try:
            self.parser.Parse(raw, True)
        except expat.ExpatError as error:
            text = f"this is no XML: {expat.ErrorString(error.code)}"
            raise ConfigError([Problem(self.path, error.lineno, error.offset + 1, "", text)]) from None
        except (LookupError, ValueError) as error:  # an encoding that nobody knows
            raise ConfigError([Problem(self.path, 1, 1, "", f"this is no XML: {error}")]) from None

    def points(self) -> Points:
        """The points of the one line. Raises ConfigError."""
        for kind, lines in self.found.items():
            if len(lines) > 1:
                counts = ", ".join(str(len(line.rows)) for line in lines[:10])
                raise self._refused_file(
                    f"expected one {_WORDS[kind]}, got {len(lines)} (of {counts} points); "
                    "leave the one you mean in the file"
                )
            if lines:
                remarks = []
                if self.pieces[kind] > 1:
                    remarks.append(f"the track's {self.pieces[kind]} segments are joined")
                if kind == "trk" and self.found["rte"]:
                    remarks.append("the route beside the track is not used")
                return lines[0].points(geodetic=True, remarks=tuple(remarks))
        held = f"{self.waypoints} waypoints" if self.waypoints else "none"
        raise self._refused_file(f"expected a track or a route, got {held}")

    def _refused_file(self, text: str) -> ConfigError:
        return ConfigError([Problem(self.path, 1, 1, "", text)])

    def _refuse(self, text: str) -> NoReturn:
        raise ConfigError([Problem(self.path, *self._here(), "", text)])

    def _here(self) -> tuple[int, int]:
        return self.parser.CurrentLineNumber, self.parser.CurrentColumnNumber + 1

    def _doctype(self, *_: object) -> None:
        self._refuse("a document type (DTD) is not read; take its declaration away")

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        namespace, _, local = name.rpartition(" ")
        if not self.open and (local != "gpx" or namespace not in NAMESPACES):
            what = f"expected <gpx xmlns={NAMESPACES[0]!r}>, got <{shown(local)[1:-1]}>"
            self._refuse(f"{what}; export the track as GPX, or its points as CSV")
        if len(self.open) >= DEEPEST:
            self._refuse(f"nested deeper than {DEEPEST} levels")
        self.open.append(local if namespace in NAMESPACES else "")
        self.text = ""
        if self.open[1:] in (["trk"], ["rte"]):
            self.found[local].append(Gathered(self.path))
        elif self.open == ["gpx", "trk", "trkseg"]:
            self.pieces["trk"] += 1
        elif self.open == ["gpx", "wpt"]:
            self.waypoints += 1
        elif self.open in _LINES.values():
            self.place_line = self.parser.CurrentLineNumber
            self.told = {}
            self.place = self._attributes(local, attributes)

    def _attributes(self, local: str, attributes: dict[str, str]) -> tuple[float, float] | None:
        try:
            for key in ("lat", "lon"):
                if key not in attributes:
                    raise ValueError(f"expected <{local} lat=... lon=...>, got no {key}")
            return latitude_and_longitude(number(attributes["lat"]), number(attributes["lon"]))
        except ValueError as error:
            self._line().wrong(*self._here(), str(error))
            return None

    def _line(self) -> Gathered:
        """The track or route that is open."""
        return self.found[self.open[1]][-1]

    def _characters(self, text: str) -> None:
        if len(self.text) < _MOST_TEXT:
            self.text += text

    def _end(self, _: str) -> None:
        if self.open[:-1] in _LINES.values() and self.open[-1] in ("ele", "time"):
            what = self.open[-1]
            try:
                self.told[what] = number(self.text) if what == "ele" else moment(self.text)
            except ValueError as error:
                self._line().wrong(*self._here(), str(error))
        elif self.open in _LINES.values() and self.place is not None:
            elevation, time = (self.told.get(key, math.nan) for key in ("ele", "time"))
            self._line().add(self.place_line, self.place, elevation, math.nan, time)
            self.place = None
        self.open.pop()
