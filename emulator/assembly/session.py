"""Everything a run is made from: the files, read and checked, and what follows from them.

:func:`load_session` is the only way in, of rides, replays and checks alike: what files alone decide is
decided here, before anything is opened, and ConfigError has every problem of every file at once.
"""

from __future__ import annotations

import hashlib
import math
import os
import platform
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache, cached_property
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from emulator.assembly.files import RideFiles, Stage, read_files
from emulator.assembly.kept_files import NAMED_VEHICLE, kind_of_copy
from emulator.assembly.kept_laps import kept_target
from emulator.assembly.kept_limits import kept_limits, limits_along
from emulator.config.based_on import File
from emulator.config.rig.bus_load import BusLoad, bus_load
from emulator.config.rig.consistency import rig_warnings
from emulator.config.rig.file import Rig, carries_fd, dbc_path, vehicle_path
from emulator.config.scenario.course import Course
from emulator.config.scenario.manoeuvre import fallen_speed, most_speed
from emulator.config.scenario.schema import Scenario, SpeedProfile, hook_path, load_course
from emulator.config.software.own_software import Joining, joining_of, program_path
from emulator.config.software.stepped_robot import FmiRobot, PythonRobot, SocketRobot
from emulator.config.vehicle.change import VehicleChange, changed_values
from emulator.config.vehicle.file import VehicleFile
from emulator.config.yaml_source import Source
from emulator.core import constants
from emulator.core.errors import ConfigError, Problem
from emulator.core.frame_buffer import MAX_DATA
from emulator.core.keeping.kept_results import code_of, kept_numbers
from emulator.core.keeping.versions import version_of
from emulator.core.outside.reading import read_whole
from emulator.core.signals import TICK_NS
from emulator.lap import target_speed as target_speed_module
from emulator.lap.ideal_lap import bike_of
from emulator.lap.lean_envelope import lean_envelope
from emulator.lap.share_of_limits import with_share
from emulator.lap.steady_limits import steady_limits
from emulator.lap.target_speed import braked, engine_curve, speed_limits, target_speed
from emulator.loop.machine import processor
from emulator.plant.step import tick
from emulator.road import iso8608
from emulator.road import line as road_line
from emulator.road.iso8608 import CLASS_DEGREE_m3, along_lap, roughness
from emulator.road.line import Line, Surface, surface
from emulator.road.line import Patch as RoadPatch
from emulator.road.shape import Bump, RoadProfile, road_profile
from emulator.robot.fast.pace import LEANING_RATE
from emulator.robot.mission import Mission
from emulator.robot.timing import LoopTiming, loop_timing, output_carrying
from emulator.sensors.imu import turned
from emulator.vehicle.equilibrium import NoEquilibrium
from emulator.vehicle.params import RigidMass, Vehicle, vehicle_record
from emulator.vehicle.whole.mass_properties import total_mass
from emulator.wire.can_frames import Codec
from emulator.wire.can_timing import CLASSICAL_BYTES
from emulator.wire.geodesy import Origin

Array: TypeAlias = NDArray[np.float64]


