"""Tables of what a bike can do from closed forms, for tests of the lap that rests on them."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from emulator.core.constants import GRAVITY
from emulator.lap.steady_limits import SteadyLimits

SPEEDS = np.array([5.0, 20.0, 50.0, 100.0])


def table(
    ends: Callable[[float], tuple[float, float]],
    lateral: Callable[[float, float], float],
    *,
    lean_limit: float = 1.5,
    torque_of_f: float = 700.0,
    rolls_per_metre: float = 3.2,
    columns: int = 200,
) -> SteadyLimits:
    """Limits that are the same at every speed and do what two functions say.

    ends     of the grip: f at the hardest braking and driving
    lateral  of grip and f: greatest lateral acceleration over gravity
    Lean is that of a thin bike: its tangent is the lateral acceleration.
    """
    grips = np.linspace(0.1, 2.0, 77)  # 0.5, 0.9 and the like are among them
    angles = math.pi * (np.arange(columns) + 0.5) / columns
    ellipse = np.empty((grips.size, SPEEDS.size, columns))
    both = np.empty((grips.size, SPEEDS.size, 2))
    for g, grip in enumerate(grips):
        least, most = ends(float(grip))
        both[g] = least, most
        for k, angle in enumerate(angles):
            f = least + (most - least) * 0.5 * (1.0 - math.cos(angle))
            ellipse[g, :, k] = min(lateral(float(grip), f), math.tan(lean_limit)) / math.sin(angle)
    tans = np.tan(np.linspace(0.0, 1.5, 31))
    f = np.linspace(0.0, 2.0, 5)
    return SteadyLimits(
        speeds=SPEEDS,
        angles=angles,
        grips=grips,
        ends=both,
        ellipse=ellipse,
        drive=np.tile([0.0, 2.0], (SPEEDS.size, 1)),
        torque=np.tile(torque_of_f * f, (SPEEDS.size, 1)),
        spin=np.full((SPEEDS.size, f.size), rolls_per_metre),
        tans=tans,
        turns=np.tile(tans, (SPEEDS.size, 1)),
    )


def round_friction(friction: float, *, lift: float = math.inf, stoppie: float = math.inf) -> SteadyLimits:
    """One friction in all directions, of the whole bike; wheels lift at these forces along over weight."""

    def ends(grip: float) -> tuple[float, float]:
        return -min(friction * grip, stoppie), min(friction * grip, lift)

    def lateral(grip: float, f: float) -> float:
        return math.sqrt(max((friction * grip) ** 2 - f * f, 0.0))

    return table(ends, lateral, torque_of_f=GRAVITY * 200.0 * 0.31)
