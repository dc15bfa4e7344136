"""How the inertial unit sits in the bike: up from standstill, forward from changes of speed on straights.

At standstill the specific force points up. On straights its change points forward as the speed changes. Left
follows by the right hand. What a bike does to itself meanwhile (it dives under the brakes) turns the forward
direction up or down, not sideways, and only its part across the vertical is used.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from emulator.track.into.clocks import NotTold
from emulator.track.into.pieces import PIECES, gain_of

GRAVITY_m_s2 = 9.80665
_STANDS_m_s, _RIDES_m_s = 0.3, 5.0
_LEAST_STANDSTILL_s, _LEAST_STRAIGHT_s = 2.0, 20.0
_ROLLS_OFF_s = 1.0  # a wheel begins to tell its speed when it has been speeding up for a while
_STILL_rad_s, _STRAIGHT_rad_s = 0.05, 0.05
_FORCE_BAND = 0.08
_MOST_deg = 30.0
_LEAST_ALIKE = 0.5

Vectors = NDArray[np.float64]


class Mounting(NamedTuple):
    """Rotation from the unit's axes, as the map has them, to the bike's; angles [deg] by which it is turned.

    turn       (3, 3)  components of the unit -> components of the bike
    angles_deg roll, pitch, yaw of the unit in the bike: about forward, then left, then up, fixed to the unit
    half_deg   half widths of their 95 % intervals, force bias and standstill's scatter included
    """

    turn: Vectors
    angles_deg: tuple[float, float, float]
    half_deg: tuple[float, float, float]
    standstill_s: float
    straight_s: float


def find_mounting(
    step_s: float,
    force: Vectors,
    rate: Vectors,
    speed: NDArray[np.float64],
    *,
    lean_rad: float = 0.0,
    bias_m_s2: float = 0.05,
) -> Mounting:
    """The mounting from a log on an even grid.

    force, rate  (n, 3)  specific force [m/s2] and angular rate [rad/s] along the unit's axes; NaN in gaps
    speed        (n,)    [m/s]
    lean_rad     of the bike while it stands, positive to the right
    Raises NotTold: too little standstill or straight, a force that is not gravity, a unit turned by more than
    30 degrees from what the map says.
    """
    known = np.isfinite(force).all(axis=1) & np.isfinite(rate).all(axis=1) & np.isfinite(speed)
    still = known & _stands(speed, step_s)
    by_speed_s = float(still.sum() * step_s)
    turning = np.empty(0)
    if still.any():
        turning = np.abs(rate - np.median(rate[still], axis=0)).max(axis=1)
        turning, still = turning[still], still & (turning < _STILL_rad_s)
    standstill_s = float(still.sum() * step_s)
    if standstill_s < _LEAST_STANDSTILL_s:
        why = f"the bike stands for {standstill_s:.1f} s; {_LEAST_STANDSTILL_s:g} s are needed"
        if by_speed_s >= _LEAST_STANDSTILL_s:
            why += (
                f". By its speed it stands for {by_speed_s:.1f} s, in half of which its rates are off by "
                f"{np.median(turning):.2f} rad/s and more: degrees taken for radians, or is it pushed about?"
            )
        raise NotTold(why)
    mean = force[still].mean(axis=0)
    size = float(np.linalg.norm(mean))
    if abs(size / GRAVITY_m_s2 - 1.0) > _FORCE_BAND:
        hint = "; it looks as if it were logged in g" if abs(size - 1.0) < _FORCE_BAND else ""
        parts = ", ".join(f"{part:.2f}" for part in mean)
        raise NotTold(
            f"the specific force at standstill is {size:.2f} m/s2, not {GRAVITY_m_s2:.2f} "
            f"(x, y and z: {parts}){hint}"
        )
    up = mean / size
    slope = np.gradient(speed, step_s)
    straight = (
        known & (speed > _RIDES_m_s) & (np.abs((rate - rate[still].mean(axis=0)) @ up) < _STRAIGHT_rad_s)
    )
    straight_s = float(straight.sum() * step_s)
    if straight_s < _LEAST_STRAIGHT_s:
        raise NotTold(f"there are {straight_s:.0f} s of straights; {_LEAST_STRAIGHT_s:g} s are needed")
    forward, yaw_half = _forward(force[straight], slope[straight], up)
    left = np.cross(up, forward)
    sin, cos = math.sin(lean_rad), math.cos(lean_rad)
    turn = np.array([forward, cos * left + sin * up, cos * up - sin * left])
    angles = _angles(turn)
    off_deg = math.degrees(math.acos(max(-1.0, min(1.0, (float(np.trace(turn)) - 1.0) / 2.0))))
    if off_deg > _MOST_deg:
        raise NotTold(f"the unit is turned by {off_deg:.0f} degrees; {_axes_found(turn)}")
    half = _half_widths(angles, bias_m_s2, force[still] @ np.array([left, forward]).T, yaw_half)
    return Mounting(turn, angles, half, standstill_s, straight_s)


def _stands(speed: NDArray[np.float64], step_s: float) -> NDArray[np.bool_]:
    """(n,) the bike stands, and a second before and behind as well: who rolls off has a force forward."""
    reach = math.ceil(_ROLLS_OFF_s / step_s)
    moves = np.convolve(np.abs(speed) >= _STANDS_m_s, np.ones(2 * reach + 1))[reach:-reach] > 0.5
    return (np.abs(speed) < _STANDS_m_s) & ~moves


def _forward(force: Vectors, slope: NDArray[np.float64], up: Vectors) -> tuple[Vectors, float]:
    """Unit vector across the vertical along which the force goes with the speed's slope; yaw's half width."""
    east = np.cross(up, [0.0, 0.0, 1.0] if abs(up[2]) < 0.9 else [0.0, 1.0, 0.0])
    east /= np.linalg.norm(east)
    north = np.cross(up, east)
    gains = [gain_of(slope, force @ axis) for axis in (east, north)]
    if gains[0] is None or gains[1] is None:
        raise NotTold("the straights are too short to tell where forward is")
    both = np.array([gains[0].gain, gains[1].gain])
    size = float(np.linalg.norm(both))
    forward = (both[0] * east + both[1] * north) / size
    found = gain_of(slope, force @ forward)
    across = gain_of(slope, force @ np.cross(up, forward))
    if found is None or across is None or found.correlation < _LEAST_ALIKE:
        alike = 0.0 if found is None else found.correlation
        raise NotTold(f"force and speed's slope are alike by {alike:.2f} only; {_LEAST_ALIKE} is needed")
    return forward, across.half / size


def _half_widths(
    angles_deg: tuple[float, float, float], bias_m_s2: float, across: Vectors, yaw_half: float
) -> tuple[float, float, float]:
    """Half widths of the angles [deg] from those of turns about the bike's own axes.

    across    (n, 2)  force to the left and forward at standstill [m/s2]: what is off there turns about
                      forward and about left
    yaw_half  of the turn about up [rad]
    """
    scatter = [_scatter(part) for part in across.T]
    about = np.array([*(math.hypot(bias_m_s2, one) / GRAVITY_m_s2 for one in scatter), yaw_half])
    _, pitch, yaw = np.radians(angles_deg)
    sin, cos = math.sin(yaw), math.cos(yaw)
    by_turn = np.array(
        [
            [cos / math.cos(pitch), sin / math.cos(pitch), 0.0],
            [-sin, cos, 0.0],
            [cos * math.tan(pitch), sin * math.tan(pitch), 1.0],
        ]
    )
    roll_half, pitch_half, yaw_half = np.degrees(np.sqrt(by_turn**2 @ about**2)).tolist()
    return roll_half, pitch_half, yaw_half


def _scatter(force: NDArray[np.float64]) -> float:
    """Half width of the mean force, from pieces of the standstill (n,) [m/s2]."""
    count = min(PIECES, len(force))
    means = np.array([piece.mean() for piece in np.array_split(force, count)])
    return float(stats.t.ppf(0.975, count - 1) * means.std(ddof=1) / math.sqrt(count))


def _angles(turn: Vectors) -> tuple[float, float, float]:
    return (
        math.degrees(math.atan2(turn[2, 1], turn[2, 2])),
        math.degrees(-math.asin(max(-1.0, min(1.0, float(turn[2, 0]))))),
        math.degrees(math.atan2(turn[1, 0], turn[0, 0])),
    )


def _axes_found(turn: Vectors) -> str:
    """Which of the unit's axes lie nearest to the bike's, in words."""
    words = []
    for axis, row in zip(("forward", "left", "up"), turn, strict=True):
        k = int(np.argmax(np.abs(row)))
        words.append(f"{'-' if row[k] < 0 else ''}{'xyz'[k]} points {axis}")
    return f"its {', its '.join(words)}: say so with axes, or see signs and order of the channels"
