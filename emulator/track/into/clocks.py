"""Two clocks brought together by two signals that show the same: offset, drift, and how well they are known.

Model: ``time = own * (1 + drift) + offset``, and at that time the one signal is a constant plus a gain times
the other. Two speeds, where the lean is known, differ by four gains more: for the wheel's smaller radius and
the antenna's smaller circle in bends, for slip as it drives and as it brakes. A first offset comes from the
highest correlation; then all numbers by Gauss and Newton's least squares. The slower signal's samples are
compared with the faster one, which is smoothed to the slower one's rate, symmetrically, so that noise moves
nothing.

The intervals are 95 %, from the scatter of the scores of twenty pieces of the log (a sandwich of the normal
matrix; Liang and Zeger (1986), Biometrika 73:13-22, from memory), so that residuals that hang together count
as few. A delay of a device is part of the offset: nobody can tell them apart.
"""

from __future__ import annotations

from typing import NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy import signal as filters
from scipy import stats

_PIECES = 20
_LEAST_CORRELATION = 0.8
_RIVAL = 0.98
_MOST_DRIFT = 1e-3
_MOST_OFFSET_s = 0.05
_GRID = 0.02
_LEAST_SAMPLES = 200
_GAP_STEPS = 3.5  # usual steps; outliers of a sample or two may be left out
_LEANS_rad = 0.2  # from one side to the other
_ROLLS_m_s = 3.0
_SLIP_UNSURE = 0.5  # of the offset that slip would pass for
_ROUNDS = 40
_FROZEN_s = 0.5
_JUMPS, _QUICKEST = 5.0, 20
_SETTLED = 0.1  # of the interval's half width
_WHOLE_STEPS = 6  # then by halves: a sample that comes and goes at an edge throws it to and fro

Values = NDArray[np.float64]
Instants = TypeVar("Instants", float, NDArray[np.float64])


class NotTold(Exception):
    """Why two clocks can't be brought together, in words."""


class ClockFit(NamedTuple):
    """How a clock goes: ``time = own * (1 + drift) + offset``; ``_95`` are half widths of 95 % intervals.

    gain  of its signal over the one of the main clock, which is 1 where both have the right unit
    """

    offset_s: float
    offset_95_s: float
    drift_ppm: float
    drift_95_ppm: float
    gain: float
    gain_95: float
    correlation: float

    def on_main(self, own_s: Instants) -> Instants:
        """Instants of this clock by the main one [s], one or (n,)."""
        return own_s * (1.0 + 1e-6 * self.drift_ppm) + self.offset_s


class Frozen(NamedTuple):
    """A stretch [s] in which a signal stood still, and jumped where it went on."""

    from_s: float
    to_s: float


def frozen(time_s: Values, values: Values) -> list[Frozen]:
    """Where a device stood still while the bike went on: one value for half a second and more, then a jump.

    A jump is five times what the signal does in its quickest steps, one of twenty of those in which it
    changes; common practice, no source. What stands still without one has no slope and moves no clock.
    """
    if len(values) < _LEAST_SAMPLES:
        return []
    changes = np.flatnonzero(np.diff(values) != 0.0)
    if not len(changes):
        return []
    steps = np.abs(np.diff(values)[changes])
    jump = _JUMPS * float(np.quantile(steps, 1.0 - 1.0 / _QUICKEST))
    begins = np.concatenate([[0], changes[:-1] + 1])
    lasts = time_s[changes] - time_s[begins]
    return [
        Frozen(float(time_s[begins[k]]), float(time_s[changes[k]]))
        for k in np.flatnonzero((lasts >= _FROZEN_s) & (steps > jump))
    ]


def without(of: tuple[Values, Values], stretches: list[Frozen]) -> tuple[Values, Values]:
    """A signal (time [s] (n,), values (n,)) without the samples of these stretches."""
    time_s, values = of
    kept = np.ones(len(time_s), np.bool_)
    for one in stretches:
        kept &= (time_s < one.from_s) | (time_s > one.to_s)
    return (time_s, values) if kept.all() else (time_s[kept], values[kept])


