"""The ideal laps of a bike along a line, kept beside the compiled code: every run is compared with them.

They take longer than most rides. An entry is named after all it was made from: line, grip and bike by their
numbers, the compiled code, and the source of the plain Python around it.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from emulator.core.keeping.kept_results import kept_numbers, sources
from emulator.lap import ideal_lap as solver
from emulator.lap import share_of_limits, target_speed
from emulator.lap.ideal_lap import Bike, IdealLap, ideal_lap
from emulator.lap.share_of_limits import target_within
from emulator.road.line import Line

Array = NDArray[np.float64]


def kept_laps(line: Line, bike: Bike, grip: Array) -> tuple[IdealLap, IdealLap]:
    """The flying lap and the one from a standing start, from the folder if they are there.

    grip  (n+1,) [1]  along the line, see ``emulator.lap.ideal_lap.grip_along``

    Raises ValueError as ``ideal_lap`` does.
    """

    def ridden() -> tuple[IdealLap, IdealLap]:
        flying = ideal_lap(line, bike, grip=grip)
        return flying, ideal_lap(line, bike, grip=grip, initial_speed_m_s=0.0, flying=flying)

    road = line._replace(target_speed=np.empty(0))  # what is asked for moves no ideal lap
    return kept_numbers("laps", (road, bike, grip), _making(), ridden)


def kept_target(line: Line, bike: Bike, jerk_m_s3: float, top_speed_m_s: float, grip: float) -> Array:
    """The target speed within the limits of a bike, from the folder if it is there; see ``target_within``."""
    road = line._replace(target_speed=np.empty(0))
    code = _making() + sources([Path(str(m.__file__)) for m in (share_of_limits, target_speed)])
    return kept_numbers(
        "target",
        (road, bike, jerk_m_s3, top_speed_m_s, grip),
        code,
        lambda: target_within(line, bike, jerk_m_s3, top_speed_m_s, grip),
    )


@lru_cache(maxsize=1)
def _making() -> str:
    """Everything but line, bike and grip that decides what the laps are."""

    from emulator.core.keeping.code_key import code_key

    return repr((*(code_key(f) for f in solver.COMPILED), sources([Path(str(solver.__file__))])))
