"""What a data sheet may leave out: which default then counts, and how the number is measured."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import NamedTuple

from emulator.config.vehicle.data_sheet import DataSheet, limiter_rpm

CAUTION = (
    "Lifting, tilting and swinging a motorcycle can hurt people: it falls, slips out of its straps, traps "
    "fingers and feet. Two people, a stand or hoist and straps rated for more than its weight, a second "
    "strap that catches it, nobody underneath; tank empty or shut, ignition off, battery disconnected. "
    "Measure coast-down and lean on closed ground only. Local rules and licensed practice decide."
)
"""What stands before every measurement."""

_SWING = (
    "hang it from a knife edge and time the swing, T = 2 pi sqrt(I_edge / (m g d)), I = I_edge - m d2; "
    "roll about an axis ahead, pitch about one across (ISO 9129 has the pendulum for roll)"
)


class Default(NamedTuple):
    """A key that may be left out.

    section   of the vehicle file that it decides first
    value     in the key's unit
    why       what the default is, and its source
    measured  how the number is had instead
    """

    section: str
    value: Callable[[DataSheet], float]
    why: str
    measured: str


def _inertia(radius: float) -> Callable[[DataSheet], float]:
    return lambda sheet: sheet.wet_mass_kg * (radius * sheet.wheelbase_mm * 1e-3) ** 2


DEFAULTS: Mapping[str, Default] = {
    "centre_of_mass_height_mm": Default(
        "main_frame",
        lambda sheet: 0.37 * sheet.wheelbase_mm,
        "0.37 of the wheelbase: two super-sport motorcycles, Cossalter (2002); 0.34 with a deviation of 0.07 "
        "over 39 motorcycles, Foale (2006); both as N. A. Rose (2018) cites them",
        "weigh the front wheel level and with the rear wheel raised by 0.3 to 0.5 m, springs blocked so that "
        "they don't move: height = axle height + (change of front load) * wheelbase / (weight * tan of the "
        "tilt); tilt both ways and take the mean",
    ),
    "roll_inertia_kg_m2": Default(
        "main_frame",
        _inertia(0.185),
        "a radius of gyration of 0.185 wheelbases, as of the invented demo vehicles",
        _SWING,
    ),
    "pitch_inertia_kg_m2": Default(
        "main_frame",
        _inertia(0.332),
        "a radius of gyration of 0.332 wheelbases, as of the invented demo vehicles",
        _SWING,
    ),
    "yaw_inertia_kg_m2": Default(
        "main_frame",
        _inertia(0.3),
        "a radius of gyration of 0.3 wheelbases, as of the invented demo vehicles",
        "hang it level from two parallel ropes (ISO 9129, bifilar pendulum) and time the twist: "
        "I = m g a b T2 / (4 pi2 l), ropes of length l at a and b from the mass centre",
    ),
    "swingarm_length_mm": Default(
        "swingarm",
        lambda sheet: 0.41 * sheet.wheelbase_mm,
        "0.41 of the wheelbase; common practice, no source",
        "a tape from the pivot's centre to the axle's",
    ),
    "rear_wheel_mass_kg": Default(
        "rear_wheel",
        lambda sheet: 0.073 * sheet.wet_mass_kg,
        "7.3 % of the wet mass, as of the invented demo vehicles",
        "scales; swing it on a knife edge inside the rim for its moment of inertia",
    ),
    "front_wheel_mass_kg": Default(
        "front_wheel",
        lambda sheet: 0.06 * sheet.wet_mass_kg,
        "6 % of the wet mass, as of the invented demo vehicles",
        "scales; swing it on a knife edge inside the rim for its moment of inertia",
    ),
    "steering_stop_deg": Default(
        "steering",
        lambda _: 30.0,
        "common practice, no source",
        "turn the bars to both stops on the stand and halve the angle between",
    ),
    "fork_travel_mm": Default(
        "fork", lambda _: 125.0, "common practice, no source", "fork without springs, from stop to stop"
    ),
    "robot_mass_kg": Default(
        "fork",
        lambda _: 45.0,
        "the mass of the reference robot of the demo rig",
        "scales; it is the rig that says what rides, this only sets the springs for it",
    ),
    "rear_travel_mm": Default(
        "shock", lambda _: 135.0, "common practice, no source", "shock without its spring, at the axle"
    ),
    "rolling_resistance": Default(
        "tyre_front",
        lambda _: 0.018,
        "about 0.02: Cossalter (2006) 'Motorcycle Dynamics', from memory",
        "coast down from 30 to 10 km/h in neutral, level and without wind, both ways: g * this is about the "
        "deceleration that is left at walking pace",
    ),
    "limiter_rpm": Default(
        "engine",
        limiter_rpm,
        "7 % above power_rpm; common practice, no source",
        "the engine control's own log",
    ),
    "idle_rpm": Default(
        "engine", lambda _: 1400.0, "common practice, no source", "the rev counter, engine warm"
    ),
    "drive_loss_pct": Default(
        "engine",
        lambda _: 6.0,
        "common practice, no source; taken off the torque, since the model's chain loses nothing",
        "a chassis dynamometer's power over the sheet's; 0 if the sheet's power is at the wheel",
    ),
    "chain_pitch_mm": Default(
        "final_drive",
        lambda _: 15.875,
        "five eighths of an inch, as of the usual motorcycle chains",
        "the length of ten links over ten",
    ),
    "drag_area_m2": Default(
        "air",
        lambda _: 0.4,
        "common practice, no source; 0.31 to 0.63 in the sets of Sharp and Limebeer (2001) and Sharp (1994)",
        "coast down from the highest speed in neutral, level and without wind, both ways and averaged: the "
        "part of the deceleration that grows with the speed squared is density * this / (2 mass)",
    ),
    "largest_lean_deg": Default(
        "fall",
        lambda _: 48.0,
        "common practice, no source",
        "lean it over on the stand, springs as deep as in a turn, until a peg touches",
    ),
}
"""By key, in the order of the vehicle file's sections."""


def completed(sheet: DataSheet) -> dict[str, float]:
    """Every key that may be left out with the sheet's number or its default, in the key's unit."""
    given = {key: getattr(sheet, key) for key in DEFAULTS}
    return {key: DEFAULTS[key].value(sheet) if value is None else value for key, value in given.items()}
