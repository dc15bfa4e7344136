"""The grip that a bike used by station, which is the least that the road had.

Of all forces of the road on both tyres the part along the road over the part across it is at most the road's
grip times the tyres' friction, whichever tyre bears how much: so much at least one of them used. Both parts
are what an inertial unit measures, times the mass; what the air does is taken off with the vehicle's figures.
It needs forces along all three axes, the lean and the speed; it cannot tell the tyres apart, and where nobody
asked for grip it says nothing.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from emulator.core.constants import GRAVITY
from emulator.record.reader import Run

Array = NDArray[np.float64]

STEP_s = 0.1
"""Forces are averaged over so long: what a bump shakes says little of the grip."""
NEEDED = (
    *(f"output.force_{axis}_m_s2" for axis in "xyz"),
    "truth.roll_rad",
    "truth.speed_m_s",
)
_SLOWEST_m_s = 5.0
_FROM_MASS_m = 0.15  # an inertial unit's way to the centre of mass; common practice, no source
_AIR_SHARE = 0.1  # that the air's figures may be off by; common practice, no source
_USUAL_BIAS_m_s2 = 0.05  # as in a map that does not tell
_TURNS_rad_s = 0.1  # where turning tells of the acceleration across as well
_DOWN_rad, _STOOD_UP_m_s = 1.15, 2.0  # a bike that leans further lies, until it is ridden off anew
_SPREAD = 1.4826  # of normal noise over its median size


class Air(NamedTuple):
    """What the air does to the bike: drag and lift over dynamic pressure [m2] a kilogram, and the density."""

    drag_m2_kg: float
    lift_m2_kg: float
    density_kg_m3: float


class Used(NamedTuple):
    """Grip used at even instants (n,), friction of both tyres taken together.

    time_s   [s]   of the record
    used     [1]   force along the road over force across it; NaN where it can't be told
    sd       [1]   standard deviation of what it is off by
    spread_m_s2  [m/s2] of the acceleration across by forces from that by turning; NaN where it can't be told
    """

    time_s: Array
    used: Array
    sd: Array
    spread_m_s2: float


class ByStation(NamedTuple):
    """By stretches of station (m,): middle [m], most that was used, its 97.5 % lower bound, lap's number."""

    station: Array
    used: Array
    least: Array
    lap: NDArray[np.int64]


def grip_used(run: Run, bank_rad: Array | None, air: Air, over_ground: Array | None = None) -> Used:
    """Of a record that has what is ``NEEDED``.

    over_ground  (n,) [m/s] speed at each row by places; None: a wheel's, which runs faster as its tyre leans
    bank_rad  (n,) [rad] of the road at each row, positive where its left side is higher; None: it is level
    """
    rows = max(1, round(STEP_s / float(np.median(np.diff(run.time_s[:1000])))))
    n = len(run.tick) // rows

    def of(name: str) -> Array:
        return _averaged(run.signals[name], rows, n)

    force_x, force_y, force_z, lean, speed = (of(name) for name in NEEDED)
    banked = 0.0 if bank_rad is None else _averaged(bank_rad, rows, n)
    sin, cos = np.sin(lean - banked), np.cos(lean - banked)
    across, up = force_y * cos - force_z * sin, force_y * sin + force_z * cos
    pressure = 0.5 * air.density_kg_m3 * speed**2
    drag, lift = pressure * air.drag_m2_kg, pressure * air.lift_m2_kg
    along, load = force_x + drag, up - lift
    riding = (speed > _SLOWEST_m_s) & (load > 0.3 * GRAVITY) & ~_down(lean, speed)
    with np.errstate(invalid="ignore", divide="ignore"):
        used = np.where(riding, np.hypot(along, across) / load, np.nan)
    ground = speed if over_ground is None else _averaged(over_ground, rows, n)
    spread = _spread(run, rows, n, np.sin(lean), np.cos(lean), force_y, force_z, ground)
    bias = _bias(run)
    # what differs across by forces and by turning is the lean's error times the load, which changes both
    aside = (0.0 if math.isnan(spread) else spread) * (1.0 + np.nan_to_num(used) ** 2)
    shaken = _FROM_MASS_m * _angular(run, rows, n)
    off = np.sqrt(
        2.0 * bias**2 + aside**2 + shaken**2 + (_AIR_SHARE * drag) ** 2 + (_AIR_SHARE * lift * used) ** 2
    )
    return Used(_averaged(run.time_s, rows, n), used, off / np.maximum(load, 0.3 * GRAVITY), spread)


