"""Time constant, rate limit and free play of an actuator, with their uncertainty, or why the log can't tell.

What the actuator delivers by the command that was logged is laid beside what was measured; delay, gain and
offset of the sensor are nuisances. Rate limit and free play are believed where the sum of squares rises by
more than chance without them, and dropped one by one where not: then the log says how large they may be.

Noise is that of the measured signal itself (third differences). Where more is left than that, or what is left
is alike from sample to sample, the actuator does something that this one cannot, and that is said: intervals
of the numbers would lie. What is alike in part widens them (the variance of a mean of what is correlated:
W. K. Newey and K. D. West, Econometrica 55 (1987), from memory).
"""

from __future__ import annotations

import itertools
import math
from typing import NamedTuple

import numpy as np

from emulator.track.actuators.following import Actuator, TICK_s, Values, delivered
from emulator.track.calibration.least_squares import Fitted, NotFitted, fit

SURE = 10.83
"""Rise of the sum of squares over its variance from which chance does not explain it: chi-square with one
degree of freedom, 1 in 1,000."""
KNOWN_TO = 0.25
"""Standard deviation over value up to which a number is told; common practice, no source."""
LEAST_s, LEAST_MOVES = 2.0, 10.0
"""Length of a log and, in standard deviations of its noise, how far its command has to go; common practice,
no source."""
MOST_VARIANCE, MOST_ALIKE = 2.0, 0.3
"""What is left over noise, and its likeness from sample to sample, above which the actuator is another one;
common practice, no source."""
LONGEST_DELAY_s = 0.2
_TIME_CONSTANTS_s = (0.002, 0.006, 0.02, 0.06)
_DELAYS_s = (0.0, 0.005, 0.015, 0.04, 0.1)
_SPANS_s = (0.01, 0.02, 0.04, 0.08, 0.2, 0.5)  # in which a rate limit goes through all that is asked
_NAMES = ("time_constant", "slowness", "free_play", "delay", "gain", "offset")
_PLAY, _SLOWNESS = 2, 1
_OF_ACTUATOR = 4
_TIMES = (0, 3)
_LAGS = 50


class NotIdentified(ValueError):
    """A log tells nothing of an actuator, and why, in words."""


class Log(NamedTuple):
    """Command and what was measured.

    asked     (n,) a tick of a millisecond
    at        (m,) ticks at which there is a sample;  seen (m,) it
    noise     standard deviation of a sample; 0: it has none
    low, high limits of the actuator
    known_to_s  how well it is known when a command changed, one standard deviation: of a log with fewer rows
              than ticks its step over the root of 12
    """

    asked: Values
    at: np.ndarray[tuple[int], np.dtype[np.int64]]
    seen: Values
    noise: float
    low: float
    high: float
    known_to_s: float = 0.0


class Number(NamedTuple):
    """A number that was estimated, and its standard deviation; ``told``: whether the log tells it.

    at_least, at_most  bounds where it is not told (95 %); infinite: none
    """

    value: float
    sd: float
    told: bool
    at_least: float = -math.inf
    at_most: float = math.inf


class Identified(NamedTuple):
    """What a log says of an actuator, in SI and the unit of what it delivers.

    rate_limit, free_play   as the rig has them
    later                   [s] delay and time constant together
    delay, gain, offset     not the actuator's: of bus and program, and of the sensor
    left                    root mean square of what is left;  variance  that squared over noise
    alike                   correlation of what is left with the sample before
    """

    time_constant: Number
    rate_limit: Number
    free_play: Number
    later: Number
    delay: Number
    gain: Number
    offset: Number
    left: float
    variance: float
    alike: float

    @property
    def cannot(self) -> str:
        """Why the numbers would lie, in words; empty where they hold."""
        if self.variance > MOST_VARIANCE:
            return f"{math.sqrt(self.variance):.1f} times its noise is left: it does what this actuator can't"
        if abs(self.alike) > MOST_ALIKE:
            return f"what is left is alike from sample to sample by {self.alike:.2f}: it is no noise"
        return ""


def identify(log: Log) -> Identified:
    """Estimate. Raises NotIdentified where the log tells nothing of the actuator."""
    if len(log.asked) * TICK_s < LEAST_s:
        raise NotIdentified(f"{len(log.asked) * TICK_s:.1f} s of log, expected {LEAST_s:g} s and more")
    if not len(log.seen) or not np.isfinite(log.asked).all():
        raise NotIdentified("command or measured signal has no sample")
    moves = float(np.ptp(log.asked))
    if moves <= LEAST_MOVES * log.noise or moves == 0.0:
        raise NotIdentified(
            f"the command moves by {moves:.3g}, expected {LEAST_MOVES:g} times the noise of {log.noise:.3g}"
        )
    try:
        return _identified(log)
    except NotFitted as why:
        raise NotIdentified(str(why)) from why


def _identified(log: Log) -> Identified:
    free = list(range(len(_NAMES)))
    at, found = min((_fitted(log, free, at) for at in _guesses(log)), key=lambda one: one[1].squares)
    bounds: dict[int, float] = {}
    for _ in range(2):
        rises: dict[int, float] = {}
        without: dict[int, tuple[Values, Fitted]] = {}
        for k in (_SLOWNESS, _PLAY):
            if k not in free:
                continue
            none = at.copy()
            none[k] = 0.0
            without[k] = _fitted(log, [j for j in free if j != k], none)
            variance = max(found.squares / max(1, len(log.seen) - len(free)), 1e-300)
            rises[k] = (without[k][1].squares - found.squares) / variance
        least = min(rises, key=lambda k: rises[k], default=None)
        if least is None or rises[least] > SURE:
            break
        bounds[least] = float(at[least] + 1.96 * found.standard[free.index(least)])
        free.remove(least)
        at, found = without[least]
    return _told(log, free, at, found, bounds)


