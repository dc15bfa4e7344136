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

from emulator.track.comparison.playing import (
    N_DEVIATIONS,
    Played,
    Values,
    steps_differences,
)
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


def growth(around: Variants, played: Played, torque: Values) -> Growth:
    """Growth along a played motion of a whole number of blocks.

    torque  (n,) [N m] that was played, n a multiple of BLOCK
    """
    b, p = len(torque) // BLOCK, len(around.over)
    n = N_DEVIATIONS
    step, work = np.empty((n, n + 1 + p)), scratch()
    ends, probe = np.empty((2, N_X)), np.empty(N_U)
    start, offset, gain = np.zeros((b + 1, n, n)), np.zeros((b + 1, n)), np.zeros((b + 1, n))
    blocks, by_block = np.zeros((b, n, n)), np.zeros((b, n))
    parameters = np.zeros((b + 1, n, p))
    start[0] = np.eye(n)
    whole = np.eye(n + 1 + p)
    for k in range(b):
        middle = k * BLOCK + BLOCK // 2
        steps_differences(
            around.bodies,
            around.tyres,
            around.over,
            played.states[middle],
            played.taken[middle],
            work,
            ends,
            probe,
            step,
        )
        whole[:n] = step
        over = np.linalg.matrix_power(whole, BLOCK)
        F, g, G = over[:n, :n], over[:n, n], over[:n, n + 1 :]
        blocks[k], by_block[k] = F, g
        start[k + 1] = F @ start[k]
        offset[k + 1] = F @ offset[k] + g
        gain[k + 1] = F @ gain[k] + g * float(np.mean(torque[k * BLOCK : (k + 1) * BLOCK]))
        parameters[k + 1] = F @ parameters[k] + G
    return Growth(start, by_block, blocks, offset, gain, parameters)


def finite(played: Played) -> bool:
    """Whether a played motion stayed one: numbers throughout, and no turn of the bike on its side."""
    return bool(np.isfinite(played.states).all()) and float(np.abs(played.states).max()) < math.inf
