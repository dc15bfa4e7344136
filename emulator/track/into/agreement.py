"""Do signals that know of each other agree? A unit, a sign or an axis that is wrong shows here.

Each row compares one signal with what others say it should be, by the gain between both. Compared is on an
even grid of 20 Hz. Where nothing changes enough, nothing can be told, and that is told.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.track.into.mounting import GRAVITY_m_s2
from emulator.track.into.pieces import gain_of

Values = NDArray[np.float64]
Look = Callable[[str], Values | None]

_LOW, _HIGH = 0.75, 1.33
_ALIKE = 0.6
_APART = 0.2  # alike by less, where both move enough to tell
_MOVES = {"_rad_s": 0.1, "_rad": 0.1, "_m_s2": 0.8, "_m_s": 2.0}  # common practice, no source
_TURNS_m_s = 5.0
_LIES_rad, _FALLS_s = 1.13, 1.0  # 65 degrees, more than any bike rides at
_SLIDES = 0.2  # of the logarithm of both wheels' ratio; gears and brakes make a few hundredths
_LEANS_rad = 0.03
_NEAR = 0.24  # of the logarithm: noise lowers a gain
_SPEEDS = {3.6: ("km/h", "m/s"), 2.237: ("mph", "m/s"), 1.609: ("mph", "km/h")}
_ANGLES = {57.296: ("degrees", "radians")}
_FORCES = {9.807: ("m/s2", "g"), **_SPEEDS}  # beside the slope of a speed
_RATIOS = {"_m_s": _SPEEDS, "_rad": _ANGLES, "_rad_s": _ANGLES, "_m_s2": _FORCES}
"""What a wrong unit makes of a gain, by the end of the signal's name: what was taken for what."""
_FORWARD, _SPEED, _LEAN, _COURSE = "the force forward", "the speed", "the lean", "the course"


class Agreement(NamedTuple):
    """A comparison: what with what; the gain found and its half width; whether it holds, None: not told.

    on     what it hangs on, in words: whatever is wrong in one of them shows
    apart  the log has enough of it, and yet both go each its own way
    """

    signal: str
    beside: str
    gain: float | None
    half: float | None
    holds: bool | None
    words: str
    on: tuple[str, ...] = ()
    apart: bool = False


def agreements(look: Look, step_s: float) -> list[Agreement]:
    """All comparisons that the signals allow.

    look    values (n,) of a signal on the even grid, NaN where there are none; None: it is not in the log
    step_s  the grid's step
    """
    lean = look("output.lean_rad")
    lean = look("truth.roll_rad") if lean is None else lean
    rides = _rides(lean, step_s)
    rolls = _rolls(look("output.wheel_front_m_s"), look("output.wheel_rear_m_s"), step_s)
    if rolls is not None:
        rides = rolls if rides is None else rides & rolls

    def look_while_riding(signal: str) -> Values | None:
        values = look(signal)
        return values if values is None or rides is None else np.where(rides, values, np.nan)

    return [_judged(*row) for row in _rows(look_while_riding, step_s)]


def _rides(lean: Values | None, step_s: float) -> NDArray[np.bool_] | None:
    """(n,) where the bike does not lie nor fall: what devices say then does not go together.

    None: nobody knows, or the lean is none in radians, which has to show.
    """
    if lean is None or not np.isfinite(lean).any() or np.nanmax(np.abs(lean)) > np.pi:
        return None
    return ~_near(np.abs(lean) > _LIES_rad, step_s)


def _near(seen: NDArray[np.bool_], step_s: float) -> NDArray[np.bool_]:
    """(n,) where something is seen within a fall's time before or after."""
    reach = round(_FALLS_s / step_s)
    return np.asarray(np.convolve(seen, np.ones(2 * reach + 1))[reach:-reach] > 0.5)


def _rolls(front: Values | None, rear: Values | None, step_s: float) -> NDArray[np.bool_] | None:
    """(n,) where no wheel locks or spins: its speed is not the bike's then. None: one of them is not known.

    Beside what both differ by usually, so that a wrong unit is none of it.
    """
    if front is None or rear is None:
        return None
    fast = np.fmax(front, rear)
    with np.errstate(divide="ignore", invalid="ignore"):
        apart = np.log(np.maximum(front, 1e-3) / np.maximum(rear, 1e-3))
    usual = apart[np.isfinite(apart) & (fast > _TURNS_m_s)]
    if not len(usual):
        return None
    return ~_near((np.abs(apart - np.median(usual)) > _SLIDES) & (fast > _TURNS_m_s), step_s)


