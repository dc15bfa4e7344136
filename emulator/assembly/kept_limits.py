"""What a vehicle can do, kept beside the compiled code: worked out once for a vehicle and a grip.

An entry is named after all it was made from: the vehicle's numbers, the grip, the compiled code and the
sources of whatever may run uncompiled on the way.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from pathlib import Path

from emulator.core.keeping.kept_results import kept_numbers, sources
from emulator.lap import steady_limits
from emulator.lap.steady_limits import GripLimits, SteadyLimits, limits_on
from emulator.vehicle import quasi_steady
from emulator.vehicle.equilibrium import AIR_DENSITY
from emulator.vehicle.params import Vehicle
from emulator.vehicle.quasi_steady import solve


def kept_limits(vehicle: Vehicle, grip: float) -> GripLimits:
    """What the vehicle can do on this grip, from the folder if it is there.

    Raises NoEquilibrium (see ``limits_on``).
    """
    return kept_numbers("limits", (vehicle, float(grip)), _making(), lambda: limits_on(vehicle, grip))


def limits_along(vehicle: Vehicle, grips: Iterable[float]) -> SteadyLimits:
    """One table for all of these grips, see ``steady_limits``."""
    rising = sorted({float(grip) for grip in grips})
    return steady_limits.steady_limits([(grip, kept_limits(vehicle, grip)) for grip in rising])


@lru_cache(maxsize=1)
def _making() -> str:
    """Everything but vehicle and grip that decides what the limits are."""

    from emulator.core.keeping.code_key import code_key

    return repr((code_key(solve), AIR_DENSITY, sources(source_files())))


def source_files() -> list[Path]:
    """Modules whose plain Python the limits are made by: the table's own, and all of the vehicle's."""
    return [Path(str(steady_limits.__file__)), *sorted(Path(str(quasi_steady.__file__)).parent.rglob("*.py"))]
