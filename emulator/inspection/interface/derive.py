"""From a rig file, and perhaps a scenario, to the description of the bench's interface."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from importlib import metadata
from pathlib import Path
from typing import NamedTuple

from emulator.assembly.session import Session, load_session
from emulator.config.rig.file import dbc_path, load_rig, vehicle_path
from emulator.core.errors import ConfigError, Problem
from emulator.core.outside.reading import KEPT_COPY, read_whole
from emulator.inspection.interface.asking import rehearsal_of
from emulator.inspection.interface.bend import bend_of, samples_of
from emulator.inspection.interface.description import FORMAT, Interface, ScenarioPart, sealed
from emulator.inspection.interface.frames import frames_of_bench
from emulator.inspection.interface.joining import bus_of
from emulator.inspection.interface.machine import AXES, gearbox, mounting, steering, wheel
from emulator.inspection.interface.riding import end, monitors, start_up, states, trip_causes
from emulator.inspection.interface.satellites import receiver
from emulator.inspection.line_for_robot import LineForRobot, line_for_robot
from emulator.inspection.sensors.capture import level_session

LINE_CSV, LINE_GEOJSON = "line.csv", "line.geojson"
_LINE_STEP_m = 1.0

CAUTIONS = (
    "This bench is not a safety function. The hardware emergency stop, the guards and distance are (ISO "
    "12100, "
    "ISO 13849-1, IEC 60204-1). Actuators can break fingers, also in a test.",
    "All signals are emulated. On a bike that can move, refuse to ride while you see them.",
    "The bench does not hold the robot: after a trip, and when the bench falls silent, the robot has to go "
    "to a "
    "safe state by itself.",
    "Anybody on the bus can send your frames, and you can send anybody's: nobody signs in, and a CRC is no "
    "signature.",
    "The first ride is the virtual one, then the bench with its drives off.",
)


_REFERENCE_RIDES = (
    "As this rig stands, the reference robot rides and sends your frames. Yours rides once the rig says "
    "device_under_test: {kind: external}."
)


class Described(NamedTuple):
    """The description, the scenario's line if there is one, and warnings about the files."""

    interface: Interface
    line: LineForRobot | None
    warnings: list[Problem]


def interface_of(
    rig_path: Path,
    scenario_path: Path | None = None,
    parameters: Mapping[str, int | float] | None = None,
) -> Described:
    """All that a robot has to know of a rig's bench, and with a scenario of its ride.

    Raises ConfigError with every problem of the files, also for a vehicle that can't hold the samples' bend.
    """
    ridden = None if scenario_path is None else load_session(rig_path, scenario_path, parameters=parameters)
    level = level_session(rig_path)
    rig, source = load_rig(rig_path)
    dbc = Path(dbc_path(rig, source))
    names = {"rig": source.path, "vehicle": vehicle_path(rig, source), "dbc": str(dbc)}
    for name, bases in (("rig", source.bases), ("vehicle", level.vehicle_file.bases)):
        names |= {f"{name} base {k}": str(base) for k, base in enumerate(bases, 1)}
    line = part = None
    if ridden is not None and scenario_path is not None:
        line = line_for_robot(ridden, _LINE_STEP_m)
        part = _scenario(ridden, line)
        names["scenario"] = str(scenario_path)
    try:
        turn = bend_of(level)
    except ValueError as error:
        raise ConfigError([Problem(names["vehicle"], 1, 1, "", f"{error}")]) from error
    samples = samples_of(level, turn)
    frames = frames_of_bench(level, dbc, samples.frames, turn.speed)
    vehicle = level.nominal
    interface = Interface(
        format=FORMAT,
        content_sha256="",
        program=f"emulator {metadata.version('emulator')}",
        rig=rig.name,
        purpose=rig.purpose or "",
        files={name: _hash(path) for name, path in names.items()},
        cautions=(*CAUTIONS, *([_REFERENCE_RIDES] if rig.device_under_test.kind == "reference" else [])),
        bus=bus_of(level),
        frames=tuple(frames),
        start_up=start_up(level, frames, part),
        states=states(rig),
        trip_reasons=trip_causes(rig),
        end=end(rig, frames),
        monitors=monitors(rig),
        mounting=mounting(level),
        steering=steering(rig, vehicle),
        wheel_front=wheel(rig, vehicle, front=True),
        wheel_rear=wheel(rig, vehicle, front=False),
        gearbox=gearbox(vehicle),
        gnss=receiver(rig, samples.sentences, None if ridden is None else ridden.scenario.leap_second),
        bend=samples.bend,
        axes=AXES,
        rehearsal=rehearsal_of(level, rig_path, dbc),
        scenario=part,
    )
    return Described(sealed(interface), line, (ridden or level).warnings)


def _hash(path: str) -> str:
    return hashlib.sha256(read_whole(path, KEPT_COPY)).hexdigest()


def _scenario(session: Session, line: LineForRobot) -> ScenarioPart:
    scenario, start = session.scenario, line.start
    support, origin = scenario.support, scenario.origin
    released = support.release_speed_km_h
    return ScenarioPart(
        name=scenario.name,
        purpose=scenario.purpose,
        utc=scenario.utc.isoformat(),
        origin_deg=(origin.latitude_deg, origin.longitude_deg),
        origin_height_m=origin.height_m,
        geoid_separation_m=origin.geoid_separation_m,
        start_m=(start.east_m, start.north_m),
        start_heading_deg=start.heading_deg,
        start_station_m=start.station_m,
        start_gear=scenario.start.gear,
        tow_acceleration_m_s2=support.tow_acceleration_m_s2,
        released_at_m_s=None if released is None else released / 3.6,
        released_at_s=support.release_time_s,
        line_length_m=line.length_m,
        line_closed=line.closed,
        laps=line.laps,
        finish_station_m=line.finish_m,
        time_limit_s=scenario.duration_limit_s,
        line_csv=LINE_CSV,
        line_geojson=LINE_GEOJSON,
    )
