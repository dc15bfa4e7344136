"""What goes wrong in the bike's own electronics: units that are off, valves that stick, cuts by themselves.

A unit may be wrong about what it sees (emulator.events.sample_faults); here it is broken itself. Of several
faults of one valve the last one counts, of several limits the lowest.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Set

import numpy as np

from emulator.core.compiled import Record, jit
from emulator.core.signals import BIKE_UNITS
from emulator.events.declaration import (
    PAUSES,
    Column,
    Effect,
    EventKeys,
    EventKind,
    Key,
    RigView,
    Row,
    Takes,
    Wrong,
    effect_key,
)

_BRAKES = ("front", "rear")
_BRAKE = {"brake": "front or rear"}
_OPENING = {"value": 1.0}
EFFECTS = (
    Effect(
        "off",
        "it does nothing: valves at rest, throttle let through, no cut, a clutch that holds both ways alike",
    ),
    Effect("inlet_open", "that brake's inlet stays open: no pressure is held", needs=_BRAKE),
    Effect("inlet_shut", "it stays shut: the lever brings no pressure, and lets it go", needs=_BRAKE),
    Effect("outlet_open", "that brake's outlet stays open: pressure is let off all the time", needs=_BRAKE),
    Effect("outlet_shut", "it stays shut: no pressure is let off", needs=_BRAKE),
    Effect(
        "pump_off",
        "nothing is pumped back: once ``value`` has been let off of a brake, no more is",
        needs={"value": "the pressure that the accumulator takes"},
    ),
    Effect("stuck", "the throttle valve stays where it is, or at ``value``", takes=("value",), most=_OPENING),
    Effect(
        "limp",
        "the throttle valve opens no further than ``value``",
        needs={"value": "an opening"},
        most=_OPENING,
    ),
    Effect("cuts", "the ignition is cut all the time it is live"),
)
UNIT_EFFECTS = tuple(e.name for e in EFFECTS)
OFF, INLET_OPEN, INLET_SHUT, OUTLET_OPEN, OUTLET_SHUT, PUMP_OFF, VALVE_STUCK, LIMP, CUTS = range(len(EFFECTS))

_ABLE: dict[str, tuple[str, ...]] = {
    # a valve without current has springs of its own: stuck at their opening says that
    "off": tuple(name for name in BIKE_UNITS if name != "ride_by_wire"),
    "stuck": ("ride_by_wire",),
    "limp": ("ride_by_wire",),
    "cuts": ("quickshifter",),
}
"""Units by what can go wrong with them; what is not named is antilock's."""


def _able(effect: str) -> tuple[str, ...]:
    return _ABLE.get(effect, ("antilock",))


@jit
def units_intact(b: Record) -> None:
    """Nothing is wrong with them; ``b``: record of the units."""
    b.off[:] = 0
    for k in range(b.inlet_open.shape[0]):
        b.inlet_open[k] = b.inlet_shut[k] = b.outlet_open[k] = b.outlet_shut[k] = 0
    b.takes = math.inf
    b.stuck_at = math.nan
    b.limp = 1.0
    b.cuts = 0


@jit
def break_unit(b: Record, e: Record) -> None:
    """Event ``e`` is live."""
    if e.effect == OFF:
        b.off[e.signal] = 1
    elif e.effect == PUMP_OFF:
        b.takes = min(b.takes, e.value)
    elif e.effect == VALVE_STUCK:
        if e.holds == 0:
            e.holds, e.held = 1, b.valve if math.isnan(e.value) else e.value
        b.stuck_at = e.held
    elif e.effect == LIMP:
        b.limp = min(b.limp, e.value)
    elif e.effect == CUTS:
        b.cuts = 1
    elif e.effect in (INLET_OPEN, INLET_SHUT):
        b.inlet_open[e.brake] = 1 if e.effect == INLET_OPEN else 0
        b.inlet_shut[e.brake] = 1 - b.inlet_open[e.brake]
    else:
        b.outlet_open[e.brake] = 1 if e.effect == OUTLET_OPEN else 0
        b.outlet_shut[e.brake] = 1 - b.outlet_open[e.brake]


def _fill(e: Row, event: EventKeys, _rig: RigView) -> None:
    e["effect"], e["signal"] = UNIT_EFFECTS.index(event.effect), BIKE_UNITS.index(event.unit)
    e["value"] = math.nan if event.value is None else event.value
    e["brake"] = 0 if event.brake is None else _BRAKES.index(event.brake)


def _rules(event: EventKeys, _given: Set[str]) -> Iterator[Wrong]:
    able = _able(event.effect)
    if event.unit not in able:
        yield Wrong(f"expected one of {', '.join(able)} for effect {event.effect}, got {event.unit}", "unit")


def _unmet(event: EventKeys, rig: RigView) -> Iterator[Wrong]:
    if event.unit not in rig.units:
        known = ", ".join(name for name in BIKE_UNITS if name in rig.units) or "none"
        yield Wrong(
            f"expected a unit that the rig models ({known}), got {event.unit}; say electronics: "
            f"{{{event.unit}: modelled}} in the rig, or take a rig that does",
            "unit",
        )


def _targets(effect: str, rig: RigView) -> Set[str]:
    return rig.units.intersection(_able(effect))


KIND = EventKind(
    "electronics",
    "A fault of one of the bike's own electronics that the rig models.",
    (
        Key("unit", BIKE_UNITS, "the unit it acts on", required=True),
        effect_key(EFFECTS, "what is wrong with it"),
        Key("brake", _BRAKES, "the brake whose valve it is"),
        Key(
            "value",
            Takes.NUMBER,
            "where the throttle valve is stuck, or how far it opens, 0 to 1; pump_off: what the accumulator "
            "takes of each brake, as pressure [Pa] let off in all",
            left_out="stuck where it is",
            unit="1, Pa",
            least=0,
            most=1e8,
        ),
        PAUSES,
    ),
    _fill,
    EFFECTS,
    rules=_rules,
    unmet=_unmet,
    targets=_targets,
    columns=(Column("brake", np.int64),),
)
