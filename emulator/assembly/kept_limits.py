"""What a vehicle can do, kept beside the compiled code: worked out once for a vehicle and a grip.

An entry is named after all it was made from: the vehicle's numbers, the grip, the compiled code and the
sources of whatever may run uncompiled on the way. What lies there damaged or of another making counts as
not there; a folder that can't be written costs the time to work it out again.
"""

from __future__ import annotations

import hashlib
import io
from collections.abc import Iterable
from functools import lru_cache
from pathlib import Path
from zipfile import BadZipFile

import numpy as np

from emulator.core import code_store
from emulator.core.code_key import code_key
from emulator.lap import steady_limits
from emulator.lap.steady_limits import GripLimits, SteadyLimits, limits_on
from emulator.vehicle import quasi_steady
from emulator.vehicle.equilibrium import AIR_DENSITY
from emulator.vehicle.params import Vehicle
from emulator.vehicle.quasi_steady import solve


def kept_limits(vehicle: Vehicle, grip: float) -> GripLimits:
    """What the vehicle can do on this grip, from the folder if it is there.

    Raises NoEquilibrium (see ``limits_on``); StartFailed for a folder that is not to be trusted.
    """
    text = repr((_making(), vehicle.body.tobytes(), vehicle.tyre.tobytes(), float(grip).hex()))
    name = f"limits-{hashlib.sha256(text.encode()).hexdigest()}"
    content = code_store.load(name)
    limits = None if content is None else _read(content)
    if limits is None:
        limits = limits_on(vehicle, grip)
        out = io.BytesIO()
        np.savez(out, **limits._asdict())
        code_store.save(name, out.getvalue())
    return limits


def limits_along(vehicle: Vehicle, grips: Iterable[float]) -> SteadyLimits:
    """One table for all of these grips, see ``steady_limits``."""
    rising = sorted({float(grip) for grip in grips})
    return steady_limits.steady_limits([(grip, kept_limits(vehicle, grip)) for grip in rising])


@lru_cache(maxsize=1)
def _making() -> str:
    """Everything but vehicle and grip that decides what the limits are."""
    sources = [hashlib.sha256(path.read_bytes()).hexdigest() for path in source_files()]
    return repr((code_key(solve), AIR_DENSITY, *sources))


def source_files() -> list[Path]:
    """Modules whose plain Python the limits are made by: the table's own, and all of the vehicle's."""
    return [Path(str(steady_limits.__file__)), *sorted(Path(str(quasi_steady.__file__)).parent.glob("*.py"))]


def _read(content: bytes) -> GripLimits | None:
    try:
        with np.load(io.BytesIO(content), allow_pickle=False) as arrays:
            return GripLimits(**{name: arrays[name] for name in GripLimits._fields})
    except (ValueError, KeyError, EOFError, OSError, BadZipFile):
        return None
