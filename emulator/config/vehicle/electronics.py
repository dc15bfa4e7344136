"""Which of the bike's own electronics a rig models, which it has in metal; what they need of the vehicle.

What a unit is like stands in the vehicle's file, that it is modelled in the rig's: the same bike rides on a
bench that has the unit and on one that has not.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Annotated, Any, Literal, TypeAlias

from pydantic import BeforeValidator

from emulator.config.validation import Closed, Words, wrong
from emulator.vehicle.electronics.parameters import SHARED


def _one(value: Any) -> Any:
    if isinstance(value, (list, dict)):
        raise wrong(
            "expected one word: a unit modelled behind a real one would act twice on the same pressure or "
            "throttle"
        )
    return value


Present: TypeAlias = Annotated[
    Literal["off", "modelled", "real"], BeforeValidator(_one), Words("off, modelled or real")
]
Modelled: TypeAlias = Annotated[Literal["off", "modelled"], BeforeValidator(_one), Words("off or modelled")]

BRAKES, THROTTLES = ("antilock",), ("traction", "wheelie", "ride_by_wire")
"""Units by what they work on."""


class Electronics(Closed):
    """The bike's own electronics: off, modelled by the vehicle's file, or real, on the bench."""

    antilock: Present = "off"
    """Antilock brakes (ABS). off: pressure is the hand's; modelled: by section antilock of the vehicle; real:
    the bench's unit gets our wheel pulses, and the robot's frames bring the pressure at its calipers."""
    traction: Present = "off"
    """Traction control. off: throttle is the hand's; modelled: by section traction of the vehicle; real: the
    bench's unit gets our wheel pulses, and the robot's frames bring the opening of its throttle valve."""
    wheelie: Present = "off"
    """Wheelie control, in the same way; a real one needs no pulses."""
    ride_by_wire: Present = "off"
    """Throttle valve that a motor moves, in the same way; a real one needs no pulses."""
    quickshifter: Modelled = "off"
    """Cut of the ignition for a change up. No engine runs on a bench that could show a real one's."""
    slipper_clutch: Modelled = "off"
    """Clutch that slips when the wheel drives the engine hard. Nor could one show this."""

    @property
    def modelled(self) -> tuple[str, ...]:
        """Names of the units that are modelled."""
        return tuple(name for name in type(self).model_fields if getattr(self, name) == "modelled")

    @property
    def real(self) -> tuple[str, ...]:
        """Names of the units that the bench has."""
        return tuple(name for name in type(self).model_fields if getattr(self, name) == "real")


def without_sections(units: Electronics, sections: Mapping[str, object]) -> Iterator[tuple[str, str]]:
    """(unit, words) of each that is to be modelled and of which the vehicle's file says too little."""
    for name in units.modelled:
        needed = [n for n in (name, *SHARED.get(name, ())) if n not in sections]
        if needed:
            words = " and ".join(needed)
            yield (
                name,
                f"expected a vehicle whose file has section {words}: what is to be modelled stands there",
            )