def fit_clock(
    main: tuple[Values, Values],
    own: tuple[Values, Values],
    within_s: float,
    lean: tuple[Values, Values] | None = None,
) -> ClockFit:
    """Bring a clock to the main one.

    main, own  (time [s] (n,), values (n,)) of the signal by each clock, times rising, values finite
    within_s   the offset is looked for from -within_s to within_s
    lean       [rad] by the main clock, where both signals are speeds: of a leaned bike they differ by it
    Raises NotTold.
    """
    if min(len(main[0]), len(own[0])) < _LEAST_SAMPLES:
        raise NotTold(f"it takes {_LEAST_SAMPLES} samples of both signals")
    own_is_slower = bool(np.median(np.diff(own[0])) >= np.median(np.diff(main[0])))
    slow, fast = (own, main) if own_is_slower else (main, own)
    fast = _smoothed(*fast, float(np.median(np.diff(slow[0]))))
    offset, correlation = _first_offset(main, own, within_s)
    if lean is not None and (len(lean[0]) < _LEAST_SAMPLES or np.ptp(lean[1]) < _LEANS_rad):
        lean = None
    gains = _Gains(slow, fast, own_is_slower, lean)
    numbers = gains.start(offset)
    for turn in range(_ROUNDS):
        jacobian, residual, _at = gains.at(numbers)
        step = np.linalg.lstsq(jacobian * gains.scale, residual, rcond=None)[0] * gains.scale
        numbers = numbers + (step if turn < _WHOLE_STEPS else 0.5 * step)
        if np.all(np.abs(step[:2]) < (1e-7, 1e-10)):
            break
    jacobian, residual, at = gains.at(numbers)
    half = _half_widths(jacobian * gains.scale, residual, at) * gains.scale
    half[:2] = np.hypot(half[:2], gains.by_slip(numbers))
    if np.any(np.abs(step[:2]) > _SETTLED * half[:2] + (1e-7, 1e-10)):
        raise NotTold("offset and drift did not settle")
    if half[0] > _MOST_OFFSET_s or abs(numbers[1]) > _MOST_DRIFT or abs(numbers[0] - offset) > 1.0:
        raise NotTold(f"the offset is known to {half[0]:.3f} s only; signals that change faster are needed")
    gain, gain_half = float(numbers[2]), float(half[2])
    if not own_is_slower:  # what was fitted is the main signal over this one
        gain, gain_half = 1.0 / gain, gain_half / gain**2
    return ClockFit(
        float(numbers[0]), float(half[0]), float(1e6 * numbers[1]), float(1e6 * half[1]),
        gain, gain_half, correlation,
    )  # fmt: skip


class _Gains:
    """Residuals of the slower signal's samples, and how they go with offset, drift, gain and constant.

    lean  [rad] by the main clock: with it two speeds may differ as they do on a bike that leans
    """

    def __init__(
        self,
        slow: tuple[Values, Values],
        fast: tuple[Values, Values],
        own_is_slower: bool,
        lean: tuple[Values, Values] | None = None,
    ) -> None:
        self._slow, self._fast, self._forward, self._lean = slow, fast, own_is_slower, lean
        self._step = 0.5 * float(np.median(np.diff(fast[0])))
        span = float(np.ptp(slow[0]))
        size = float(np.std(fast[1])) or 1.0
        self._slope = np.gradient(fast[1], fast[0])
        self._gap = _GAP_STEPS * float(np.median(np.diff(fast[0])))
        self._lean_gap = 0.0 if lean is None else _GAP_STEPS * float(np.median(np.diff(lean[0])))
        more = [] if lean is None else [1.0, 1.0, 0.01, 0.01]
        self.scale = np.array([0.1, 0.1 / span, 1.0, size, *more])

    def start(self, offset: float) -> Values:
        """Offset, drift 0, gain, constant and so on at an offset."""
        first = np.zeros(len(self.scale))
        first[0] = offset
        jacobian, residual, _ = self.at(first)
        first[2:] = np.linalg.lstsq(jacobian[:, 2:], residual, rcond=None)[0]
        return first

    def by_slip(self, numbers: Values) -> Values:
        """(2,) what offset [s] and drift may be off by, since slip is not quite as it is taken here."""
        if self._lean is None:
            return np.zeros(2)
        slip_s = float(np.abs(numbers[-2:]).max() * np.abs(self._fast[1]).mean())
        return _SLIP_UNSURE * slip_s * np.array([1.0, 1.0 / float(np.ptp(self._slow[0]))])

    def at(self, numbers: Values) -> tuple[Values, Values, Values]:
        """Jacobian (n, p), residual (n,) and instants (n,) of the samples that both signals have."""
        offset, drift = numbers[:2]
        time_s, values = self._slow
        if self._forward:
            there = main_s = time_s * (1.0 + drift) + offset
            by_offset, by_drift = np.ones(len(time_s)), time_s
        else:
            there, main_s = (time_s - offset) / (1.0 + drift), time_s
            by_offset = np.full(len(time_s), -1.0 / (1.0 + drift))
            by_drift = -there / (1.0 + drift)
        both = _known(there, self._fast[0], self._gap)
        if self._lean is not None:
            both &= _known(main_s, self._lean[0], self._lean_gap)
        if both.sum() < _LEAST_SAMPLES:
            raise NotTold("the two logs have too little time in common")
        there, main_s = there[both], main_s[both]
        columns = self._columns(there, main_s)
        moved = self._step if self._forward else 0.0  # the lean is then looked for at another instant, too
        slope = self._columns(there + self._step, main_s + moved)
        slope = (slope - self._columns(there - self._step, main_s - moved)) / (2.0 * self._step) @ numbers[2:]
        jacobian = np.column_stack([slope * by_offset[both], slope * by_drift[both], columns])
        return jacobian, values[both] - columns @ numbers[2:], time_s[both]

    def _columns(self, there: Values, main_s: Values) -> Values:
        """(n, 2) the faster signal and 1; with the lean (n, 6), what makes speeds of a leaned bike differ.

        A wheel rolls on a smaller radius, by its crown, and an antenna high up goes round a smaller circle. A
        wheel that drives or brakes slips by a share of its speed, which would pass for an offset.
        """
        level = np.interp(there, *self._fast)
        columns = [level, np.ones(len(level))]
        if self._lean is not None:
            lean = np.interp(main_s, *self._lean)
            inside = np.sin(lean) * np.tan(lean) / np.maximum(level, _ROLLS_m_s)
            pushed = level * np.interp(there, self._fast[0], self._slope)
            columns += [
                level * (1.0 - np.cos(lean)),
                inside,
                np.maximum(pushed, 0.0),
                np.minimum(pushed, 0.0),
            ]
        return np.column_stack(columns)


