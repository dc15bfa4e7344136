"""How alike two curves are, by the rating of ISO/TS 18571 for signals that are not ambiguous.

Formulas and constants as the specification has them, in our own words: a corridor round the reference, and
shift, size and slope of what is compared, each from 0 to 1; of the whole two fifths are the corridor's. The
grades are from memory. A rating says how alike, never whether good: it gates nothing. Its warping is
quadratic, so it is for windows such as a corner, not for a lap.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from emulator.core.compiled import jit_with_memory
from emulator.track.comparison.playing import Values

INNER, OUTER, CORRIDOR_POWER = 0.05, 0.5, 2.0
MOST_SHIFT, WARPING_BAND = 0.2, 0.1
MOST_MAGNITUDE, MOST_SLOPE = 0.5, 2.0
SMOOTHED_OVER = 9
WEIGHTS = {"corridor": 0.4, "phase": 0.2, "magnitude": 0.2, "slope": 0.2}
GRADES = ((0.94, "excellent"), (0.8, "good"), (0.58, "fair"))
"""From above which figure; below all it is poor."""
MOST_SAMPLES = 4000


class Rating(NamedTuple):
    """Of 0 to 1 each; ``shift`` samples that the compared curve comes later."""

    corridor: float
    phase: float
    magnitude: float
    slope: float
    shift: int

    @property
    def whole(self) -> float:
        """The weighted sum."""
        return sum(weight * float(getattr(self, name)) for name, weight in WEIGHTS.items())

    @property
    def grade(self) -> str:
        """The word for it."""
        return next((word for above, word in GRADES if self.whole > above), "poor")


def rating(reference: Values, compared: Values) -> Rating:
    """Rate a curve beside a reference, both (n,) at equal steps.

    Raises ValueError for curves that differ in length, are shorter than ten samples or longer than
    MOST_SAMPLES, hold what is no number, or for a reference that is 0 throughout.
    """
    n = len(reference)
    if len(compared) != n or not 10 <= n <= MOST_SAMPLES:
        raise ValueError(
            f"expected two curves of one length, 10 to {MOST_SAMPLES} samples, got {n} and {len(compared)}"
        )
    if not np.isfinite(reference + compared).all() or not np.any(reference):
        raise ValueError("expected numbers throughout, and a reference that is not 0 all the time")
    shift = _shift(reference, compared)
    most = math.floor(MOST_SHIFT * n)
    if shift >= 0:
        ref, cmp = reference[: n - shift], compared[shift:]
    else:
        ref, cmp = reference[-shift:], compared[: n + shift]
    return Rating(
        _corridor(reference, compared),
        max(0.0, (MOST_SHIFT * n - abs(shift)) / (MOST_SHIFT * n)) if abs(shift) <= most else 0.0,
        _magnitude(np.ascontiguousarray(ref), np.ascontiguousarray(cmp)),
        _slope(ref, cmp),
        shift,
    )


def _corridor(reference: Values, compared: Values) -> float:
    """Mean over samples: 1 inside the inner corridor, 0 outside the outer one, a parabola between."""
    size = float(np.max(np.abs(reference)))
    apart = np.abs(compared - reference) / size
    share = np.clip((OUTER - apart) / (OUTER - INNER), 0.0, 1.0)
    return float(np.mean(share**CORRIDOR_POWER))


def _shift(reference: Values, compared: Values) -> int:
    """Samples by which the compared curve comes later, where both correlate best; of equals the least.

    By the correlation coefficient of what of both is over each other; where one of them is level, none.
    """
    n = len(reference)
    best, found = -math.inf, 0
    for size in range(math.floor(MOST_SHIFT * n) + 1):
        for shift in (size, -size) if size else (0,):
            a = reference[: n - shift] if shift >= 0 else reference[-shift:]
            b = compared[shift:] if shift >= 0 else compared[: n + shift]
            a, b = a - a.mean(), b - b.mean()
            length = math.sqrt(float(a @ a) * float(b @ b))
            alike = float(a @ b) / length if length > 1e-12 else 0.0
            if alike > best + 1e-12:
                best, found = alike, shift
    return found


@jit_with_memory
def _warped(reference: Values, compared: Values, band: int) -> tuple[float, float]:
    """Sums of the warped difference's size and of the warped reference's, along the path of least squares.

    Paths go by single steps in either curve or both, no further than the band from the diagonal.
    """
    n = reference.size
    cost = np.full((n + 1, n + 1), np.inf)
    cost[0, 0] = 0.0
    for i in range(1, n + 1):
        for j in range(max(1, i - band), min(n, i + band) + 1):
            d = reference[i - 1] - compared[j - 1]
            before = min(cost[i - 1, j], cost[i, j - 1], cost[i - 1, j - 1])
            cost[i, j] = d * d + before
    i, j = n, n
    apart = size = 0.0
    while i > 0 and j > 0:
        apart += abs(reference[i - 1] - compared[j - 1])
        size += abs(reference[i - 1])
        diagonal, up, left = cost[i - 1, j - 1], cost[i - 1, j], cost[i, j - 1]
        if diagonal <= up and diagonal <= left:
            i, j = i - 1, j - 1
        elif up <= left:
            i -= 1
        else:
            j -= 1
    return apart, size


def _magnitude(reference: Values, compared: Values) -> float:
    apart, size = _warped(reference, compared, math.ceil(WARPING_BAND * len(reference)) - 1)
    return _falling(apart, size, MOST_MAGNITUDE)


def _slope(reference: Values, compared: Values) -> float:
    ours, theirs = _smoothed(np.gradient(reference)), _smoothed(np.gradient(compared))
    return _falling(float(np.sum(np.abs(theirs - ours))), float(np.sum(np.abs(ours))), MOST_SLOPE)


def _falling(apart: float, size: float, most: float) -> float:
    if size == 0.0:
        return 1.0 if apart == 0.0 else 0.0
    return max(0.0, 1.0 - apart / size / most)


def _smoothed(values: Values) -> Values:
    """Moving mean over nine samples; towards the ends over as many as there are to both sides."""
    half = SMOOTHED_OVER // 2
    sums = np.concatenate([[0.0], np.cumsum(values)])
    k = np.arange(len(values))
    reach = np.minimum(half, np.minimum(k, len(values) - 1 - k))
    return np.asarray((sums[k + reach + 1] - sums[k - reach]) / (2 * reach + 1))