@dataclass(frozen=True)
class Session:
    """A checked combination of rig, vehicle, scenario and circuit.

    vehicle     as it is ridden, with the scenario's changes
    nominal     as its file says: what the robot and the sensors' own constants go by
    line        with the target speed; ``width`` is the road's [m]
    sector_ends  stations [m]; the last one is the lap's length, on an open line the finish
    codec       the output frames in the rig's order, then the robot's, then the bench's inputs if it asks
                for them
    files, paths  hashes and paths of all files that were read; "scenario base 1" is what the scenario is
                based on
    put_over    of rig, scenario and vehicle those that are not as their files say: values went over them
    joining     how a program at a socket is started that rides in the virtual stage; None: none does
    parameters, set_parameters  values put into the scenario, and those of them that were set for this run
    """

    rig: Rig
    scenario: Scenario
    vehicle_file: VehicleFile
    vehicle: Vehicle
    nominal: Vehicle
    line: Line
    road: Surface
    sector_ends: tuple[float, ...]
    road_profile: RoadProfile
    width: float
    codec: Codec
    outputs: tuple[str, ...]
    seed: int
    files: dict[str, str]
    paths: dict[str, str]
    warnings: list[Problem]
    parameters: Mapping[str, int | float] = field(default_factory=dict)
    set_parameters: Mapping[str, int | float] = field(default_factory=dict)
    put_over: tuple[str, ...] = ()
    joining: Joining | None = None

    @property
    def finish_station(self) -> float:
        """Station [m] at which the ride is complete: after its laps, or at the finish of an open line."""
        if self.line.closed:
            return self.scenario.start.station_m + self.scenario.laps * self.line.length
        return self.sector_ends[-1]

    @property
    def origin(self) -> Origin:
        """Of the local frame that all places are told in."""
        given = self.scenario.origin
        return Origin(math.radians(given.latitude_deg), math.radians(given.longitude_deg), given.height_m)

    @property
    def asked_events(self) -> dict[str, int]:
        """Number by name of the events that wait to be asked for during the ride."""
        return {e.name: i for i, e in enumerate(self.scenario.events) if e.can_be_requested}

    @cached_property
    def bus(self) -> BusLoad | None:
        """What the rig's bus has to carry, if its bit rate is known."""
        return bus_load(self.rig, self.codec)

    @property
    def payload_bytes(self) -> int:
        """Room for the longest payload a frame on the rig's bus can have."""
        return MAX_DATA if carries_fd(self.rig) else CLASSICAL_BYTES

    @property
    def loop_cpu(self) -> int | None:
        """CPU of the loop process: as the rig says, else the last one if there are two or more."""
        if self.rig.loop.cpu != "auto":
            return int(self.rig.loop.cpu)
        cpus = sorted(os.sched_getaffinity(0))
        return cpus[-1] if len(cpus) > 1 else None

    @property
    def other_cpus(self) -> set[int]:
        """CPUs for everything else."""
        cpus = set(os.sched_getaffinity(0))
        rest = cpus - ({self.loop_cpu} if self.loop_cpu is not None else set())
        return rest or cpus

    def manifest(self, *, stage: str) -> dict[str, Any]:
        """What is needed to reproduce the run, and what a report draws."""

        length, bus = self.line.length, self.bus
        return {
            "format": 1,
            "stage": stage,
            "rig": self.rig.model_dump(mode="json"),
            "scenario": self.scenario.model_dump(mode="json"),
            "vehicle": {"name": self.vehicle_file.name, "values": self.vehicle_file.values},
            "seed": self.seed,
            "parameters": dict(self.parameters),
            "files": self.files,
            "given": {name: self.paths[name] for name in ("rig", "scenario")},
            "code": {"version": version_of("emulator"), "plant": _plant_key()},
            "versions": {name: version_of(name) for name in ("numpy", "numba", "python-can", "pyarrow")},
            "host": {
                "python": platform.python_version(),
                "kernel": platform.release(),
                "machine": platform.machine(),
                "processor": processor(),
                "cpus": os.cpu_count(),
            },
            "line": drawn(self.line),
            "patches": [
                {**p.model_dump(mode="json"), **dict(zip(("from_m", "to_m"), p.stretch(length), strict=True))}
                for p in self.scenario.surface.patches
            ],
            **_lean_envelope(self),
            **({} if bus is None else {"bus_budget": bus.as_dict()}),
            **({"put_over": list(self.put_over)} if self.put_over else {}),
        }


@cache  # asked for of every ride of a process, which rides the code that it imported
def _plant_key() -> str:
    """Key of the compiled tick and all it reaches."""
    from emulator.core.keeping.code_key import code_key

    return code_key(tick)[:16]


def drawn(line: Line) -> dict[str, Any]:
    """A line as every manifest has it, every fourth of its places."""
    thinned = slice(None, None, 4)
    places = {"x_m": line.x, "y_m": line.y, "station_m": line.station}
    return {
        **{name: [round(float(v), 3) for v in values[thinned]] for name, values in places.items()},
        "length_m": line.length,
        "closed": line.closed,
    }


