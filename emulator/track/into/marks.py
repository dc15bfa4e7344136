"""What is missing or odd in a channel: gaps, outliers, what is no number, times that run back. Never mended.

An outlier is a value or two that leave their neighbours and come back at once, by more than twelve times
what the channel usually does between two samples and three times what it does in its quickest steps (one of
two hundred), or one beyond the bounds that the map gives. What is marked is taken out; the marks keep what it
was. The factors are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

Kind: TypeAlias = Literal["gap", "outlier", "no_number", "time_back"]
_SPREADS = 12.0
_STEPS = 3.0  # a signal that rests mostly moves quickly at times
_NORMAL = 1.4826  # spread of normal noise over its median size
_USUAL_STEPS = 3.0
_AT_ONCE = 1 << 17  # samples, which keeps what is worked out between small
_BACK = 1e-9  # seconds by which a time may repeat itself


class Mark(NamedTuple):
    """A stretch of a signal [s, record's time]; its first value as the log has it, in our unit."""

    signal: str
    kind: Kind
    from_s: float
    to_s: float
    samples: int
    value: float


class Sound(NamedTuple):
    """Samples that are left: rising times [s], finite values; how long one stands [s]; the marks.

    taken_s  (m,) rising, instants of samples that were taken out: no value stands beyond one
    """

    time_s: NDArray[np.float64]
    values: NDArray[np.float64]
    step_s: float
    stands_s: float
    marks: list[Mark]
    taken_s: NDArray[np.float64]


def sound_samples(
    signal: str,
    time_s: NDArray[np.float64],
    values: NDArray[np.float64],
    *,
    chosen: bool = False,
    least: float | None = None,
    most: float | None = None,
    stands_s: float | None = None,
) -> Sound:
    """The samples of a channel that can be used, and marks for all others and for gaps between them.

    time_s, values  (n,)  in the order logged
    chosen          the signal jumps between few values: no outliers are looked for
    least, most     bounds of values that are no outliers
    stands_s        how long a value stands [s]; None: three usual steps
    """
    marks: list[Mark] = []
    taken: list[NDArray[np.float64]] = []

    def without(bad: NDArray[np.bool_], kind: Kind) -> None:
        nonlocal time_s, values
        if bad.any():
            marks.extend(_runs(signal, kind, time_s, values, bad))
            if kind != "time_back":
                taken.append(time_s[bad])
            time_s, values = time_s[~bad], values[~bad]

    without(~np.isfinite(time_s), "no_number")
    taken.clear()  # what has no time ends nothing
    if len(time_s):
        highest = np.maximum.accumulate(time_s)
        back = np.zeros(len(time_s), bool)
        back[1:] = time_s[1:] <= highest[:-1] + _BACK
        without(back, "time_back")
    without(~np.isfinite(values), "no_number")
    beyond = np.zeros(len(values), bool)
    if least is not None:
        beyond |= values < least
    if most is not None:
        beyond |= values > most
    without(beyond, "outlier")
    if not chosen:
        without(spikes(values), "outlier")
    steps = np.diff(time_s)
    step_s = float(np.median(steps)) if len(steps) else 0.0
    stands = stands_s if stands_s is not None else _USUAL_STEPS * step_s
    # a little more, because times are rounded
    holes = np.flatnonzero(steps > stands * (1.0 + 1e-6) + 1e-6)
    marks += [Mark(signal, "gap", float(time_s[k]), float(time_s[k + 1]), 0, float(values[k])) for k in holes]
    marks.sort(key=lambda mark: mark.from_s)
    taken_s = np.sort(np.concatenate(taken)) if taken else np.empty(0)
    return Sound(time_s, values, step_s, stands, marks, taken_s)


def spikes(values: NDArray[np.float64]) -> NDArray[np.bool_]:
    """(n,) where one value or two leave their neighbours and come back at once."""
    found = np.zeros(len(values), bool)
    if len(values) < 8:
        return found
    usual, quickest = _movement(values)
    if not usual:
        return found
    least = max(_SPREADS * usual, _STEPS * quickest)
    for first in range(0, len(values), _AT_ONCE):
        last = min(first + _AT_ONCE, len(values))
        part = slice(max(first - 2, 0), min(last + 2, len(values)))  # what stands beside belongs to it
        found[first:last] = _leave_and_come_back(values[part], least)[first - part.start :][: last - first]
    return found


def _movement(values: NDArray[np.float64]) -> tuple[float, float]:
    """What a channel usually does between two samples, and in its quickest steps but one of two hundred.

    Those few may be spikes themselves. Where a channel rests or counts in steps, the median of its bends is
    0: then the first is what it moves by when it moves. 0, 0: it never moves.
    """
    moving = np.diff(values)
    np.abs(moving, out=moving)
    moving = moving[moving > 0.0]
    if not len(moving):
        return 0.0, 0.0
    half, spared = len(moving) // 2, max(len(moving) // 200, 5)
    quick = len(moving) - 1 - spared
    moving.partition([len(moving) - half - 1, half, max(quick, 0)])  # sorting all takes five times as long
    median = 0.5 * float(moving[half] + moving[-half - 1])
    quickest = float(moving[quick]) if quick >= 0 else 0.0
    del moving
    bent = values[:-2] + values[2:]
    bent *= -0.5
    bent += values[1:-1]
    np.abs(bent, out=bent)
    return max(_NORMAL * float(np.median(bent, overwrite_input=True)), median), quickest


def _leave_and_come_back(values: NDArray[np.float64], least: float) -> NDArray[np.bool_]:
    """(n,) where one value or two are further off than that from neighbours that lie near each other."""
    found = np.zeros(len(values), bool)
    for width in (1, 2):
        before, after = values[: -width - 1], values[width + 1 :]
        inside = np.stack([values[1 + k : len(values) - width + k] for k in range(width)])
        base = 0.5 * (before + after)
        off = inside - base
        away = (np.abs(off).min(axis=0) > least) & (np.ptp(np.sign(off), axis=0) == 0)
        away &= np.abs(after - before) < 0.25 * np.abs(off).min(axis=0)
        for k in range(width):
            found[1 + k : len(values) - width + k] |= away
    return found


def _runs(
    signal: str,
    kind: Kind,
    time_s: NDArray[np.float64],
    values: NDArray[np.float64],
    bad: NDArray[np.bool_],
) -> Iterator[Mark]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], bad, [False]]).astype(np.int8)))
    for first, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        span = time_s[first:end]
        yield Mark(signal, kind, float(span[0]), float(span[-1]), end - first, float(values[first]))
