"""The vehicle file that a data sheet makes: values with their source, comments on what the sheet left out."""

from __future__ import annotations

import json
import math
import textwrap
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import NamedTuple

from emulator.config.validation import unit_of
from emulator.config.vehicle.data_sheet import DataSheet, load_data_sheet
from emulator.config.vehicle.file import CONVERSIONS, VehicleFile, load_vehicle
from emulator.core.errors import ConfigError
from emulator.survey.own_vehicle.left_out import CAUTION, DEFAULTS
from emulator.survey.own_vehicle.parts import Impossible, Parts, parts_of
from emulator.vehicle.driveline import TOP_GEAR
from emulator.vehicle.params import GROUPS

_UNITS = {"rad": "deg", "rad/s": "rpm", "N m/Pa": "N m/bar"}
"""Units that people read a vehicle file in, by the table's."""
_WIDTH = 110

_NOT_ON_SHEETS = {
    "swingarm": "mass and inertia scaled by the wet mass. To measure it: scales; swing it about the pivot.",
    "rear_wheel": "moments of inertia scaled by mass and radius.",
    "frame_torsion": "scaled by the mass. To measure it: hold the swingarm pivot, twist the steering head by "
    "weights on a bar, read the angle; a wobble of the measured bike decides the damping.",
    "steering": "the damper is strong, since a robot's torque comes late. To measure it: pull the bars by a "
    "spring balance at a steady rate.",
    "steered_frame": "scaled by the wet mass. To measure it: scales; swing it about the steering axis.",
    "fork_lower": "scaled by the wet mass. To measure it: scales.",
    "front_wheel": "moments of inertia scaled by mass and radius.",
    "fork": "springs for 2.15 Hz and for standing at 28 % of the travel, damping 0.45 and 0.7 of critical. "
    "Measured: load the bars by known weights and read the travel; a damper dynamometer.",
    "shock": "springs for 2.3 Hz and for standing at 28 % of the travel, damping 0.45 and 0.7 of critical. "
    "Measured: load the seat by known weights and read the travel; a damper dynamometer.",
    "tyre_front": "stiffness and friction of no tyre in particular. To measure it: a tyre test rig; vertical "
    "stiffness on scales by a jack.",
    "tyre_rear": "stiffness and friction of no tyre in particular. To measure it: as of the front tyre.",
    "engine": "inertia, idle and drag scaled by the torque. To measure it: run-down in neutral.",
    "clutch": "scaled to hold 2.2 times the torque. To measure it: a torque wrench at the countershaft; "
    "lever positions at which it begins to hold and holds.",
    "gearbox": "the time of a gear change is common practice, no source.",
    "final_drive": "the countershaft is put just ahead of the pivot. To measure it: a tape.",
    "brakes": "scaled by the mass with the robot. To measure it: pull at the rim by a spring balance with a "
    "gauge in the line; heat by a contact thermometer after stops.",
    "air": "lift and side force are common practice, no source. To measure it: wind tunnel.",
    "fall": "9 degrees beyond the peg it counts as down, at 55 degrees or beyond.",
    "footpegs": "where they touch at fall.peg_angle, springs deep as in a turn. To measure it: a tape.",
    **dict.fromkeys(
        ("engine_covers", "fairing", "tail", "handlebar", "levers", "front_axle", "rear_axle"),
        "in wheelbases, as of the invented demo vehicles. To measure it: a tape; stiffness decides how hard "
        "an impact is, friction how far it slides.",
    ),
}
"""What decides the rest of a section, and how it is measured instead."""


_FROM = {
    "main_frame": {
        **{"mass": "wet_mass_kg", "x": "front_share_pct", "z": "centre_of_mass_height_mm"},
        **{"ixx": "roll_inertia_kg_m2", "iyy": "pitch_inertia_kg_m2", "izz": "yaw_inertia_kg_m2"},
    },
    "swingarm": {"pivot_x": "swingarm_length_mm"},
    "rear_wheel": {"mass": "rear_wheel_mass_kg"},
    "front_wheel": {"mass": "front_wheel_mass_kg", "x": "wheelbase_mm"},
    "steering": {"rake": "head_angle_deg", "axis_x": "trail_mm", "stop_angle": "steering_stop_deg"},
    "fork": {"travel": "fork_travel_mm"},
    "shock": {"travel": "rear_travel_mm"},
    **{
        tyre: {"radius": size, "crown_radius": size, "rolling_resistance": "rolling_resistance"}
        for tyre, size in (("tyre_front", "front_tyre"), ("tyre_rear", "rear_tyre"))
    },
    "engine": {"limiter_speed": "limiter_rpm", "idle_speed": "idle_rpm"},
    "gearbox": {"primary": "primary_ratio", **{f"gear_{n}": "gear_ratios" for n in range(1, TOP_GEAR + 1)}},
    "final_drive": {"front_radius": "front_sprocket_teeth", "rear_radius": "rear_sprocket_teeth"},
    "air": {"drag_area": "drag_area_m2"},
    "fall": {"peg_angle": "largest_lean_deg"},
}
"""The key of the sheet that an entry comes from; all others are defaults."""


