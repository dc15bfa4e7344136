"""What goes wrong with gear changes."""

from __future__ import annotations

from emulator.core.compiled import Record, jit
from emulator.events.declaration import Effect, EventKeys, EventKind, RigView, Row, effect_key

EFFECTS = (
    Effect("missed", "the dogs don't let go: the old gear stays in"),
    Effect("false_neutral", "they find no gear: the change ends in neutral"),
)
SHIFT_EFFECTS = tuple(e.name for e in EFFECTS)


@jit
def disturb_shifts(run: Record, e: Record) -> None:
    """Gear changes begun in this tick go wrong (emulator.plant.commands.shift)."""
    run.shift_effect = e.effect + 1


def _fill(e: Row, event: EventKeys, _rig: RigView) -> None:
    e["effect"] = SHIFT_EFFECTS.index(event.effect)


KIND = EventKind(
    "gearbox",
    "What goes wrong with gear changes begun meanwhile.\n\n"
    "The box then waits until another gear is asked for.",
    (effect_key(EFFECTS, "how they go wrong"),),
    _fill,
    EFFECTS,
)