def load_session(
    rig_file: File,
    scenario_file: File,
    *,
    seed: int = 0,
    vehicle: File | None = None,
    parameters: Mapping[str, int | float] | None = None,
    stage: Stage = "none",
    robot: PythonRobot | None = None,
) -> Session:
    """Read and check everything. Raises ConfigError with all problems of all files.

    rig_file, scenario_file  by path, or as they were read, also with values put over them from elsewhere
                (emulator.config.based_on.put_over)
    vehicle     rides instead of the one the rig names
    parameters  values of the scenario's parameters, by name; the others have their defaults
    stage       what it is for: on the bench what only the bench needs has to be right, too, in the virtual
                stage the robot's software; a replay takes what was ridden before, also where it may not be
                written so any more
    robot       rides in the virtual stage instead of the one the rig names; its file from the working folder
    """
    read = read_files(rig_file, scenario_file, vehicle, parameters, stage=stage, robot=robot)
    return session_of(read, seed=seed, vehicle=vehicle, parameters=parameters, stage=stage, robot=robot)


def session_of(
    read: RideFiles,
    *,
    seed: int,
    vehicle: File | None,
    parameters: Mapping[str, int | float] | None,
    stage: Stage,
    robot: PythonRobot | None,
) -> Session:
    """The session of files that were read with the same arguments. Raises ConfigError: see load_session."""
    given = {"rig": read.rig_source, "scenario": read.scenario_source, "vehicle": vehicle}
    rig, scenario, vehicle_file = read.rig, read.scenario, read.vehicle_file
    course, circuit_source = load_course(scenario, read.scenario_source)
    nominal, ridden = _vehicles(read)
    shape = _road_profile(course, scenario)
    line = course.line._replace(bank=np.arctan(shape.tilt), slope=np.arctan(shape.rise))
    line = line._replace(target_speed=_profile(scenario, read.scenario_source, nominal, line, rig))
    paths = _paths(read, circuit_source, vehicle)
    if robot is not None:
        device = rig.device_under_test.model_copy(update={"virtual": robot})
        rig = rig.model_copy(update={"device_under_test": device})
    if stage in ("virtual", "none") and (program := _program(rig, read, robot)) is not None:
        paths["robot"] = program
    return Session(
        rig=rig,
        scenario=scenario,
        vehicle_file=vehicle_file,
        vehicle=ridden,
        nominal=nominal,
        line=line,
        road=surface(
            scenario.surface.grip,
            [
                RoadPatch(*p.stretch(line.length), p.left_m, p.right_m, p.grip, p.edge_m)
                for p in scenario.surface.patches
            ],
        ),
        sector_ends=course.sector_ends_m,
        road_profile=shape,
        width=course.width_m,
        codec=read.codec,
        outputs=tuple(rig.outputs),
        seed=seed,
        files={n: hashlib.sha256(read_whole(path, kind_of_copy(n))).hexdigest() for n, path in paths.items()},
        paths=paths,
        warnings=[
            *read.scenario_source.warnings,
            *(() if circuit_source is None else circuit_source.warnings),
            *read.rig_source.warnings,
            *read.unwise,
            *rig_warnings(rig, read.rig_source, vehicle_file.values),
            *vehicle_file.warnings,
        ],
        parameters=read.scenario_source.parameters,
        set_parameters=dict(parameters or {}),
        put_over=tuple(name for name, file in given.items() if isinstance(file, Source) and file.put_over),
        joining=_joining(rig, read.rig_source) if stage in ("virtual", "none") else None,
    )


def _lean_envelope(session: Session) -> dict[str, Any]:
    """What a report draws leans beside; nothing for a vehicle that no steady turn was found of."""
    grip = session.scenario.surface.grip
    try:
        limits = kept_limits(session.vehicle, grip)
    except NoEquilibrium:
        return {}
    bike = bike_of(session.vehicle, steady_limits([(grip, limits)]))
    return {"lean_envelope": lean_envelope(bike, limits, session.line, grip)}


def _vehicles(read: RideFiles) -> tuple[Vehicle, Vehicle]:
    """As its file says, and as it is ridden."""
    r, file, change = read.rig.robot, read.vehicle_file, read.scenario.vehicle
    robot = RigidMass(r.mass_kg, *r.position_m, *r.inertia_kg_m2)
    nominal = vehicle_record(file.values, file.tables, robot=robot)
    if change == VehicleChange():
        return nominal, nominal
    values = changed_values(change, file, read.scenario_source)
    return nominal, vehicle_record(values, file.tables, robot=robot)


