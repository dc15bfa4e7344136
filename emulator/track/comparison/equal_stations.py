"""Two rides of one line at equal stations: what differs, by how much, where most, and how alike corners are.

In closed loop the rider takes out what the bike does otherwise: a wrong model shows in what it takes to ride
the line, in torque and steering angle, and not in where the bike goes.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from emulator.core.errors import RecordError
from emulator.core.signals import RUNNING
from emulator.record.reader import Run
from emulator.track.comparison.playing import Values
from emulator.track.comparison.rating import Rating, rating
from emulator.track.comparison.readings import column_noise

STEP_m = 0.5
_CORNER_rad, _CORNER_OUT_rad = math.radians(12.0), math.radians(6.0)
_SHORTEST = 60  # stations of a corner: 30 m
_AROUND_m = 10.0


class Signal(NamedTuple):
    """A signal that two rides are laid beside in; told times ``per`` in ``unit``."""

    column: str
    words: str
    unit: str
    per: float


SIGNALS: tuple[Signal, ...] = (
    Signal("truth.speed_m_s", "speed", "km/h", 3.6),
    Signal("truth.roll_rad", "lean", "°", 180.0 / math.pi),
    Signal("truth.roll_rate_rad_s", "roll rate", "°/s", 180.0 / math.pi),
    Signal("truth.yaw_rate_rad_s", "yaw rate", "°/s", 180.0 / math.pi),
    Signal("truth.steer_rad", "steering angle", "°", 180.0 / math.pi),
    Signal("actuator.steering_torque_Nm", "steering torque", "N m", 1.0),
    Signal("line.offset_m", "beside the line", "m", 1.0),
    Signal("actuator.throttle", "throttle", "%", 100.0),
    Signal("actuator.front_brake_Pa", "front brake", "bar", 1e-5),
)


class Difference(NamedTuple):
    """One signal of two rides, first less second, [SI].

    rms, most   root mean square, and the largest with its sign; ``at_m`` the station of that
    noise       root sum of squares of both columns' own noise
    """

    signal: Signal
    rms: float
    most: float
    at_m: float
    noise: float


class Corner(NamedTuple):
    """A corner of the line, and how alike the two rides are in it.

    from_m, to_m  stations; ``lean`` most of the first ride [rad]; ``seconds`` longer the first one took
    ratings       (signal, rating) of those both have
    """

    from_m: float
    to_m: float
    lean: float
    seconds: float
    ratings: tuple[tuple[Signal, Rating], ...]


class Beside(NamedTuple):
    """Two rides at equal stations; ``seconds`` that the first took longer over ``from_m`` to ``to_m``."""

    from_m: float
    to_m: float
    seconds: float
    differences: tuple[Difference, ...]
    corners: tuple[Corner, ...]


def equal_stations(run: Run, other: Run) -> Beside:
    """Lay two rides beside each other.

    Raises RecordError if they rode other lines, or have no stretch of it in common.
    """
    if run.manifest.get("line") != other.manifest.get("line"):
        raise RecordError(
            f"{other.folder} is a ride of another line than {run.folder}",
            advice="name a run of the same circuit or manoeuvre",
        )
    rows, others = _onwards(run), _onwards(other)
    station, theirs = run.signals["line.station_m"][rows], other.signals["line.station_m"][others]
    station = station - _laps_ahead(station, theirs, run.manifest.get("line"))
    first, last = max(station[0], theirs[0]), min(station[-1], theirs[-1])
    at = np.arange(math.ceil(first / STEP_m) * STEP_m, last, STEP_m)
    if len(at) < _SHORTEST:
        raise RecordError(
            f"{run.folder} and {other.folder} have no stretch of the line in common",
            advice="name two runs that began at the same station",
        )
    time = np.interp(at, station, run.time_s[rows])
    time_theirs = np.interp(at, theirs, other.time_s[others])
    both: dict[Signal, tuple[Values, Values]] = {}
    differences = []
    for signal in SIGNALS:
        if signal.column not in run.signals or signal.column not in other.signals:
            continue
        mine = np.interp(at, station, run.signals[signal.column][rows])
        their = np.interp(at, theirs, other.signals[signal.column][others])
        apart = mine - their
        known = np.flatnonzero(np.isfinite(apart))
        if not len(known):
            continue
        both[signal] = (mine, their)
        k = int(known[np.argmax(np.abs(apart[known]))])
        noise = math.hypot(column_noise(run, signal.column), column_noise(other, signal.column))
        rms = float(np.sqrt(np.mean(apart[known] ** 2)))
        differences.append(Difference(signal, rms, float(apart[k]), float(at[k]), noise))
    longer = time - time_theirs
    return Beside(
        float(at[0]),
        float(at[-1]),
        float(longer[-1] - longer[0]),
        tuple(differences),
        tuple(_corners(at, both, longer)),
    )


def _laps_ahead(station: Values, theirs: Values, line: object) -> float:
    """Whole laps [m] that a ride is ahead of another one; both have most of the line in common without them.

    A ride that begins a step before the line, by its places, has its first lap a lap later than one that
    begins upon it.
    """
    if not isinstance(line, Mapping) or not line.get("closed"):
        return 0.0
    ahead = (station[0] - theirs[0]) / line["length_m"]
    laps = line["length_m"] * np.array([0.0, math.floor(ahead), math.ceil(ahead)])
    common = np.minimum(station[-1] - laps, theirs[-1]) - np.maximum(station[0] - laps, theirs[0])
    return float(laps[np.argmax(common)])


def _onwards(run: Run) -> Values:
    """Rows of the ride at which it was further along the line than ever before."""
    if "line.station_m" not in run.signals:
        raise RecordError(
            f"{run.folder}: no station is recorded", advice="a log needs a scenario with its line in the map"
        )
    station = run.signals["line.station_m"]
    riding = (run.tick >= 0) & np.isfinite(station)
    if "bench.state" in run.signals:
        riding &= run.signals["bench.state"] == RUNNING
    rows = np.flatnonzero(riding)
    if not len(rows):
        raise RecordError(f"{run.folder}: it never rode", advice="name a run that got somewhere")
    reached = np.maximum.accumulate(station[rows])
    new = np.concatenate([[True], reached[1:] > reached[:-1]])
    return np.asarray(rows[new])


def _corners(at: Values, both: dict[Signal, tuple[Values, Values]], longer: Values) -> list[Corner]:
    """Stretches leant over in the first ride, each with its ratings."""
    lean = next((np.abs(mine) for s, (mine, _) in both.items() if s.column == "truth.roll_rad"), None)
    if lean is None:
        return []
    found, begun = [], -1
    around = round(_AROUND_m / STEP_m)
    for k, value in enumerate([*lean, 0.0]):
        if begun < 0 and value > _CORNER_rad:
            begun = k
        elif begun >= 0 and value < _CORNER_OUT_rad:
            a, b = max(0, begun - around), min(len(at) - 1, k + around)
            if b - a >= _SHORTEST:
                ratings = tuple(
                    (signal, rating(mine[a : b + 1], their[a : b + 1]))
                    for signal, (mine, their) in both.items()
                    if np.isfinite(mine[a : b + 1] + their[a : b + 1]).all() and np.ptp(mine[a : b + 1]) > 0.0
                )
                most = float(np.max(lean[a : b + 1]))
                found.append(Corner(float(at[a]), float(at[b]), most, float(longer[b] - longer[a]), ratings))
            begun = -1
    return found
