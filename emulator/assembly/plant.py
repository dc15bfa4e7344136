"""A checked session becomes the compiled plant's memory."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from emulator.assembly.event_tables import events_of, frame_faults_of, stream_names, stream_seeds, triggers_of
from emulator.assembly.frame_tables import output_tables, robot_frames
from emulator.assembly.sensor_records import electronics_of, inertial_unit_record, rig_record, tone_rings
from emulator.assembly.session import Session
from emulator.config.rig.limits import Actuators
from emulator.core.frame_buffer import frame_buffer
from emulator.core.keeping.kept_results import code_of, kept_numbers
from emulator.core.random_streams import stream_start
from emulator.core.signals import INDEX, OUTPUT_VALUES, TICK_NS, UNARMED_TICK
from emulator.events.actuator_faults import actuators
from emulator.events.progress import NEVER
from emulator.events.sample_faults import PAST
from emulator.plant.outputs import STREAM_NAMES
from emulator.plant.records import MEMORY_DTYPE, RUN_DTYPE
from emulator.plant.states import HELD
from emulator.plant.step import Plant
from emulator.road.line import locate, sample
from emulator.road.shape import plane_under
from emulator.vehicle.equilibrium import AIR_DENSITY, standing
from emulator.vehicle.state import (
    ENGINE,
    FRONT,
    N_U,
    REAR,
    TREAD,
    U_AIR_DENSITY,
    U_GRIP_FRONT,
    U_GRIP_REAR,
    U_ROAD_REAR,
    U_SUPPORT,
    U_TOW_HEADING,
    U_WIND_X,
    U_WIND_Y,
    scratch,
)

_TICK_S = TICK_NS * 1e-9
_ROWS = 512  # frames on their way in or out in a tick, faults and floods included


def build_plant(session: Session) -> Plant:
    """The plant at the scenario's start: bike at rest in the support."""
    names = [*session.outputs, "gnss"]
    first_jitter = len(STREAM_NAMES)
    out, lines = output_tables(session, names, first_jitter)
    x, u, rig = _at_rest(session)
    frames = out[:-1]  # the last one is GNSS
    rig["samples_wait"] = np.all((frames["latency_ns"] > 0) & (frames["wire_ns"] == 0))
    starts = _stream_starts(session, names)
    return Plant(
        body=session.vehicle.body,
        tyre=session.vehicle.tyre,
        rig=rig,
        run=_run_record(session),
        memory=_memory_record(),
        x=x,
        last_valid_state=x.copy(),
        u=u,
        work=scratch(),
        line=session.line,
        road=session.road,
        road_profile=session.road_profile,
        codec=session.codec.table,
        robot=robot_frames(session),
        out=out,
        lines=lines,
        actuators=actuators(_own_play(session.rig.actuators)),
        events=events_of(session, first_jitter + len(names)),
        triggers=triggers_of(session),
        frame_faults=frame_faults_of(session),
        past=np.zeros((len(session.scenario.events), 2, PAST)),
        inbox=frame_buffer(_ROWS),
        scratch_frames=frame_buffer(_ROWS),
        streams=starts.copy(),
        streams_0=starts,
        rings=tone_rings(session),
        imu=inertial_unit_record(session),
        electronics=electronics_of(session),
    )


def _own_play(a: Actuators) -> dict[str, float]:
    """Free play of each channel in the unit of what it delivers."""
    return {
        "steering": a.steering.free_play_Nm,
        "throttle": a.throttle.free_play,
        "front_brake": a.front_brake.free_play_bar * 1e5,
        "rear_brake": a.rear_brake.free_play_bar * 1e5,
        "clutch": a.clutch.free_play,
    }


def _run_record(session: Session) -> NDArray[np.void]:
    """(1,) what changes from tick to tick, before the first."""
    run = np.zeros(1, RUN_DTYPE)
    state = run[0]
    state["heartbeat_tick"] = state["steering_tick"] = state["drive_tick"] = state["fallen_tick"] = -1
    state["gnss_drift_ns"] = -1
    state["gnss_held_tick"] = state["gnss_progress"] = NEVER
    state["gear"] = session.scenario.start.gear
    state["analogue"] = np.nan
    state["support"] = HELD
    state["shift_refused"] = -1
    state["slide_end"] = UNARMED_TICK
    state["scenario_tick"] = UNARMED_TICK
    state["gnss_reported_ns"] = NEVER
    state["station"] = session.scenario.start.station_m
    return run


def _memory_record() -> NDArray[np.void]:
    """(1,) what a tick tells, empty."""
    memory = np.zeros(1, MEMORY_DTYPE)
    memory[0]["row_of"] = [INDEX.get(f"output.{name}", -1) for name in OUTPUT_VALUES]
    memory[0]["row"] = np.nan
    return memory


def _at_rest(session: Session) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.void]]:
    """State (N_X,) and inputs (N_U,) of the bike at rest in the support, and the record of its rig."""
    scenario = session.scenario
    x0, y0, heading, _, _ = sample(session.line, scenario.start.station_m)
    road = _road_at_rest(session, x0, y0, heading)
    x = kept_numbers(
        "rest",
        (session.vehicle, x0, y0, heading, road),
        code_of(_vehicle_sources()),
        lambda: standing(session.vehicle, x0, y0, heading, road),
    )
    x[ENGINE] = float(session.vehicle.body[0]["engine_idle_speed"])
    warm = scenario.vehicle.tread_over_air_K
    for which, over_air in ((REAR, warm.rear), (FRONT, warm.front)):
        if over_air is not None:
            x[TREAD + which] = over_air - float(session.vehicle.tyre[which]["tread_best_temperature"])
    rig = rig_record(session, heading, x)
    u = np.zeros(N_U)
    u[U_AIR_DENSITY] = AIR_DENSITY
    u[U_GRIP_FRONT] = u[U_GRIP_REAR] = scenario.surface.grip
    u[U_SUPPORT], u[U_TOW_HEADING] = 1.0, heading
    u[U_ROAD_REAR : U_ROAD_REAR + 6] = road
    u[U_WIND_X], u[U_WIND_Y] = rig[0]["wind_x"], rig[0]["wind_y"]
    return x, u, rig


@cache
def _vehicle_sources() -> tuple[str, ...]:
    """Files of the code that decides how a bike stands."""
    package = Path(__file__).parents[1]
    found = (path for folder in ("core", "vehicle") for path in (package / folder).rglob("*.py"))
    return tuple(sorted(map(str, found)))


def _stream_starts(session: Session, names: Sequence[str]) -> NDArray[np.uint64]:
    """Where each random stream begins: the sensors', the outputs' jitter, the events'."""
    events = session.scenario.events
    streams = [*STREAM_NAMES, *(f"jitter/{n}" for n in names), *stream_names(events)]
    seeds = [session.seed] * (len(STREAM_NAMES) + len(names)) + stream_seeds(events, session.seed)
    return np.array([stream_start(*pair) for pair in zip(seeds, streams, strict=True)], np.uint64)


def _road_at_rest(session: Session, x: float, y: float, heading: float) -> NDArray[np.float64]:
    """Road planes under the rear and the front tyre of a bike standing there, (6,) as in the inputs."""
    base = float(session.vehicle.body[0]["front_wheel_x"])
    planes = []
    for tx, ty in ((x, y), (x + base * math.cos(heading), y + base * math.sin(heading))):
        station, offset, _ = locate(session.line, tx, ty, session.scenario.start.station_m)
        planes.append(
            plane_under(session.road_profile, session.line, station, offset, tx, ty, 0.0, 0.0, _TICK_S)
        )
    return np.array(planes).ravel()
