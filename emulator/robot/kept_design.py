"""The rider's design and the bike's masses, kept beside the compiled code: of a vehicle, a grip and a timing.

It takes longer than a short ride. An entry is named after all it was made from: the vehicle and the timing by
their numbers, and the sources of everything that the design can reach. How fast it is ridden is no part of
that: what is kept tells for every speed whether the bike is held up there.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

from emulator.core.keeping.kept_results import kept_numbers, sources
from emulator.robot.design import Design, holding, work_out
from emulator.robot.timing import LoopTiming
from emulator.vehicle.params import Vehicle
from emulator.vehicle.whole.mass_properties import MassProperties, mass_properties

_REACHED = ("core", "road", "robot", "vehicle")


def kept_design(vehicle: Vehicle, grip: float, timing: LoopTiming | None, fastest: float) -> Design:
    """The design, from the folder if it is there. Arguments and errors as of ``design_rider``."""
    made_from = (vehicle, float(grip), timing)
    designed = kept_numbers("design", made_from, _making(), lambda: work_out(vehicle, grip, timing))
    return holding(designed, fastest)


def kept_masses(vehicle: Vehicle) -> MassProperties:
    """Mass, centre and load split of the bike as it stands, from the folder if they are there."""
    return kept_numbers("masses", (vehicle,), _making(), lambda: mass_properties(vehicle))


@lru_cache(maxsize=1)
def _making() -> str:
    """The code that decides what the design is, compiled or not."""
    return sources(source_files())


def source_files() -> list[Path]:
    """Modules that the design can reach, and their neighbours."""
    package = Path(__file__).parents[1]
    return [path for folder in _REACHED for path in sorted((package / folder).rglob("*.py"))]