def _paths(read: RideFiles, circuit: Source | None, vehicle: File | None) -> dict[str, str]:
    """Every file that was read, by what it is; files that one is based on are numbered behind it."""
    named = vehicle_path(read.rig, read.rig_source)
    ridden = vehicle.path if isinstance(vehicle, Source) else os.fspath(named if vehicle is None else vehicle)
    chains = {
        "rig": (read.rig_source.path, *read.rig_source.bases),
        "vehicle": (ridden, *read.vehicle_file.bases),
        **({NAMED_VEHICLE: (named,)} if vehicle is not None and ridden != named else {}),
        "dbc": (dbc_path(read.rig, read.rig_source),),
        "scenario": (read.scenario_source.path, *read.scenario_source.bases),
    }
    if circuit is not None:
        chains["circuit"] = (circuit.path, *circuit.bases)
    hook = hook_path(read.scenario, read.scenario_source)
    if hook is not None:
        chains["hook"] = (hook,)
    return {
        name if depth == 0 else f"{name} base {depth}": path
        for name, chain in chains.items()
        for depth, path in enumerate(chain)
    }


def _program(rig: Rig, read: RideFiles, robot: PythonRobot | None) -> str | None:
    """The file of the software that rides in the virtual stage; None: there is none, or not there."""
    named = rig.device_under_test.virtual
    if not isinstance(named, PythonRobot | FmiRobot):
        return None
    path = named.file if robot is not None else program_path(named, read.rig_source)
    return path if os.path.isfile(path) else None


def _joining(rig: Rig, source: Source) -> Joining | None:
    named = rig.device_under_test.virtual
    return joining_of(named, source) if isinstance(named, SocketRobot) else None


def _along(line: Line, given: tuple[tuple[float, float], ...]) -> tuple[Array, Array]:
    """``iso8608.along_lap`` of (station, value), worked out once."""
    stations, values = [station for station, _ in given], [value for _, value in given]
    if not given:
        return along_lap(line, stations, values)
    made_from = (line.station, line.length, line.closed, given)
    return kept_numbers(
        "along", made_from, code_of((iso8608.__file__,)), lambda: along_lap(line, stations, values)
    )


def _road_profile(course: Course, scenario: Scenario) -> RoadProfile:
    """The road's shape: elevation and bank of the course, bumps and roughness of the scenario."""
    line = course.line
    elevation, rise = _along(line, course.elevation)
    bank, _ = _along(line, course.banking)
    surface = scenario.surface
    rough, step = None, 1.0
    if surface.roughness is not None:
        rough, step = roughness(line, CLASS_DEGREE_m3[surface.roughness.iso_class], surface.roughness.seed)
    bumps = [Bump(b.at_m, b.length_m, b.height_m, b.left_m, b.right_m) for b in surface.bumps]
    return road_profile(line, elevation, rise, bank, bumps, rough, step)


def mission(session: Session) -> Mission:
    """What the reference robot is told before the ride."""
    rig, scenario = session.rig, session.scenario
    sensors = rig.sensors
    bus = session.bus
    by_angle = rig.steering == "angle_driven"

    def latency_s(signal: str) -> float:
        """Mean age on arrival; frames leave on ticks, so it may lie beside the latency promised."""
        name = output_carrying(rig, session.codec, signal)
        if name is None:
            return 0.0
        output = rig.outputs[name]
        arrive = None if bus is None else bus.line(name).arrivals
        return output.latency_ms * 1e-3 + (0.0 if arrive is None else arrive.error_ns[1] * 1e-9)

    # Jitter is half-normal; an epoch goes out with the first tick after it is due.
    jitter_s = sensors.gnss.jitter_ms * 1e-3
    gnss_age_s = sensors.gnss.latency_ms * 1e-3 + jitter_s * math.sqrt(2.0 / math.pi)
    if jitter_s > 0.0:
        gnss_age_s += 0.5 * TICK_NS * 1e-9
    return Mission(
        vehicle=session.nominal,
        mass=total_mass(session.nominal),
        line=session.line,
        codec=session.codec,
        origin=session.origin,
        start=scenario.start.station_m,
        grip=scenario.surface.grip,
        imu_age_s=latency_s("rate_x_rad_s") + sensors.imu.rate_delay_s,
        # without what a computed lean lags by its own acceleration: it weighs too little (robot.estimator)
        lean_age_s=latency_s("lean_rad") + sensors.lean.time_constant_ms * 1e-3,
        wheel_age_s=latency_s("wheel_front_m_s"),
        gnss_age_s=gnss_age_s,
        gnss_jitter_s=jitter_s,
        imu_m=sensors.imu.position_m,
        imu_axes=tuple(turned(*(math.radians(a) for a in sensors.imu.attitude_deg)).T.ravel()),
        antenna_m=sensors.gnss.antenna_position_m,
        by_angle=by_angle,
        command_limit=float(session.nominal.body[0]["steering_stop_angle"])
        if by_angle
        else rig.actuators.steering.limit_Nm,
        acceleration=scenario.speed.acceleration_limit_m_s2,
        braking=scenario.speed.braking_limit_m_s2,
        fast=scenario.speed.limit_share is not None,
        throttle_lag_s=rig.actuators.throttle.time_constant_ms * 1e-3,
        timing=_loop_timing(rig, session.codec),
        gain_shares=rig.device_under_test.gains.shares,
        cut_from=session.vehicle_file.values["quickshifter"]["lowest_engine"]
        if "quickshifter" in rig.electronics.modelled
        else math.inf,
    )