def _known(at_s: Values, time_s: Values, longest: float) -> NDArray[np.bool_]:
    """(n,) whether a signal has samples around each instant, no farther apart: in a gap nobody knows it."""
    behind = np.clip(np.searchsorted(time_s, at_s), 1, len(time_s) - 1)
    known = (at_s > time_s[0]) & (at_s < time_s[-1])
    return np.asarray(known & (time_s[behind] - time_s[behind - 1] <= longest))


def _half_widths(jacobian: Values, residual: Values, at: Values) -> Values:
    """(4,) half widths of 95 % intervals, from pieces of the log."""
    pieces = np.minimum((_PIECES * (at - at[0]) / np.ptp(at)).astype(int), _PIECES - 1)
    scores = np.zeros((_PIECES, jacobian.shape[1]))
    np.add.at(scores, pieces, jacobian * residual[:, None])
    triangle = np.asarray(np.linalg.qr(jacobian)[1])
    spread = np.linalg.solve(triangle, np.linalg.solve(triangle.T, scores.T))
    free = _PIECES - jacobian.shape[1]
    variance = (spread**2).sum(axis=1) * _PIECES / free
    return np.asarray(stats.t.ppf(0.975, free) * np.sqrt(variance))


def _smoothed(time_s: Values, values: Values, slow_step_s: float) -> tuple[Values, Values]:
    """A signal without what the slower one can't show: a Gaussian of half the slower step.

    Where that reaches over a gap there is none.
    """
    step_s = float(np.median(np.diff(time_s)))
    width = 0.5 * slow_step_s / step_s
    if width < 0.5:
        return time_s, values
    reach = int(np.ceil(4.0 * width))
    if 2 * reach + 1 >= len(values):
        raise NotTold("the logs are too short")
    weights = np.exp(-0.5 * (np.arange(-reach, reach + 1) / width) ** 2)
    weights /= weights.sum()
    whole = time_s[2 * reach :] - time_s[: -2 * reach] <= (2 * reach + _GAP_STEPS) * step_s
    smooth = filters.oaconvolve(values, weights, mode="valid")
    return time_s[reach:-reach][whole], smooth[whole]


def _first_offset(
    main: tuple[Values, Values], own: tuple[Values, Values], within_s: float
) -> tuple[float, float]:
    """The offset of the highest correlation [s], and that. Raises NotTold where it is low, or not alone."""
    step = max(_GRID, float(np.ptp(main[0])) / 200_000)
    grids = [np.arange(t[0], t[-1], step) for t, _ in (main, own)]
    levels = [np.interp(g, t, v) for g, (t, v) in zip(grids, (main, own), strict=True)]
    levels = [(v - v.mean()) / (v.std() or 1.0) for v in levels]
    sums = filters.correlate(levels[0], levels[1], method="fft")
    lags = filters.correlation_lags(len(levels[0]), len(levels[1]))
    offsets = lags * step + grids[0][0] - grids[1][0]
    squares = [np.concatenate([[0.0], np.cumsum(v**2)]) for v in levels]
    first = np.maximum(lags, 0)
    count = np.minimum(len(levels[0]) - first, len(levels[1]) + np.minimum(lags, 0))
    looked = (np.abs(offsets) <= within_s) & (count * step > 10.0)
    if not looked.any():
        long, other = (f"{float(np.ptp(t)):.3g} s" for t, _ in (main, own))
        raise NotTold(
            f"the two logs have less than 10 s in common; by their own times they last {long} and {other}"
        )
    energy = [q[a + count] - q[a] for q, a in zip(squares, (first, np.maximum(-lags, 0)), strict=True)]
    with np.errstate(divide="ignore", invalid="ignore"):
        alike = np.where(looked, sums / np.sqrt(energy[0] * energy[1]), 0.0)
    alike = np.nan_to_num(alike)
    best = int(np.argmax(np.abs(alike)))
    height = float(alike[best])
    if abs(height) < _LEAST_CORRELATION:
        raise NotTold(f"the two signals are alike by {abs(height):.2f} only; {_LEAST_CORRELATION} is needed")
    hills = np.flatnonzero(
        (np.abs(alike[1:-1]) >= np.abs(alike[:-2])) & (np.abs(alike[1:-1]) > np.abs(alike[2:]))
    )
    rivals = [k + 1 for k in hills if abs(k + 1 - best) * step > 1.0]
    if any(abs(alike[k]) > _RIVAL * abs(height) for k in rivals):
        raise NotTold("several offsets fit as well; take a smaller within_s, or signals that don't repeat")
    return float(offsets[best]), height
