"""A slide as a record shows it: when it began, which tyre, and what grip was there at least and at most."""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np

from emulator.track.findings.seen import FindingError, Seen, STEP_s, Values

NEAR_s = 1.0
"""How far from the instant named a slide may begin."""
_BEFORE_s, _LASTS_s, _LONGEST_s = 0.5, 0.1, 0.5
_LOST = 0.8  # of what an axle held before, below which it no longer holds while the bike leans as far
_BACK = 0.9
_FALLS_rad = 0.26  # a bike that leans so much further has begun to fall, and forces say little of the road
_LEAST_USED = 0.2
_BRAKES_m_s2 = 2.5


class Slide(NamedTuple):
    """A slide.

    from_s, to_s  [s]  of the record; to_s None: it did not end by itself
    tyre          whose contact let go first
    least, most   [1]  acceleration over gravity that was still there while it slid, at least; and what was
                       asked when it began, more than which there was not
    used          [1]  median of what was there while it slid
    """

    from_s: float
    to_s: float | None
    tyre: Literal["front", "rear"]
    least: float
    used: float
    most: float


def find_slide(seen: Seen, at_s: float) -> Slide:
    """The slide near an instant: an axle holds less than before while the bike leans as far or further.

    Raises FindingError: none is there, or the bike brakes on a straight.
    """
    front, rear = seen.axle_used
    many, lasts = round(_BEFORE_s / STEP_s), round(_LASTS_s / STEP_s)
    near = [k for k in range(many, len(front) - lasts) if abs(seen.time_s[k] - at_s) <= NEAR_s]
    for k in near:
        before = slice(k - many, k)
        held = np.array([np.median(front[before]), np.median(rear[before])])
        if not np.isfinite(held).all() or held.max() < _LEAST_USED:
            continue
        ahead = np.array([front[k : k + lasts], rear[k : k + lasts]])
        lost = (ahead < _LOST * held[:, None]).all(axis=1)
        # What is lost along alone is a throttle that closes.
        across = np.array([[*a[k : k + lasts], np.median(a[before])] for a in seen.axle_across])
        lost &= (abs(across[:, :-1]) < _LOST * abs(across[:, -1:])).all(axis=1)
        lean = np.abs(np.median(seen.lean[before]))
        if lost.any() and np.abs(seen.lean[k + lasts]) >= lean - np.radians(1.0):
            return _slide(seen, k, (front, rear), int(np.argmin(ahead[:, 0] / held)), held)
    raise FindingError(
        f"no slide begins within {NEAR_s:g} s of {at_s:g} s: no axle holds less than {_LOST:.0%} of what it "
        "held, with the bike leaning as far",
        advice="see the report for the instant, or take another kind with --as",
    )


def _slide(seen: Seen, k: int, used: tuple[Values, Values], axle: int, held: Values) -> Slide:
    if seen.along[max(k - 10, 0) : k].mean() < -_BRAKES_m_s2:
        raise FindingError(
            f"the bike brakes when it begins to slide at {seen.time_s[k]:.2f} s: a line ridden at one speed "
            "would not show it",
            advice="cut it as what it is: --as braking_slide",
        )
    last = min(k + round(_LONGEST_s / STEP_s), len(seen.time_s))
    fallen = np.flatnonzero(np.abs(seen.lean[k:last] - seen.lean[k]) > _FALLS_rad)
    back = np.flatnonzero(used[axle][k + round(_LASTS_s / STEP_s) :] > _BACK * held[axle])
    ends = k + round(_LASTS_s / STEP_s) + int(back[0]) if len(back) else None
    if len(fallen):
        last = k + max(int(fallen[0]), round(_LASTS_s / STEP_s))
        ends = None
    elif ends is not None:
        last = min(last, ends)
    inside = used[axle][k:last]
    return Slide(
        float(seen.time_s[k]),
        None if ends is None else float(seen.time_s[ends]),
        "front" if axle == 0 else "rear",
        float(inside.min()),
        float(np.median(inside)),
        float(held[axle]),
    )
