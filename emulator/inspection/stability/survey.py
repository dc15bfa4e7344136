"""From a vehicle or rig file to its stability diagram and delay margins: what ``emulator modes`` does."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from pathlib import Path

from emulator.core.errors import ConfigError, Problem
from emulator.inspection.stability.page import ModesPage, thinned
from emulator.inspection.stability.ridden import RiddenMargin, ridden_margins
from emulator.inspection.subject import subject_of
from emulator.robot.design import design_rider, with_shares
from emulator.robot.margins import delay_margins
from emulator.robot.timing import loop_timing
from emulator.vehicle.equilibrium import AIR_DENSITY, NoEquilibrium
from emulator.vehicle.modes import SteadyTurns, stability
from emulator.vehicle.params import Vehicle
from emulator.vehicle.quasi_steady import machine
from emulator.vehicle.state import JOINT, STEER
from emulator.vehicle.whole.straight_running import top_speed

_DRY = 1.0  # [1] grip of the road the robot works its tables out for
_ZERO_ERROR_deg = 0.1  # of the fork's angle
_ASIDE = 0.01  # [rad] of lean to either side, for a slope upright
_MOST_LEAN_deg = 20.0  # beyond that the slope upright says little


def modes_of(
    file: Path,
    rig_file: Path | None,
    speeds_km_h: Sequence[float],
    leans_deg: Sequence[float],
    *,
    ridden: bool = False,
    slope_deg: float = 0.0,
    progress: Callable[[RiddenMargin], None] = lambda _margin: None,
) -> ModesPage:
    """Diagram of a vehicle file, or of a rig file's vehicle with its robot on it.

    rig_file  as in :func:`~emulator.inspection.subject.subject_of`
    ridden    also ride for the margins, at some of the speeds (:func:`~.page.thinned`); progress is told each
    slope_deg of the straight that is ridden, uphill positive; margins that are computed know none
    With a rig there are delay margins, or a note why there are none; above the top speed there are none.
    Raises ConfigError with every problem of the files, or if no speed and lean has a steady motion;
    ValueError for speeds not rising from above zero, leans of 80 degrees or more, rides without an upright
    row to stand in.
    """
    if ridden and 0.0 not in leans_deg:
        raise ValueError("--ridden: expected --lean 0 among the leans: what is ridden is a straight")
    if slope_deg != 0.0 and not ridden:
        raise ValueError("--slope: expected --ridden, as margins that are computed know no slope")
    subject = subject_of(file, rig_file)
    vehicle, rig, codec = subject.vehicle, subject.rig, subject.codec
    speeds = [v / 3.6 for v in speeds_km_h]
    leans = [math.radians(v) for v in leans_deg]
    by_angle = rig is not None and rig.steering == "angle_driven"
    diagram = stability(vehicle, speeds, leans, steering_held=by_angle)
    if len(diagram.gaps) == len(speeds) * len(leans):
        reason = f"expected a vehicle that can run straight or turn steadily: {diagram.gaps[0].reason}"
        raise ConfigError([Problem(str(file), 1, 1, "", reason)])
    notes = [str(w) for w in subject.file.warnings]
    margins = timing = None
    rides: tuple[RiddenMargin, ...] = ()
    if rig is None or codec is None:
        notes.append("No robot on it and no delay margins: name a rig for both.")
    else:
        try:
            timing = loop_timing(rig, codec)
            # where its gains do not hold is what the margins tell
            designed = design_rider(vehicle, _DRY, timing, checked=False)
            design = with_shares(designed, rig.device_under_test.gains.shares)
            margins = delay_margins(vehicle, design, timing, speeds, leans)
            if ridden:
                on, other = (file, None) if subject.rig_file is None else (subject.rig_file, file)
                rides = ridden_margins(on, other, design, thinned(speeds), progress, slope_deg)
        except ValueError as error:
            notes.append(f"No delay margins: {error}.")
            timing = None
    if slope_deg != 0.0:
        up = "up" if slope_deg > 0.0 else "down"
        notes.append(f"Ridden {up} a slope of {abs(slope_deg):g} deg. What is computed is of a level road.")
    fastest = math.inf if margins is None else _top_speed(vehicle)
    if speeds[-1] > fastest:
        notes.append(
            f"At full throttle on a level road it reaches {3.6 * fastest:.0f} km/h: above that there are no "
            "delay margins, and the roots are those of a bike that something else pulls along."
        )
    if by_angle and timing is not None:
        notes.append(_zero_words(vehicle, speeds))
    if subject.rig_file is not None:
        notes.append(f"The robot and its timing are those of {subject.rig_file}.")
    return ModesPage(subject.name, diagram, margins, timing, tuple(notes), rides, by_angle, fastest)


def _top_speed(vehicle: Vehicle) -> float:
    """Top speed [m/s]; infinite where none is found."""
    try:
        return top_speed(machine(vehicle.body, vehicle.tyre, AIR_DENSITY)).speed
    except NoEquilibrium:
        return math.inf


def lean_of_zero_error(turns: SteadyTurns, speed: float) -> float:
    """Lean [rad] of the steady turn at ``speed`` [m/s] whose steering is an error of the angle's zero.

    For 0.1 degrees, by the slope upright; infinite where no steering goes with a lean. Raises NoEquilibrium.
    """
    left, right = (float(turns.at(speed, lean).x[JOINT + STEER]) for lean in (-_ASIDE, _ASIDE))
    per_lean = abs(right - left) / (2.0 * _ASIDE)
    return math.radians(_ZERO_ERROR_deg) / per_lean if per_lean > 0.0 else math.inf


def _zero_words(vehicle: Vehicle, speeds: Sequence[float]) -> str:
    """What an error of the imposed angle's zero is worth in lean, at some of the speeds."""
    turns, leans = SteadyTurns(vehicle), []
    for speed in thinned(speeds):
        try:
            lean = math.degrees(lean_of_zero_error(turns, speed))
        except NoEquilibrium:
            continue
        told = f"{lean:.2g} deg" if lean < _MOST_LEAN_deg else f"over {_MOST_LEAN_deg:g} deg"
        leans.append(f"{told} at {3.6 * speed:.0f}")
    return (
        f"A zero of the fork's angle that is off by {_ZERO_ERROR_deg:g} deg is, until it is steered against, "
        f"the turn that leans by {', '.join(leans)} km/h."
    )
