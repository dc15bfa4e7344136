"""The ideal laps of a bike along a line, kept beside the compiled code: every run is compared with them.

They take longer than most rides. An entry is named after all it was made from: line, grip and bike by their
numbers, the compiled code, and the source of the plain Python around it.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from emulator.core.keeping.kept_arrays import Arrays, kept_arrays, numbers, sources
from emulator.lap import ideal_lap as solver
from emulator.lap.ideal_lap import Bike, IdealLap, ideal_lap
from emulator.road.line import Line

Array = NDArray[np.float64]

_FIELDS = ("flying_speed", "flying_time", "error_s", "standing_speed", "standing_time")


def kept_laps(line: Line, bike: Bike, grip: Array) -> tuple[IdealLap, IdealLap]:
    """The flying lap and the one from a standing start, from the folder if they are there.

    grip  (n+1,) [1]  along the line, see ``emulator.lap.ideal_lap.grip_along``

    Raises ValueError as ``ideal_lap`` does; StartFailed for a folder that is not to be trusted.
    """

    def ridden() -> Arrays:
        flying = ideal_lap(line, bike, grip=grip)
        standing = ideal_lap(line, bike, grip=grip, initial_speed_m_s=0.0, flying=flying)
        values = (flying.speed, flying.time, np.float64(flying.error_s), standing.speed, standing.time)
        return {name: np.asarray(value) for name, value in zip(_FIELDS, values, strict=True)}

    road = line._replace(target_speed=np.empty(0))  # what is asked for moves no ideal lap
    made_from = repr((_making(), numbers((road, bike, grip))))
    kept = kept_arrays("laps", made_from, _FIELDS, ridden)
    error_s = float(kept["error_s"])
    return (
        IdealLap(kept["flying_speed"], kept["flying_time"], error_s),
        IdealLap(kept["standing_speed"], kept["standing_time"], error_s),
    )


@lru_cache(maxsize=1)
def _making() -> str:
    """Everything but line, bike and grip that decides what the laps are."""

    from emulator.core.keeping.code_key import code_key

    return repr((*(code_key(f) for f in solver.COMPILED), sources([Path(str(solver.__file__))])))
