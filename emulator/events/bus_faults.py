"""What happens to the bus as a whole, as the robot sees it: behind all faults of single frames."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from emulator.core.compiled import Record, jit
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

EFFECTS = (
    Effect("bus_off", "our controller is off the bus: nothing of ours comes, nothing is heard"),
    Effect(
        "overload",
        "frames of 8 bytes under ``identifier`` (0, the most urgent, if left out) take ``load`` of the bus",
        needs={"load": "a share of the bus"},
        takes=("identifier",),
    ),
)
BUS_EFFECTS = tuple(e.name for e in EFFECTS)
BUS_OFF, OVERLOAD = range(len(EFFECTS))
OVERLOAD_BYTES = 8
"""Payload of an overload's frames, all zero."""


@jit
def disturb_bus(run: Record, e: Record) -> float:
    """One tick of a live event; returns the share of the bus that it takes."""
    if e.effect == BUS_OFF:
        run.bus_off = 1
        return 0.0
    run.overload_id, run.overload_frame_ns = e.signal, e.frame_ns
    return float(e.value)


def _fill(e: Row, event: EventKeys, rig: RigView) -> None:
    e["effect"], e["signal"] = BUS_EFFECTS.index(event.effect), event.identifier or 0
    e["frame_ns"] = rig.frame_ns(event.identifier or 0, bytes(OVERLOAD_BYTES))
    e["value"] = event.load or 0.0


def _unmet(event: EventKeys, rig: RigView) -> Iterator[Wrong]:
    if event.effect == "overload" and not rig.bit_rate_known:
        yield Wrong(
            "expected a rig whose bus has a bit rate (bus.bitrate), which tells what a load is", "effect"
        )


KIND = EventKind(
    "bus",
    "What happens to the bus, as the robot sees it.",
    (
        effect_key(EFFECTS, "what happens to it"),
        Key("load", Takes.NUMBER, "share of the bus that is taken", above=0, most=1),
        Key(
            "identifier",
            Takes.WHOLE,
            "identifier of the frames that take it",
            left_out="0, the most urgent",
            least=0,
            most=0x7FF,
        ),
        PAUSES,
    ),
    _fill,
    EFFECTS,
    unmet=_unmet,
    columns=(Column("frame_ns", np.int64),),  # time of an overload's frame on the bus
)