class NewVehicle(NamedTuple):
    """What came of a sheet: the file's text, the vehicle read back from it, keys that were left out."""

    text: str
    file: VehicleFile
    left_out: tuple[str, ...]


def new_vehicle(path: Path) -> NewVehicle:
    """A vehicle file from a data sheet. Raises ConfigError with the place in the sheet and what to do."""
    sheet, source = load_data_sheet(path)
    try:
        parts = parts_of(sheet)
    except Impossible as error:
        raise ConfigError([source.problem((error.key,), str(error))]) from error
    text = "\n".join(_lines(sheet, parts, path.name)) + "\n"
    with TemporaryDirectory() as folder:
        written = Path(folder) / "vehicle.yaml"
        written.write_text(text, encoding="utf-8")
        try:
            file = load_vehicle(written)
        except ConfigError as error:
            said = "; ".join(f"{problem.key}: {problem.expected}" for problem in error.problems)
            raise ConfigError(
                [source.problem((), f"expected numbers of one motorcycle; these make {said}")]
            ) from error
    return NewVehicle(text, file, tuple(key for key in DEFAULTS if getattr(sheet, key) is None))


def _lines(sheet: DataSheet, parts: Parts, name: str) -> Iterator[str]:
    yield from _comment(
        f"Made from the data sheet {name}. What the sheet did not tell has a default, told at its "
        "section with how it is measured: put the measured number in its place, with its source. Positions: "
        "forward of the rear contact and above the ground, upright at the design position, in "
        "which bike and robot stand."
    )
    yield from _comment(CAUTION)
    yield "kind: vehicle"
    yield f"name: {json.dumps(sheet.name, ensure_ascii=False)}"
    if sheet.purpose is not None:
        yield f"purpose: {json.dumps(sheet.purpose, ensure_ascii=False)}"
    for group in GROUPS:
        if group.name not in parts.values:
            continue  # what the rubber does past its peak no sheet tells: its friction stays constant
        yield ""
        yield f"# {group.meaning}"
        for key, default in DEFAULTS.items():
            if default.section == group.name and getattr(sheet, key) is None:
                taken = f"{default.value(sheet):.4g} {unit_of(key)}".rstrip()
                yield from _comment(
                    f"{key} is not in the sheet: taken as {taken}. "
                    f"{default.why[:1].upper()}{default.why[1:]}. To measure it: {default.measured}."
                )
        if group.name == "gearbox" and (gears := len(sheet.gear_ratios)) < TOP_GEAR:
            yield from _comment(
                f"The sheet has {gears} gears, the model {TOP_GEAR}: each further one is 1 % below the one "
                "before, so that changing into it does next to nothing."
            )
        if group.name in _NOT_ON_SHEETS:
            yield from _comment(f"Not on a data sheet: {_NOT_ON_SHEETS[group.name]}")
        yield f"{group.name}:"
        for parameter in group.parameters:
            unit = _UNITS.get(parameter.unit, parameter.unit)
            value = parts.values[group.name][parameter.name] / CONVERSIONS[parameter.unit].get(unit, 1.0)
            shown = json.dumps(unit) if unit == "1" else unit
            source = _source(sheet, group.name, parameter.name)
            yield f"  {parameter.name}: {{value: {_number(value)}, unit: {shown}, source: {source}}}"
    yield ""
    yield from _comment(
        "full-throttle torque at the crankshaft, less what the drive loses, through both peaks"
    )
    yield "engine_torque:"
    yield "  unit: [rpm, N m]"
    yield "  source: data sheet"
    yield "  points:"
    for speed, torque in parts.torque:
        yield f"    - [{_number(speed * 30.0 / math.pi)}, {_number(torque)}]"


def _source(sheet: DataSheet, group: str, name: str) -> str:
    """Where an entry's number is from, as the file says it."""
    key = _FROM.get(group, {}).get(name)
    if key == "gear_ratios" and int(name.removeprefix("gear_")) > len(sheet.gear_ratios):
        return "default"
    return "default" if key is None or getattr(sheet, key) is None else f"data sheet ({key})"


def _comment(text: str) -> list[str]:
    return textwrap.wrap(text, _WIDTH, initial_indent="# ", subsequent_indent="# ")


def _number(value: float) -> str:
    """Six digits, and never in a notation that the file's reader takes for text."""
    shown = float(f"{value:.6g}")
    return f"{shown:.12f}".rstrip("0").rstrip(".") if 1e-6 <= abs(shown) < 1e12 else f"{shown:g}"
