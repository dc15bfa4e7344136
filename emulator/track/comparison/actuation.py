"""How the steering torque on the bike follows what the robot asked for: how much later, and how far off then.

Lag of the actuator, delay of the bus and of what runs it come as one: the shift at which both agree best, to
a part of a millisecond by a parabola through the best three. What is left is friction, dead band, limits.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from emulator.record.reader import Run
from emulator.track.comparison.readings import row_ticks

ASKED, ACTS = "robot.steering_torque_Nm", "actuator.steering_torque_Nm"
_LONGEST_ms = 200
_LEAST_Nm = 0.05


class Following(NamedTuple):
    """How a torque follows its command.

    later_ms    [ms] the torque is what was asked for so much before; the command as the plant received it
    offset_Nm   mean of torque less command at that shift; ``left_Nm`` standard deviation of the rest
    """

    later_ms: float
    offset_Nm: float
    left_Nm: float


def following(run: Run) -> Following | None:
    """Of a record; None where it has no command, or one that hardly changes."""
    if ASKED not in run.signals or ACTS not in run.signals:
        return None
    asked, acts = run.signals[ASKED], run.signals[ACTS]
    free = np.isfinite(asked + acts)
    if "truth.support" in run.signals:
        free &= run.signals["truth.support"] == 0.0
    rows = np.flatnonzero(free)
    most = _LONGEST_ms // row_ticks(run)
    if len(rows) < 10 * most:
        return None
    asked, acts = asked[rows[0] : rows[-1] + 1], acts[rows[0] : rows[-1] + 1]
    asked, acts = (np.where(np.isfinite(v), v, 0.0) for v in (asked, acts))
    if float(np.std(asked)) < _LEAST_Nm:
        return None
    left = np.array([np.var(acts[most:] - asked[most - k : len(asked) - k]) for k in range(most + 1)])
    k = int(np.argmin(left))
    part = 0.0
    if 0 < k < most:
        a, b, c = left[k - 1], left[k], left[k + 1]
        part = float(0.5 * (a - c) / (a - 2.0 * b + c)) if a - 2.0 * b + c > 0.0 else 0.0
    apart = acts[most:] - asked[most - k : len(asked) - k]
    return Following((k + part) * row_ticks(run), float(np.mean(apart)), math.sqrt(float(left[k])))