def _loop_timing(rig: Rig, codec: Codec) -> LoopTiming | None:
    """Timing of the loop that the reference robot steers in; None on a rig where it does not."""
    try:
        return loop_timing(rig, codec)
    except ValueError:
        return None


def _profile(scenario: Scenario, source: Source, vehicle: Vehicle, line: Line, rig: Rig) -> Array:
    """Target speed over the line from the scenario's limits and the engine's power, or by the vehicle's own.

    Patches are left out: the target is what the rider plans, a patch is what he finds.
    """
    limits, body = scenario.speed, vehicle.body[0]
    if limits.lean_limit_deg is not None:
        lean = math.radians(limits.lean_limit_deg)
    else:
        assert limits.lateral_limit_m_s2 is not None
        lean = math.atan(limits.lateral_limit_m_s2 / float(body["gravity"]))
    power = float(np.max(body["torque_speed"] * body["torque_value"]))
    top = limits.top_speed_km_h / 3.6
    speeds, accelerations = engine_curve(power, total_mass(vehicle), float(body["air_drag_area"]), top)
    most = most_speed(scenario.manoeuvre, line, top, limits.jerk_limit_m_s3)
    if (down := limits.slow_down) is not None:
        fall = braked(top, down.to_km_h / 3.6, down.deceleration_m_s2, limits.jerk_limit_m_s3)
        most = np.minimum(most, fallen_speed(line, down.from_m, *fall))
    try:
        if limits.limit_share is not None:
            return np.minimum(_fast_profile(limits, scenario.surface.grip, vehicle, line, rig, lean), most)
        limited = speed_limits(
            lean_rad=lean,
            braking_m_s2=limits.braking_limit_m_s2,
            drive_m_s2=limits.acceleration_limit_m_s2,
            top_speed_m_s=top,
            engine_speed_m_s=speeds,
            engine_m_s2=accelerations,
            jerk_m_s3=limits.jerk_limit_m_s3,
        )
        grip = scenario.surface.grip
        speed = kept_numbers(
            "speed",
            (line._replace(target_speed=np.empty(0)), limited, grip),
            code_of((target_speed_module.__file__, road_line.__file__, constants.__file__)),
            lambda: target_speed(line, limited, grip=grip),
        )
    except (ValueError, NoEquilibrium) as error:
        raise ConfigError(
            [source.problem(("speed",), f"expected limits that can be ridden: {error}")]
        ) from error
    return np.minimum(speed, most)


def _fast_profile(
    limits: SpeedProfile, grip: float, vehicle: Vehicle, line: Line, rig: Rig, lean: float
) -> Array:
    """Target speed within a share of what the vehicle can do."""
    assert limits.limit_share is not None
    torque = None if rig.steering == "angle_driven" else limits.limit_share * rig.actuators.steering.limit_Nm
    whole = bike_of(vehicle, limits_along(vehicle, [grip]), steer_torque_Nm=torque)
    bike = with_share(
        whole,
        limits.limit_share,
        lateral_m_s2=float(vehicle.body[0]["gravity"]) * math.tan(lean),
        braking_m_s2=limits.braking_limit_m_s2,
        drive_m_s2=limits.acceleration_limit_m_s2,
        roll_rate_rad_s=LEANING_RATE,
    )
    return kept_target(line, bike, limits.jerk_limit_m_s3, limits.top_speed_km_h / 3.6, grip)
