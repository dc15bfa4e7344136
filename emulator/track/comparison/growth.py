"""How small deviations grow along a played motion: of its start, its steering torque and its parameters.

The linear forced prediction. Over a block of ticks the step's differences in its middle are held,

    d' = F d + g torque + G parameters,     so over a block of m ticks [F g G; 0 1] to the power m

and blocks follow each other. A bike at its limits is unstable or nearly so; what a torque that is wrong by
half a newton metre comes to after a second is told by nothing else.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import jit
from emulator.track.comparison.playing import (
    N_DEVIATIONS,
    Played,
    Values,
    steps_differences,
)
from emulator.track.comparison.small_matrices import times
from emulator.vehicle.params import Vehicle
from emulator.vehicle.state import N_U, N_X, scratch

BLOCK = 10
"""Ticks over which differences are held [ms]: a wobble of 10 Hz turns by 36 degrees in them."""


class Suspect(NamedTuple):
    """A number of the bike that may be wrong.

    name   as in the vehicle file, ``group.entry``
    unit   of what is told of it
    step   half of the difference that is taken
    part   ``body``, ``rear`` or ``front``: which record it stands in; ``field``: where there
    """

    name: str
    unit: str
    step: float
    part: str
    field: str


def _body(group: str, entry: str, unit: str, step: float) -> Suspect:
    return Suspect(f"{group}.{entry}", unit, step, "body", f"{group}_{entry}")


def _tyres(entry: str, unit: str, step: float) -> tuple[Suspect, Suspect]:
    return (
        Suspect(f"tyre_front.{entry}", unit, step, "front", entry),
        Suspect(f"tyre_rear.{entry}", unit, step, "rear", entry),
    )


SUSPECTS: tuple[Suspect, ...] = (
    _body("main_frame", "mass", "kg", 0.5),
    _body("main_frame", "x", "m", 1e-3),
    _body("main_frame", "z", "m", 1e-3),
    _body("main_frame", "ixx", "kg m2", 0.1),
    _body("main_frame", "izz", "kg m2", 0.1),
    _body("steering", "axis_x", "m", 2e-4),
    _body("steering", "rake", "rad", 5e-4),
    _body("steering", "damping", "N m s/rad", 0.05),
    _body("frame_torsion", "stiffness", "N m/rad", 500.0),
    _body("air", "drag_area", "m2", 2e-3),
    *_tyres("crown_radius", "m", 2e-4),
    *_tyres("cornering_per_load", "1/rad", 0.05),
    *_tyres("camber_per_load", "1/rad", 5e-3),
    *_tyres("relaxation_length", "m", 2e-3),
    *_tyres("pneumatic_trail", "m", 2e-4),
    *_tyres("twisting_arm", "m", 2e-4),
)
"""What a difference is laid beside. The axis of the steering further forward is that much more trail."""


class Variants(NamedTuple):
    """A vehicle, and of each suspect one with more and one with less, as compiled code reads them.

    bodies (1 + 2 p, 1), tyres (1 + 2 p, 2), over (p,) difference between the two
    """

    bodies: NDArray[np.void]
    tyres: NDArray[np.void]
    over: Values


def with_more(vehicle: Vehicle, suspect: Suspect, by: float) -> Vehicle:
    """The vehicle with one number greater by so much."""
    body, tyre = vehicle.body.copy(), vehicle.tyre.copy()
    record = body[0] if suspect.part == "body" else tyre[0 if suspect.part == "rear" else 1]
    record[suspect.field] += by
    return Vehicle(body, tyre)


def variants(vehicle: Vehicle, suspects: tuple[Suspect, ...] = SUSPECTS) -> Variants:
    """The vehicle and its neighbours."""
    ones = [vehicle]
    for suspect in suspects:
        ones += [with_more(vehicle, suspect, suspect.step), with_more(vehicle, suspect, -suspect.step)]
    return Variants(
        np.stack([one.body for one in ones]),
        np.stack([one.tyre for one in ones]),
        np.array([2.0 * suspect.step for suspect in suspects]),
    )


class Growth(NamedTuple):
    """Deviations at the b + 1 block ends of a played motion, start and end included.

    start       (b+1, 41, 41)  by a deviation of the start
    by_block    (b, 41)        what a unit of torque [1/(N m)] held over a block leaves at its end
    blocks      (b, 41, 41)    what a block makes of a deviation at its start
    offset      (b+1, 41)      by a torque that is greater by 1 N m all the time
    gain        (b+1, 41)      by one that is greater by all of itself
    parameters  (b+1, 41, p)   by the suspects, in their order
    """

    start: Values
    by_block: Values
    blocks: Values
    offset: Values
    gain: Values
    parameters: Values


def growth(around: Variants, played: Played, torque: Values, *, one_sided: bool = False) -> Growth:
    """Growth along a played motion of a whole number of blocks.

    torque     (n,) [N m] that was played, n a multiple of BLOCK
    one_sided  by differences to one side, in half of the time: good enough for the next step of a fit
    """
    b, p = len(torque) // BLOCK, len(around.over)
    n = N_DEVIATIONS
    grown = Growth(
        np.zeros((b + 1, n, n)),
        np.zeros((b, n)),
        np.zeros((b, n, n)),
        np.zeros((b + 1, n)),
        np.zeros((b + 1, n)),
        np.zeros((b + 1, n, p)),
    )
    grown.start[0] = np.eye(n)
    mean = torque[: b * BLOCK].reshape(b, BLOCK).mean(axis=1)
    room = np.empty((3, n, n + 1 + p))
    ends, probe = np.empty((2, N_X)), np.empty(N_U)
    _grow(*around, played.states, played.taken, mean, one_sided, grown, scratch(), ends, probe, room)
    return grown


@jit
def _grow(
    bodies: NDArray[np.void],
    tyres: NDArray[np.void],
    over: Values,
    states: Values,
    taken: Values,
    torque: Values,
    one_sided: bool,
    grown: Growth,
    work: NDArray[np.void],
    ends: Values,
    probe: Values,
    room: Values,
) -> None:
    """Fill a growth of which the start alone is there.

    torque  (b,) mean of each block
    work (1,), ends (2, N_X), probe (N_U,), room (3, 41, 42 + p): scratch
    """
    n = N_DEVIATIONS
    step, block, made = room[0], room[1], room[2]
    for k in range(torque.shape[0]):
        middle = k * BLOCK + BLOCK // 2
        x, u, following = states[middle], taken[middle], states[middle + 1]
        steps_differences(bodies, tyres, over, x, u, following, one_sided, work, ends, probe, step)
        # a block's worth of steps: those of a half twice, and one more where they are odd in number
        _copy(step, block)
        bit = 1
        while 2 * bit <= BLOCK:
            bit *= 2
        while bit > 1:
            bit //= 2
            _follow(block, block, made)
            _copy(made, block)
            if BLOCK & bit:
                _follow(step, block, made)
                _copy(made, block)
        for i in range(n):
            grown.by_block[k, i] = block[i, n]
            for j in range(n):
                grown.blocks[k, i, j] = block[i, j]
        F = grown.blocks[k]
        times(F, grown.start[k], grown.start[k + 1])
        times(F, grown.parameters[k], grown.parameters[k + 1])
        for i in range(n):
            offset, gain = block[i, n], block[i, n] * torque[k]
            for j in range(n):
                offset += F[i, j] * grown.offset[k, j]
                gain += F[i, j] * grown.gain[k, j]
            grown.offset[k + 1, i], grown.gain[k + 1, i] = offset, gain
            for j in range(over.shape[0]):
                grown.parameters[k + 1, i, j] += block[i, n + 1 + j]


@jit
def _follow(later: Values, earlier: Values, both: Values) -> None:
    """What two stretches come to one after the other; each (n, n + m): of deviations, and of what is held."""
    n = later.shape[0]
    times(later[:, :n], earlier, both)
    for i in range(n):
        for j in range(n, later.shape[1]):
            both[i, j] += later[i, j]


@jit
def _copy(matrix: Values, into: Values) -> None:
    for i in range(matrix.shape[0]):
        for j in range(matrix.shape[1]):
            into[i, j] = matrix[i, j]


def finite(played: Played) -> bool:
    """Whether a played motion stayed one: numbers throughout, and no turn of the bike on its side."""
    return bool(np.isfinite(played.states).all()) and float(np.abs(played.states).max()) < math.inf
