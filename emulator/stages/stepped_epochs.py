"""GNSS epochs of the virtual stage within its compiled ticks: written, paced, kept for the record, heard.

Ten times a second of ride Python would have to be called for one, with caches full of what the ticks need:
two microseconds of each tick (decision 220). Only a burst that is in no usual form is left to it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import held_by_address, jit
from emulator.plant.gnss_receiver import LINE_ns, Receiver, START_ns, VALID_ns, take_burst
from emulator.plant.step import Plant
from emulator.robot.hearing.epochs import Ears, hear_burst
from emulator.robot.rider import Rider
from emulator.stages.stepped_loop import MOST_TAKEN, TakenBursts

Take: TypeAlias = Callable[[Any], int]
"""``take_burst`` by its address, of what is held for it."""
Hear: TypeAlias = Callable[[Any, int, int, int], bool]
"""``hear_burst``, likewise."""


class EpochWay(NamedTuple):
    """From the receiver to the rider.

    receiver  the bench's
    ears      the rider's
    taken     bursts of the ticks last computed
    unheard   (1,)  1: the rider has not heard the last of them, since it takes Python to read it
    """

    receiver: Receiver
    ears: Ears
    taken: TakenBursts
    unheard: NDArray[np.int64]


def epoch_way(receiver: Receiver, ears: Ears, taken: TakenBursts) -> EpochWay:
    """One that nothing has come by."""
    return EpochWay(receiver, ears, taken, np.zeros(1, np.int64))


def way_by_address(plant: Plant, rider: Rider, way: EpochWay) -> tuple[Take, Any, Hear, Any]:
    """The two functions that :func:`pass_epoch` calls, each with what is held for it."""
    p = plant
    receiving = (way.receiver, p.run, p.memory, p.frame_faults, p.events, p.streams)
    return (
        *held_by_address(take_burst, receiving),
        *held_by_address(hear_burst, (way.ears, rider, way.receiver.burst), 0, 0, 0),
    )


@jit
def forget_taken(way: EpochWay) -> None:
    """Bursts of earlier ticks have been told of."""
    way.taken.number[0] = way.unheard[0] = 0


@jit
def wants_python(way: EpochWay) -> bool:
    """Whether no tick may follow before somebody has looked at what was taken."""
    return bool(way.unheard[0] != 0 or way.taken.number[0] == MOST_TAKEN)


@jit
def pass_epoch(
    take: Take,
    taking: Any,
    hear: Hear,
    hearing: Any,
    scenario_tick: int,
    way: EpochWay,
    now_ns: int,
    stepped_ns: int,
) -> None:
    """What the receiver sends in the tick of ``now_ns``, if anything; the rider stepped at ``stepped_ns``."""
    receiver, taken = way.receiver, way.taken
    length = take(taking)
    if length == 0:
        return
    row = taken.number[0]
    terms = taken.terms[row]
    terms[0], terms[4] = scenario_tick, length
    terms[1], terms[2] = receiver.taken[START_ns], receiver.taken[LINE_ns]
    terms[3] = receiver.taken[VALID_ns]
    for i in range(length):
        taken.data[row, i] = receiver.burst[i]
    taken.number[0] = row + 1
    if not hear(hearing, length, now_ns, stepped_ns):
        way.unheard[0] = 1