def _rows(look: Look, step_s: float) -> Iterator[tuple[str, str, Values, Values, tuple[str, ...]]]:
    """(signal, what it is compared with, values expected (n,), values (n,), what that hangs on)."""
    speeds = [
        (name, values)
        for name in ("output.wheel_front_m_s", "output.wheel_rear_m_s", "output.gnss_speed_m_s")
        if (values := look(name)) is not None
    ]
    for (first, a), (second, b) in pairwise(speeds):
        yield second, first, a, b, (first, second)
    speed = speeds[0][1] if speeds else look("truth.speed_m_s")
    lean = look("output.lean_rad")
    lean = look("truth.roll_rad") if lean is None else lean
    rates = [look(f"output.rate_{axis}_rad_s") for axis in "xyz"]
    course = look("course")
    if speed is not None and (force := look("output.force_x_m_s2")) is not None:
        slope = _slope(speed, step_s)
        yield "output.force_x_m_s2", "slope of the speed", slope, _even(force), (_FORWARD, _SPEED)
    if lean is not None and rates[0] is not None:
        slope = _slope(lean, step_s)
        yield "output.rate_x_rad_s", "slope of the lean", slope, _even(rates[0]), ("the roll rate", _LEAN)
    turning = None if course is None else -_slope(_known_turns(course), step_s)
    if turning is not None and speed is not None:
        turning = np.where(speed > _TURNS_m_s, turning, np.nan)  # a standing receiver's course wanders
        for of, name, share in ((1, "sine", np.sin), (2, "cosine", np.cos)):
            rate = rates[of]
            if rate is not None and (lean is not None or of == 2):
                expected = turning if lean is None else turning * share(lean)
                words = "slope of the course" + ("" if lean is None else f", by the lean's {name}")
                hangs = (f"the {'xyz'[of]} rate", _COURSE, *(() if lean is None or of == 2 else (_LEAN,)))
                yield f"output.rate_{'xyz'[of]}_rad_s", words, expected, _even(rate), hangs
        if lean is not None:
            expected = -np.arctan(speed * turning / GRAVITY_m_s2)
            compared = _leans(expected, _even(lean))
            hangs = (_LEAN, _SPEED, _COURSE)
            yield "output.lean_rad", "lean that speed and course ask for", *compared, hangs
    elif lean is not None and rates[1] is not None and rates[2] is not None and speed is not None:
        yaw = rates[1] * np.sin(lean) + rates[2] * np.cos(lean)
        expected = -np.arctan(speed * yaw / GRAVITY_m_s2)
        compared = _leans(_even(expected), _even(lean))
        yield "output.lean_rad", "lean that speed and rates ask for", *compared, (_LEAN, _SPEED, "the rates")


def _leans(expected: Values, lean: Values) -> tuple[Values, Values]:
    """Both, or nothing where the ride hardly leans: straight on the lean is balance, not what a turn asks."""
    if max((float(np.nanstd(v)) for v in (expected, lean) if np.isfinite(v).any()), default=0.0) > _LEANS_rad:
        return expected, lean
    return np.full_like(expected, np.nan), lean


def _judged(signal: str, beside: str, expected: Values, values: Values, on: tuple[str, ...]) -> Agreement:
    found = gain_of(expected, values)
    if found is None or abs(found.correlation) < _ALIKE:
        alike = "" if found is None else f" (alike by {found.correlation:.2f})"
        words = f"can't be told from this log{alike}"
        apart = found is not None and abs(found.correlation) < _APART and _moves(signal, expected)
        return Agreement(signal, beside, None, None, None, words, on, apart)
    gain, half = found.gain, found.half
    if _LOW <= gain <= _HIGH:
        return Agreement(signal, beside, gain, half, True, f"{gain:.3f} +- {half:.3f} of it", on)
    # noise of what it is compared with lowers a gain: were all that is not alike such noise, it would be this
    most = gain / found.correlation**2
    if 0.0 < gain < _LOW <= most:
        words = f"can't be told from this log: {gain:.3f} to {most:.3f} of it, by how much of either is noise"
        return Agreement(signal, beside, None, None, None, words, on)
    return Agreement(signal, beside, gain, half, False, wrong_gain(signal, gain), on)


def _moves(signal: str, expected: Values) -> bool:
    """Whether there is far more to see than noise."""
    least = next((least for end, least in _MOVES.items() if signal.endswith(end)), np.inf)
    return float(np.nanstd(expected)) > least


def wrong_gain(signal: str, gain: float) -> str:
    """What is wrong with a signal's gain that should be near 1, in words; empty where nothing is."""
    if _LOW <= gain <= _HIGH:
        return ""
    words = f"{gain:.3g} of it instead of 1"
    if -_HIGH <= gain <= -_LOW:
        return f"{words}: its sign, or that of the other, is the wrong way round"
    known = next((ratios for end, ratios in _RATIOS.items() if signal.endswith(end)), _SPEEDS)
    size = abs(float(np.log(abs(gain))))
    near = min(known, key=lambda ratio: abs(size - np.log(ratio)))
    if abs(size - np.log(near)) > _NEAR:
        return words
    large, small = known[near]
    one, other = f"{large} taken for {small}", f"{small} taken for {large}"
    if abs(gain) < 1.0:
        one, other = other, one
    return f"{words}: {one}, or what it is compared with {other}?"


def _even(values: Values) -> Values:
    """Smoothed over five steps, as ``_slope`` smooths."""
    return _smooth(_smooth(values))


def _slope(values: Values, step_s: float) -> Values:
    return _smooth(_smooth(np.gradient(values, step_s)))


def _smooth(values: Values) -> Values:
    return np.convolve(values, np.full(5, 0.2))[2:-2]


def _known_turns(course: Values) -> Values:
    """The course without whole turns; NaN where it is not known."""
    return np.where(np.isfinite(course), np.unwrap(_filled(course)), np.nan)


def _filled(values: Values) -> Values:
    """The nearest earlier value where there is none, else the first, so that an angle can be unwrapped."""
    there = np.isfinite(values)
    if not there.any():
        return values
    last = np.maximum.accumulate(np.where(there, np.arange(len(values)), -1))
    return np.asarray(values[np.where(last >= 0, last, np.argmax(there))])