def by_station(used: Used, station: Array, length_m: float, every_m: float, friction: float) -> ByStation:
    """The most that was used in each stretch, as grip of the road.

    station   (n,) [m] at the instants, counted on over laps; NaN: nowhere
    friction  [1] the greatest that a tyre has on a road of grip 1

    Of several laps the greatest of their bounds is taken, each so much lower that all hold together
    (Bonferroni).
    """
    stretches = max(1, round(length_m / every_m))
    known = np.isfinite(station) & np.isfinite(used.used)
    at, value, sd = station[known], used.used[known] / friction, used.sd[known] / friction
    lap = np.floor(at / length_m).astype(np.int64)
    inside = at - lap * length_m
    place = np.minimum((inside / length_m * stretches).astype(np.int64), stretches - 1)
    first = int(lap.min(initial=0))
    laps = int(lap.max(initial=0)) - first + 1
    sure = float(stats.norm.ppf(1.0 - 0.025 / max(laps, 1)))
    most, least = np.full((2, stretches), np.nan)
    number = np.zeros(stretches, np.int64)
    order = np.argsort(value - sure * sd, kind="stable")  # the greatest comes last and stays
    most[place[order]] = value[order]
    least[place[order]] = np.maximum(value - sure * sd, 0.0)[order]
    number[place[order]] = lap[order] - first + 1
    middle = (np.arange(stretches) + 0.5) * length_m / stretches
    return ByStation(middle, most, least, number)


def _averaged(values: Array, rows: int, n: int) -> Array:
    return np.asarray(values[: n * rows].reshape(n, rows).mean(axis=1), np.float64)


def _down(lean: Array, speed: Array) -> NDArray[np.bool_]:
    """(n,) where the bike lies: what scrapes is no tyre."""
    out, down = np.zeros(len(lean), bool), False
    for k, (leans, fast) in enumerate(zip(np.abs(lean).tolist(), speed.tolist(), strict=True)):
        down = leans > _DOWN_rad or (down and not fast < _STOOD_UP_m_s)
        out[k] = down
    return out


def _angular(run: Run, rows: int, n: int) -> Array:
    """Angular acceleration (n,) [rad/s2], of the rates that the record has."""
    rates = (f"truth.{axis}_rate_rad_s" for axis in ("roll", "pitch", "yaw"))
    total = np.zeros(n)
    for name in rates:
        if name in run.signals:
            total += np.nan_to_num(np.gradient(_averaged(run.signals[name], rows, n), STEP_s)) ** 2
    return np.sqrt(total)


def _bias(run: Run) -> float:
    """What the map says that forces may be off by [m/s2]."""
    track = run.manifest.get("track")
    unit = track.get("inertial_unit") if isinstance(track, dict) else None
    told = unit.get("force_bias_m_s2") if isinstance(unit, dict) else None
    return float(told) if isinstance(told, int | float) else _USUAL_BIAS_m_s2


def _spread(
    run: Run, rows: int, n: int, sin: Array, cos: Array, force_y: Array, force_z: Array, speed: Array
) -> float:
    """Spread [m/s2] of two ways to tell the acceleration across, where the bike turns; NaN without rates."""
    if "truth.yaw_rate_rad_s" not in run.signals:
        return math.nan
    yaw = _averaged(run.signals["truth.yaw_rate_rad_s"], rows, n)
    pitch = (
        _averaged(run.signals["truth.pitch_rate_rad_s"], rows, n)
        if "truth.pitch_rate_rad_s" in run.signals
        else np.zeros(n)
    )
    turning = pitch * sin + yaw * cos
    off = force_y * cos - force_z * sin - speed * turning
    there = np.isfinite(off) & (np.abs(turning) > _TURNS_rad_s) & (speed > _SLOWEST_m_s)
    return _SPREAD * float(np.median(np.abs(off[there]))) if np.count_nonzero(there) > 50 else math.nan
