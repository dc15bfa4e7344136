"""Surveyed points as a file gives them, and what is wrong with it, by line and column."""

from __future__ import annotations

import os
import re
from dataclasses import dataclass, field
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from emulator.core.errors import ConfigError, Problem
from emulator.core.outside.visible_text import visible
from emulator.wire.geodesy import Origin

Array = NDArray[np.float64]

MOST_POINTS = 50_000
"""Points a file may hold."""
FEWEST_POINTS = 12
"""Fewest points that a line is made of."""
WIDEST_m = 50_000.0
"""Points lie no further from the first one, east or north [m]."""
MOST_PROBLEMS = 20
"""Problems of a file after which the rest of it is not read."""

_NUMBER = re.compile(r"[-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][-+]?[0-9]{1,3})?")
_LONGEST = 40
_MOST = 1e13  # more than seconds or milliseconds since any zero; beside it a centimetre still shows


@dataclass(frozen=True)
class Points:
    """Points in the order of their file.

    path       of the file
    lines      (n,)    where each stands in it, from 1
    places     (n, 2)  latitude and longitude [deg], or east and north [m]
    geodetic   which of both; latitude and longitude are WGS 84
    elevation  (n,) [m]    NaN where none is given
    width      (n,) [m]    NaN where none is given
    time       (n,) [s]    from any zero; NaN where none is given
    remarks    sentences on what was not used
    """

    path: str
    lines: NDArray[np.int64]
    places: Array
    geodetic: bool
    elevation: Array
    width: Array
    time: Array
    remarks: tuple[str, ...] = ()

    def taken(self, which: NDArray[np.int64] | NDArray[np.bool_]) -> Points:
        """Some of them, in that order."""
        return Points(
            self.path,
            self.lines[which],
            self.places[which],
            self.geodetic,
            self.elevation[which],
            self.width[which],
            self.time[which],
            self.remarks,
        )

    def refused(self, text: str, *at: int) -> ConfigError:
        """What is wrong at points, by their index, or with all of them."""
        lines = [int(self.lines[k]) for k in at] or [1]
        return ConfigError([Problem(self.path, line, 1, "", text) for line in lines])


@dataclass
class Gathered:
    """Points as a reader finds them one by one; it collects what is wrong and ends it with ConfigError."""

    path: str
    rows: list[tuple[int, float, float, float, float, float]] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)

    def wrong(self, line: int, column: int, text: str) -> None:
        """Note a problem; too many end the reading."""
        self.problems.append(Problem(self.path, line, column, "", text))
        if len(self.problems) >= MOST_PROBLEMS:
            self.problems.append(
                Problem(self.path, line, column + 1, "", "more problems may follow; the rest is not read")
            )
            raise ConfigError(self.problems)

    def add(self, line: int, place: tuple[float, float], elevation: float, width: float, time: float) -> None:
        """Take a point; too many end the reading."""
        if len(self.rows) >= MOST_POINTS:
            text = f"expected at most {MOST_POINTS} points; thin them out, a metre apart is near enough"
            raise ConfigError([*self.problems, Problem(self.path, line, 1, "", text)])
        self.rows.append((line, *place, elevation, width, time))

    def points(self, *, geodetic: bool, remarks: tuple[str, ...] = ()) -> Points:
        """All that was taken. Raises ConfigError: problems, or too few points."""
        if self.problems:
            raise ConfigError(self.problems)
        if len(self.rows) < FEWEST_POINTS:
            text = f"expected at least {FEWEST_POINTS} points, got {len(self.rows)}"
            raise ConfigError([Problem(self.path, 1, 1, "", text)])
        table = np.array([row[1:] for row in self.rows], np.float64)
        lines = np.array([row[0] for row in self.rows], np.int64)
        return Points(
            self.path, lines, table[:, :2].copy(), geodetic, table[:, 2], table[:, 3], table[:, 4], remarks
        )


def number(text: str, *, comma: bool = False) -> float:
    """A plain finite number; with ``comma`` it may be the decimal sign. Raises ValueError."""
    plain = text.strip()
    if comma:
        plain = plain.replace(",", ".")
    if len(plain) > _LONGEST or not _NUMBER.fullmatch(plain):
        raise ValueError(f"expected a number, got {shown(text)}")
    value = float(plain)
    if not abs(value) <= _MOST:
        raise ValueError(f"expected a number of usual size, got {shown(text)}")
    return value


def moment(text: str) -> float:
    """Seconds of a time: a plain number, or ISO 8601, which counts as UTC without a zone.

    Raises ValueError.
    """
    try:
        return number(text)
    except ValueError:
        pass
    try:
        at = datetime.fromisoformat(text.strip())
        return (at if at.tzinfo else at.replace(tzinfo=UTC)).timestamp()
    except (ValueError, OverflowError):
        raise ValueError(
            f"expected seconds, or a time such as 2027-05-01T09:30:00Z, got {shown(text)}"
        ) from None


def latitude_and_longitude(latitude: float, longitude: float) -> tuple[float, float]:
    """Both as they are. Raises ValueError if they are none."""
    if abs(latitude) > 90.0:
        swapped = abs(longitude) <= 90.0 and abs(latitude) <= 180.0
        hint = "; are latitude and longitude swapped?" if swapped else ""
        raise ValueError(f"expected a latitude from -90 to 90 degrees, got {latitude:g}{hint}")
    if abs(longitude) > 180.0:
        raise ValueError(f"expected a longitude from -180 to 180 degrees, got {longitude:g}")
    return latitude, longitude


def shown(text: str) -> str:
    """A piece of the file as a message may show it: short, on one line."""
    tidy = visible(" ".join(text.split()))
    return f"'{tidy}'" if len(tidy) <= 40 else f"'{tidy[:37]}...'"


def short_name(path: str) -> str:
    """A file's name as text may show it, without its folder."""
    return " ".join(visible(os.path.basename(path)).split())


def in_plane(points: Points) -> tuple[Array, Origin | None]:
    """East and north of the first point (n, 2) [m], and where that is; None if the file doesn't say.

    Latitude and longitude go to the tangent plane at the first point, at its height. Raises ConfigError where
    points lie further apart than ``WIDEST_m``.
    """
    origin = None
    if points.geodetic:
        latitude, longitude = np.radians(points.places[0]).tolist()
        height = float(points.elevation[0])
        origin = Origin(latitude, longitude, height if abs(height) < 9000.0 else 0.0)
        plane = np.array(
            [
                origin.geodetic_to_enu(at[0], at[1], origin.height_m)[:2]
                for at in np.radians(points.places).tolist()
            ]
        )
    else:
        plane = points.places - points.places[0]
    far = np.abs(plane).max(axis=1)
    k = int(np.argmax(far))
    if far[k] > WIDEST_m and np.count_nonzero(far > WIDEST_m) > 0.02 * len(far) + 1.0:
        text = f"this point lies {far[k] / 1000.0:.0f} km from the first one; expected a circuit"
        raise points.refused(text, k)
    return plane, origin
