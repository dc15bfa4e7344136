"""A fix that a receiver lost, as a record shows it: from when, how long, and what was left."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from emulator.record.reader import Run
from emulator.track.findings.seen import FindingError, Values

NEAR_s = 1.0
"""How far from the instant named a fix may be lost."""
_LONGEST_s = 60.0
_ORDER = (1, 2, 5, 4)  # of qualities as in GGA, from worst to best
_RANK = {quality: rank for rank, quality in enumerate((0, *_ORDER))}
_SHORTEST_s = 0.1


class LostFix(NamedTuple):
    """A loss: from when [s of the record], for how long; quality left as in GGA, 0: none.

    worst_s  from when it began until there was more than what was left [s]
    """

    from_s: float
    lasts_s: float
    left: int
    worst_s: float

    def without_way_back(self, times_s: Sequence[float]) -> float:
        """How long something took the fix [s], less what the receiver then needs for a better one.

        times_s  of the receiver, from an outage's end to each quality from worst to best
        """
        return max(self.worst_s - times_s[_RANK[self.left]], _SHORTEST_s)


def find_lost_fix(run: Run, at_s: float) -> LostFix:
    """The loss near an instant. Raises FindingError."""
    if "output.gnss_fix" not in run.signals:
        raise FindingError(
            f"{run.folder} has no output.gnss_fix",
            advice="map the receiver's fix quality, such as NMEA's fix",
        )
    fix, time_s = _ranks(run.signals["output.gnss_fix"]), run.time_s
    drops = np.flatnonzero((fix[1:] < fix[:-1]) & (np.abs(time_s[1:] - at_s) <= NEAR_s)) + 1
    if not len(drops):
        raise FindingError(
            f"no fix is lost within {NEAR_s:g} s of {at_s:g} s",
            advice="see the report for the instant, or take another kind with --as",
        )
    k = int(drops[0])
    better = np.flatnonzero(fix[k:] >= fix[k - 1])
    end_s = float(time_s[k + better[0]] if len(better) else time_s[-1])
    inside = fix[k : k + better[0] if len(better) else None]
    left = int(inside.min())
    last = k + int(np.flatnonzero(inside == left)[-1])
    worst_s = float(time_s[min(last + 1, len(time_s) - 1)] - time_s[k])
    from_s = float(time_s[k])
    return LostFix(from_s, min(end_s - from_s, _LONGEST_s), (0, *_ORDER)[left], min(worst_s, _LONGEST_s))


def _ranks(fix: Values) -> Values:
    """(n,) 0 for none or silence, then 1 and up as fixes get better."""
    ranks = np.zeros(len(fix))
    for rank, quality in enumerate(_ORDER, 1):
        ranks[fix == quality] = rank
    return ranks