def _model(log: Log, numbers: Values) -> Values:
    made = delivered(Actuator(*map(float, numbers[:_OF_ACTUATOR])), log.asked, log.low, log.high)
    return np.asarray(numbers[4] * made[log.at] + numbers[5])


def _guesses(log: Log) -> list[Values]:
    """The best of a grid (6,) without a rate limit, and with each of several: valleys of their own, since a
    limit that is never reached has no slope."""
    moves = float(np.ptp(log.asked))
    found = []
    for slowness in (0.0, *(span / moves for span in _SPANS_s)):
        best, least = np.zeros(len(_NAMES)), math.inf
        for tau, delay, play in itertools.product(_TIME_CONSTANTS_s, _DELAYS_s, (0.0, 0.03 * moves)):
            made = delivered(Actuator(tau, slowness, play, delay), log.asked, log.low, log.high)[log.at]
            columns = np.column_stack([made, np.ones(len(made))])
            linear = np.linalg.lstsq(columns, log.seen, rcond=None)[0]
            squares = float(np.sum((log.seen - columns @ linear) ** 2))
            if squares < least:
                best, least = np.array([tau, slowness, play, delay, *linear]), squares
        found.append(best)
    return found


def _fitted(log: Log, free: list[int], start: Values) -> tuple[Values, Fitted]:
    """All numbers (6,) with some of them fitted, and that fit."""
    moves = float(np.ptp(log.asked))
    slope = max(float(np.max(np.abs(np.diff(log.asked)))) / TICK_s, 1e-9)
    scale = np.array([0.005, 1.0 / slope, 0.02 * moves, 0.005, 0.05, 0.05 * moves])
    low = np.array([0.0, 0.0, 0.0, 0.0, -np.inf, -np.inf])
    high = np.array([1.0, np.inf, moves, LONGEST_DELAY_s, np.inf, np.inf])

    def whole(part: Values) -> Values:
        numbers = start.copy()
        numbers[free] = part
        return numbers

    def residual(part: Values) -> Values:
        return log.seen - _model(log, np.clip(whole(part), low, high))

    def jacobian(part: Values) -> Values:
        # a lag's and a play's edges lie between samples: steps of less than a tick's worth would see none
        columns = []
        for k, size in zip(range(len(part)), 0.02 * scale[free], strict=True):
            up, down = part.copy(), part.copy()
            up[k] += size
            down[k] = max(down[k] - size, low[free][k])
            columns.append((residual(up) - residual(down)) / (up[k] - down[k]))
        return np.column_stack(columns)

    found = fit(
        residual,
        start[free],
        jacobian=jacobian,
        scale=scale[free],
        least=low[free],
        most=high[free],
        tolerance=1e-10,
    )
    return whole(found.values), found


def _told(log: Log, free: list[int], at: Values, found: Fitted, bounds: dict[int, float]) -> Identified:
    residual = found.residual
    left = float(np.sqrt(np.mean(residual**2)))
    alike = float(residual[1:] @ residual[:-1] / max(float(residual @ residual), 1e-300))
    wider = math.sqrt(_together(residual))
    sd = np.zeros(len(_NAMES))
    sd[free] = wider * found.standard
    for k in _TIMES:
        sd[k] = math.hypot(sd[k], log.known_to_s)

    def number(k: int) -> Number:
        known = bool(np.isfinite(sd[k]) and sd[k] <= KNOWN_TO * abs(at[k]))
        return Number(float(at[k]), float(sd[k]), known, at_most=float(at[k] + 1.96 * sd[k]))

    if _SLOWNESS in free:
        slow = number(_SLOWNESS)
        rate = Number(1.0 / slow.value, slow.sd / slow.value**2, slow.told, at_least=1.0 / slow.at_most)
    else:
        made = delivered(Actuator(*map(float, at[:_OF_ACTUATOR])), log.asked, log.low, log.high)
        fastest = float(np.max(np.abs(np.diff(made)), initial=0.0)) / TICK_s
        rate = Number(math.inf, math.inf, False, at_least=fastest)
    play = number(_PLAY) if _PLAY in free else Number(0.0, math.inf, False, at_most=bounds[_PLAY])
    both = found.covariance[np.ix_([free.index(0), free.index(3)], [free.index(0), free.index(3)])]
    known_to = math.hypot(wider * math.sqrt(max(float(both.sum()), 0.0)), log.known_to_s)
    later = Number(float(at[0] + at[3]), known_to, True)
    variance = left**2 / log.noise**2 if log.noise > 0.0 else 1.0
    return Identified(number(0), rate, play, later, number(3), number(4), number(5), left, variance, alike)


def _together(residual: Values) -> float:
    """How many times its variance the sum of so many residuals has, for being alike; at least 1."""
    squares = max(float(residual @ residual), 1e-300)
    lags = range(1, min(_LAGS, len(residual) - 1) + 1)
    alike = sum((1.0 - k / (_LAGS + 1)) * float(residual[k:] @ residual[:-k]) for k in lags)
    return max(1.0, 1.0 + 2.0 * alike / squares)
