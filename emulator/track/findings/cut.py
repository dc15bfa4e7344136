"""A finding cut from a record: what happened there, written as files, with an entry in the register."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from emulator.config.rig.file import Rig, load_rig, vehicle_path
from emulator.config.track.findings_file import CutFrom, Entry, What
from emulator.config.vehicle.file import VehicleFile, load_vehicle
from emulator.record.reader import Run
from emulator.track.findings.braking_slide import Bike, BrakingSlide, find_braking_slide
from emulator.track.findings.bump_seen import bump_near
from emulator.track.findings.files import (
    Found,
    Grip,
    cause_words,
    grip_of,
    line_text,
    scenario_text,
    torque_words,
)
from emulator.track.findings.lost_fix import LostFix, find_lost_fix
from emulator.track.findings.piece import Piece, piece_to
from emulator.track.findings.register import REGISTER_FILE, add_entry, names_in
from emulator.track.findings.seen import FindingError, Seen, seen_around
from emulator.track.findings.slide import Slide, find_slide
from emulator.track.findings.steering_moved import SteeringMoved, find_steering_moved
from emulator.track.made_of import logs_of
from emulator.vehicle.params import RigidMass, Vehicle, vehicle_record

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]*")


@dataclass(frozen=True)
class Cut:
    """A finding that was written: its scenario file, entry and what it is made of."""

    scenario: Path
    register: Path
    entry: Entry
    found: Found
    piece: Piece
    grip: Grip | None


def cut_finding(run: Run, at_s: float, what: What, name: str, folder: Path, rig_file: Path) -> Cut:
    """Cut what happened near an instant of a record, and write it into a folder; the folder is made.

    rig_file  rig on whose bike it is to be ridden: its tyre says how much of what was used the road gave, its
              receiver how long it takes by itself to get a fix back
    Raises FindingError for what the record does not show and for a name that is taken or none, ConfigError
    for rig and register.
    """
    if not _NAME.fullmatch(name):
        raise FindingError(
            f"--name {name!r} can't name files", advice="take letters, digits, _ and -, beginning with one"
        )
    register = folder / REGISTER_FILE
    if name in names_in(register):
        raise FindingError(f"{register} has a finding {name!r} already", advice="take another name")
    scenario, line = folder / f"{name}.yaml", folder / f"{name}-line.yaml"
    for path in (scenario, line):
        if path.exists():
            raise FindingError(f"{path} is there already", advice="take another name, or another folder")
    seen = seen_around(run, at_s)
    rig, source = load_rig(rig_file)
    vehicle = load_vehicle(vehicle_path(rig, source))
    grip, fastest, bump = None, 0.0, None
    found: Found
    if what == "slide":
        found = find_slide(seen, at_s)
        grip = grip_of(found, vehicle.values[f"tyre_{found.tyre}"]["friction_y"])
    elif what == "braking_slide":
        found = find_braking_slide(run, seen, at_s, Bike.of(vehicle.values, _with_robot(vehicle, rig)))
        least, estimated, most = (round(v, 3) for v in (found.least, found.grip, found.most))
        grip = Grip(least, estimated, most, vehicle.values[f"tyre_{found.tyre}"]["friction_x"])
        fastest = found.before_m_s
    elif what == "steering_moved":
        lag_s = 1e-3 * rig.actuators.steering.time_constant_ms
        bike = _with_robot(vehicle, rig)
        found = find_steering_moved(run, seen, at_s, bike, lag_s)
        if found.cause == "open":
            _no_slide_before(run, seen, found, Bike.of(vehicle.values, bike))
        if found.cause == "bump":
            bump = bump_near(run, found.from_s, vehicle.values)
    else:
        found = find_lost_fix(run, at_s)
    piece = piece_to(seen, found.from_s, fastest)
    logs = logs_of(run)
    told = ", ".join(f"{log} ({digest[:12]})" for log, digest in logs.items())
    source_line = f"Cut from {run.folder.name} at {found.from_s:.2f} s; made of {told}."
    recorded = run.manifest.get("scenario")
    known: Mapping[str, Any] = recorded if isinstance(recorded, Mapping) else {}
    entry = Entry(
        name=name,
        what=what,
        seen=_words(found, grip, piece),
        scenario=scenario.name,
        cut_from=CutFrom(record=run.folder.name, logs=logs, at_s=round(found.from_s, 3)),
        cut=datetime.now(UTC).date().isoformat(),
    )
    folder.mkdir(parents=True, exist_ok=True)
    way_back = rig.sensors.gnss.reacquisition_times_s
    text = scenario_text(name, line.name, piece, found, grip, source_line, known, way_back, bump)
    add_entry(register, entry, {scenario: text, line: line_text(name, piece, source_line)})
    return Cut(scenario, register, entry, found, piece, grip)


def _no_slide_before(run: Run, seen: Seen, moved: SteeringMoved, bike: Bike) -> None:
    """Raises FindingError where a tyre slid before the steering moved, which moves it by itself."""
    found: Slide | BrakingSlide
    for what in ("braking_slide", "slide"):
        try:
            if what == "slide":
                found = find_slide(seen, moved.from_s)
            else:
                found = find_braking_slide(run, seen, moved.from_s, bike)
        except FindingError:
            continue
        if found.from_s <= moved.from_s:
            raise FindingError(
                f"the {found.tyre} tyre slides from {found.from_s:.2f} s on, before the steering moves at "
                f"{moved.from_s:.2f} s: a tyre that slides moves it",
                advice=f"cut the slide: --as {what}",
            )


def _with_robot(file: VehicleFile, rig: Rig) -> Vehicle:
    r = rig.robot
    return vehicle_record(
        file.values, file.tables, robot=RigidMass(r.mass_kg, *r.position_m, *r.inertia_kg_m2)
    )


def _words(found: Found, grip: Grip | None, piece: Piece) -> str:
    speed = f"at {3.6 * piece.speed_m_s:.0f} km/h and {piece.lateral_m_s2:.1f} m/s2 across"
    if isinstance(found, LostFix):
        left = "none" if not found.left else f"quality {found.left}"
        return f"the fix is lost for {found.lasts_s:.1f} s, {left} is left, {speed}"
    if isinstance(found, SteeringMoved):
        return (
            f"the steering moves by itself {speed}: {torque_words(found)} (noise and friction: "
            f"{found.floor:.1f} N m); {cause_words(found)}"
        )
    assert grip is not None  # a slide has one
    if isinstance(found, BrakingSlide):
        stood = "locks" if found.locked else "slides"
        since = f"{found.from_s - found.braked_from_s:.2f} s into braking at {found.deceleration:.1f} m/s2"
        speed = f"under the brakes {speed}, {since}"
    else:
        stood = ""
    ends = "it did not end by itself" if found.to_s is None else f"for {found.to_s - found.from_s:.2f} s"
    subject = f"the {found.tyre} wheel {stood}" if stood else f"the {found.tyre} tyre slides"
    return (
        f"{subject} {speed}, {ends}; grip {grip.estimated:.2f}, between {grip.least:.2f} and {grip.most:.2f}"
    )
