"""A checked session becomes the compiled plant's memory."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from emulator.assembly.event_tables import (
    events_of,
    frame_faults_of,
    stream_names,
    stream_seeds,
    triggers_of,
)
from emulator.assembly.link_specs import line_baud
from emulator.assembly.serial_pacing import BurstLine
from emulator.assembly.session import Session
from emulator.config.rig.bus_load import wire_ns
from emulator.config.rig.gnss import Gnss
from emulator.config.rig.outputs import COMMAND_FRAMES, INPUT_FRAME, Output
from emulator.config.rig.sensors import AnalogueSensor
from emulator.core.axes import quaternion_of, rotation_of
from emulator.core.errors import ConfigError, Problem
from emulator.core.frame_buffer import frame_buffer
from emulator.core.random_streams import stream_start
from emulator.core.signals import (
    ANALOGUE,
    COMMAND,
    GNSS_VALUES,
    INDEX,
    OUTPUT,
    OUTPUT_VALUES,
    OUTPUTS,
    ROBOT_COMMANDS,
    TICK_NS,
    UNARMED_TICK,
    measured_with,
)
from emulator.events.actuator_faults import actuators
from emulator.events.progress import NEVER, ticks
from emulator.events.sample_faults import PAST
from emulator.plant.commands import N_ROBOT, RobotFrames
from emulator.plant.events import sensor_of
from emulator.plant.outputs import STREAM_NAMES, analogue_at_rest
from emulator.plant.plausibility import MONITORS
from emulator.plant.records import MEMORY_DTYPE, RIG_DTYPE, RUN_DTYPE
from emulator.plant.states import PERMISSIVES
from emulator.plant.step import Plant
from emulator.road.line import locate, sample
from emulator.road.shape import plane_under
from emulator.sensors.analogue import Analogue
from emulator.sensors.gnss import FIX_QUALITY, QUALITIES, USUAL_ACCURACY, Accuracy
from emulator.sensors.gnss_fix import RANKS
from emulator.sensors.imu import STREAMS as IMU_STREAMS
from emulator.sensors.imu import EngineOrder, RoadBand, Triad, Warming, inertial_unit, turned
from emulator.sensors.sampling import MOST_VALUES, outputs
from emulator.sensors.wheel_speed import MOST_INTERVALS, RING_DTYPE, tone_ring
from emulator.vehicle.equilibrium import AIR_DENSITY, standing
from emulator.vehicle.state import (
    ENGINE,
    FRONT,
    N_U,
    REAR,
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
from emulator.wire.can_timing import bits_ns, classical_bits
from emulator.wire.nmea import longest_burst

_TICK_S = TICK_NS * 1e-9
_ROWS = 512  # frames on their way in or out in a tick, faults and floods included


def build_plant(session: Session) -> Plant:
    """The plant at the scenario's start: bike at rest in the support.

    Raises ConfigError for a DBC whose signals the plant does not know.
    """
    rig, scenario, codec = session.rig, session.scenario, session.codec
    run = np.zeros(1, RUN_DTYPE)
    state = run[0]
    state["heartbeat_tick"] = state["steering_tick"] = state["drive_tick"] = state["fallen_tick"] = -1
    state["gnss_drift_ns"] = -1
    state["gnss_held_tick"] = state["gnss_progress"] = NEVER
    state["gear"] = scenario.start.gear
    state["analogue"] = np.nan
    state["support"] = 1
    state["shift_refused"] = -1
    state["slide_end"] = UNARMED_TICK
    state["scenario_tick"] = UNARMED_TICK
    state["gnss_reported_ns"] = NEVER

    x0, y0, heading, _, _ = sample(session.line, scenario.start.station_m)
    state["station"] = scenario.start.station_m
    road = _road_at_rest(session, x0, y0, heading)
    x = standing(session.vehicle, x0, y0, heading, road)
    x[ENGINE] = float(session.vehicle.body[0]["engine_idle_speed"])
    u = np.zeros(N_U)
    u[U_AIR_DENSITY] = AIR_DENSITY
    u[U_GRIP_FRONT] = u[U_GRIP_REAR] = scenario.surface.grip
    u[U_SUPPORT], u[U_TOW_HEADING] = 1.0, heading
    u[U_ROAD_REAR : U_ROAD_REAR + 6] = road
    record = _rig_record(session, heading, x)
    u[U_WIND_X], u[U_WIND_Y] = record[0]["wind_x"], record[0]["wind_y"]

    names = [*session.outputs, "gnss"]
    timings: list[Output | Gnss] = [*(rig.outputs[n] for n in session.outputs), rig.sensors.gnss]
    latencies = [round(t.latency_ms * 1e6) for t in timings]
    # an epoch leaves early by what the longest burst takes on the line: see rig.burst_line
    latencies[-1] -= BurstLine(line_baud(rig)).line_ns(longest_burst(rig.sensors.gnss.sentences))
    first_jitter = len(STREAM_NAMES)
    out, lines = outputs(
        [t.rate_hz for t in timings],
        latencies,
        [round(t.jitter_ms * 1e6) for t in timings],
        first_jitter,
    )
    out["wire_ns"][:-1] = [wire_ns(rig, codec, name) for name in session.outputs]
    problems = []
    for o, name in enumerate(names):
        signals = GNSS_VALUES if name == "gnss" else codec.signals[codec.frame(name)]
        out[o]["frame"] = -1 if name == "gnss" else codec.frame(name)
        if len(signals) > MOST_VALUES:
            text = f"expected at most {MOST_VALUES} signals in a frame, got {len(signals)}"
            problems.append(Problem(rig.dbc, 1, 1, name, text))
            continue
        families: list[int] = []
        for k, signal in enumerate(signals):
            if signal not in OUTPUT:
                text = f"expected one of {', '.join(OUTPUT_VALUES)}"
                problems.append(Problem(rig.dbc, 1, 1, f"{name}.{signal}", text))
                continue
            out[o]["value_of"][k] = v = OUTPUT[signal]
            if name != "gnss":
                out[o]["absent"][k] = signal in rig.outputs[name].absent
            first = measured_with(v)
            if first not in families:
                families.append(first)
        out[o]["family"][: len(families)] = families
        for first in families:
            out[o]["sensors"] |= sensor_of(first)
    robot = RobotFrames(
        value_of=np.full((len(codec.frames), codec.most_signals), -1, np.int64),
        is_robot=np.array([int(name in (*COMMAND_FRAMES, INPUT_FRAME)) for name in codec.frames], np.int64),
        alive=np.full(len(codec.frames), -1, np.int64),
        counts=np.zeros((len(codec.frames), 4), np.int64),
        robot=np.full(len(ROBOT_COMMANDS), np.nan),
        values=np.zeros(codec.most_signals),
    )
    for f, name in enumerate(codec.frames):
        if name == INPUT_FRAME:  # it may carry more than what is asked for
            for k, signal in enumerate(codec.signals[f]):
                if signal in PERMISSIVES:
                    robot.value_of[f, k] = N_ROBOT + PERMISSIVES.index(signal)
        if name in COMMAND_FRAMES:
            for k, signal in enumerate(codec.signals[f]):
                if signal in COMMAND:
                    robot.value_of[f, k] = COMMAND[signal]
                else:
                    problems.append(
                        Problem(
                            rig.dbc, 1, 1, f"{name}.{signal}", f"expected one of {', '.join(ROBOT_COMMANDS)}"
                        )
                    )
    if problems:
        raise ConfigError(problems)

    streams = [*STREAM_NAMES, *(f"jitter/{n}" for n in names), *stream_names(scenario.events)]
    seeds = [session.seed] * (len(STREAM_NAMES) + len(names)) + stream_seeds(scenario.events, session.seed)
    starts = np.array([stream_start(*pair) for pair in zip(seeds, streams, strict=True)], np.uint64)
    memory = np.zeros(1, MEMORY_DTYPE)
    memory[0]["row_of"] = [INDEX.get(f"output.{name}", -1) for name in OUTPUT_VALUES]
    memory[0]["row"] = np.nan
    return Plant(
        body=session.vehicle.body,
        tyre=session.vehicle.tyre,
        rig=record,
        run=run,
        memory=memory,
        x=x,
        last_valid_state=x.copy(),
        u=u,
        work=scratch(),
        line=session.line,
        road=session.road,
        road_profile=session.road_profile,
        codec=codec.table,
        robot=robot,
        out=out,
        lines=lines,
        actuators=actuators(),
        events=events_of(session, first_jitter + len(names)),
        triggers=triggers_of(session),
        frame_faults=frame_faults_of(session),
        past=np.zeros((len(scenario.events), 2, PAST)),
        inbox=frame_buffer(_ROWS),
        scratch_frames=frame_buffer(_ROWS),
        streams=starts.copy(),
        streams_0=starts,
        rings=_rings(session),
        imu=_imu(session),
    )


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


def _rings(session: Session) -> NDArray[np.void]:
    """(4,) tone rings front and rear, then those behind the pulse frames; without teeth if not modelled."""
    rings = np.zeros(4, RING_DTYPE)
    config = session.rig.sensors.wheel_speed.tone_ring
    if config is None:
        return rings
    # Without a window in edges or time, the reading is the last interval.
    longest = MOST_INTERVALS if config.averaging_ms is not None else 1
    for k, (name, teeth, radius, tyre) in enumerate(
        (
            ("front", config.teeth_front, config.rolling_radius_front_m, FRONT),
            ("rear", config.teeth_rear, config.rolling_radius_rear_m, REAR),
        )
    ):
        rings[k] = tone_ring(
            teeth,
            float(session.nominal.tyre[tyre]["radius"]) if radius is None else radius,
            seed=session.seed,
            name=name,
            pitch_error=config.pitch_error_pct * 0.01,
            eccentricity=config.eccentricity_pct * 0.01,
            window=longest if config.averaging_edges is None else config.averaging_edges,
            window_ns=None if config.averaging_ms is None else round(config.averaging_ms * 1e6),
            timeout_ns=round(config.timeout_ms * 1e6),
            timer_ns=config.timer_resolution_ns,
            resolution_m_s=config.resolution_m_s,
        )[0]
    carried = {s for name in session.outputs for s in session.codec.signals[session.codec.frame(name)]}
    if carried & {o.name for o in OUTPUTS if o.source == "wheel_pulses"}:
        rings[2:] = rings[:2]
    return rings


def _imu(session: Session) -> NDArray[np.void]:
    """(1,) the inertial unit."""
    config, outputs = session.rig.sensors.imu, session.rig.outputs
    # White noise without a low-pass has its density at the rate the triad is sampled at.
    rates_hz, force_hz = (
        outputs[name].rate_hz if name in outputs else 0.0 for name in ("imu_rates", "imu_force")
    )
    rates = Triad(
        noise_density=config.rate_noise_density_rad_s_sqrtHz,
        sample_hz=rates_hz,
        bias=config.rate_bias_rad_s,
        turn_on_bias=config.rate_turn_on_bias_rad_s,
        instability=config.rate_bias_instability_rad_s,
        correlation_s=config.rate_correlation_time_s,
        walk=config.rate_random_walk_rad_s2_sqrtHz,
        scale_error=_from_ppm(config.rate_scale_error_ppm),
        cross_axis=config.rate_cross_axis_rad,
        force_felt=config.rate_per_force_rad_s_per_m_s2,
        bias_per_kelvin=config.rate_bias_rad_s_per_K,
        scale_per_kelvin=_from_ppm(config.rate_scale_ppm_per_K),
        corner_hz=config.rate_corner_hz,
        damping=config.rate_damping,
        limit=math.inf if config.rate_range_rad_s is None else config.rate_range_rad_s,
        resolution=config.rate_resolution_rad_s,
    )
    force = Triad(
        noise_density=config.force_noise_density_m_s2_sqrtHz,
        sample_hz=force_hz,
        bias=config.force_bias_m_s2,
        turn_on_bias=config.force_turn_on_bias_m_s2,
        instability=config.force_bias_instability_m_s2,
        correlation_s=config.force_correlation_time_s,
        walk=config.force_random_walk_m_s3_sqrtHz,
        scale_error=_from_ppm(config.force_scale_error_ppm),
        cross_axis=config.force_cross_axis_rad,
        bias_per_kelvin=config.force_bias_m_s2_per_K,
        scale_per_kelvin=_from_ppm(config.force_scale_ppm_per_K),
        corner_hz=config.force_corner_hz,
        damping=config.force_damping,
        limit=math.inf if config.force_range_m_s2 is None else config.force_range_m_s2,
        resolution=config.force_resolution_m_s2,
    )
    warm, vibration = config.temperature, config.vibration
    road, radius = vibration.road, float(session.vehicle.tyre[FRONT]["radius"])
    return inertial_unit(
        rates,
        force,
        tick_s=_TICK_S,
        seed=session.seed,
        mount=turned(*config.misalignment_rad) @ turned(*(math.radians(a) for a in config.attitude_deg)),
        warming=None
        if warm is None
        else Warming(
            warm.start_degC - warm.calibrated_degC,
            warm.final_degC - warm.calibrated_degC,
            warm.time_constant_s,
        ),
        orders=[EngineOrder(e.order, e.amplitude_m_s2, e.at_rad_s) for e in vibration.engine_orders],
        road=None
        if road is None
        else RoadBand([a * radius for a in road.amplitude_m_s2_per_m_s], road.centre_hz, road.damping),
        streams=[STREAM_NAMES.index(name) for name in IMU_STREAMS],
    )


def _from_ppm(errors: Sequence[float]) -> list[float]:
    return [1e-6 * error for error in errors]


def _gain(time_constant_ms: float) -> float:
    """Share of the way a first-order lag goes in a tick: 1 - exp(-tick / time constant)."""
    return 1.0 - math.exp(-_TICK_S / (time_constant_ms * 1e-3)) if time_constant_ms > 0.0 else 1.0


def _rig_record(session: Session, heading: float, x: NDArray[np.float64]) -> NDArray[np.void]:
    """The rig's numbers; ``x`` is the bike at rest."""
    rig, scenario = session.rig, session.scenario
    record = np.zeros(1, RIG_DTYPE)
    r = record[0]
    r["imu_position"] = rig.sensors.imu.position_m
    r["lean_sigma"], r["lean_gain"] = rig.sensors.lean.noise_rad, _gain(rig.sensors.lean.time_constant_ms)
    computed = rig.sensors.lean.computed
    r["lean_computed"] = int(computed is not None)
    if computed is not None:
        r["lean_position"] = computed.position_m
        q = np.zeros(4)
        quaternion_of(*computed.mounting_rad, q)
        r["lean_axes"] = rotation_of(*q)
        # white noise of density N, sampled every tick
        r["lean_rate_sigma"] = computed.rate_noise_density_rad_s_sqrtHz / math.sqrt(_TICK_S)
        r["lean_force_sigma"] = computed.force_noise_density_m_s2_sqrtHz / math.sqrt(_TICK_S)
        r["lean_rate_bias"], r["lean_force_bias"] = computed.rate_bias_rad_s, computed.force_bias_m_s2
        r["lean_pull"] = _gain(computed.reference_time_constant_ms)
        told = computed.rolling_radius_m
        r["lean_radius"] = session.nominal.tyre[FRONT]["radius"] if told is None else told
        r["lean_crown"] = computed.crown_radius_m
    r["wheel_sigma"] = rig.sensors.wheel_speed.noise_m_s
    r["wheel_lowest"] = rig.sensors.wheel_speed.lowest_speed_m_s
    r["fork_sigma"] = rig.sensors.fork_angle.noise_rad
    for k, name in enumerate(ANALOGUE):
        r["analogue"][k] = _analogue(rig.sensors.analogue.get(name))
    r["analogue_at_rest"] = analogue_at_rest(session.vehicle.body[0], x)
    gnss = rig.sensors.gnss
    r["antenna_position"] = gnss.antenna_position_m
    r["gnss_errors"], r["gnss_fix"] = _gnss_errors(gnss), FIX_QUALITY[gnss.fix]
    r["gnss_course_sigma"], r["gnss_course_from"] = gnss.course_noise_rad, gnss.course_from_m_s
    r["gnss_best"], r["gnss_satellites"] = RANKS.index(gnss.fix), gnss.satellites
    r["gnss_ladder"][1:] = [ticks(time) for time in gnss.reacquisition_times_s]

    a = rig.actuators
    r["steer_gain"], r["steer_limit"] = _gain(a.steering.time_constant_ms), a.steering.limit_Nm
    r["steer_step"] = a.steering.rate_limit_Nm_s * _TICK_S
    r["throttle_gain"], r["clutch_gain"] = (
        _gain(a.throttle.time_constant_ms),
        _gain(a.clutch.time_constant_ms),
    )
    r["front_brake_gain"], r["rear_brake_gain"] = (
        _gain(a.front_brake.time_constant_ms),
        _gain(a.rear_brake.time_constant_ms),
    )
    r["front_brake_limit"], r["rear_brake_limit"] = (
        a.front_brake.limit_bar * 1e5,
        a.rear_brake.limit_bar * 1e5,
    )
    r["angle_driven"] = int(rig.steering == "angle_driven")

    r["heartbeat_ticks"] = ticks(rig.limits.heartbeat_timeout_ms * 1e-3)
    r["command_ticks"] = ticks(rig.limits.command_timeout_ms * 1e-3)
    r["ramp_ticks"] = ticks(rig.limits.ramp_to_rest_s)
    r["arming_ticks"] = ticks(rig.limits.arming_timeout_s)
    r["permissives"] = sum(1 << PERMISSIVES.index(name) for name in rig.permissives)
    r["permissive_ticks"] = ticks(rig.limits.permissive_timeout_ms * 1e-3)
    for k, name in enumerate(MONITORS):
        monitor = getattr(rig.monitors, name)
        if monitor is not None:
            r["monitor_ticks"][k] = max(1, ticks(monitor.for_ms * 1e-3))
            r["monitor_bound"][k] = getattr(monitor, "within_rad", getattr(monitor, "within_m_s", 0.0))
            r["monitor_trips"][k] = int(monitor.then == "trip")
    r["divergence_speed"] = rig.limits.divergence_speed_km_h / 3.6
    r["divergence_rate"] = rig.limits.divergence_rate_rad_s

    r["tow_acceleration"] = scenario.support.tow_acceleration_m_s2
    support = scenario.support
    # One of both is given: the schema's rule. What is not given is never reached.
    r["release_speed"] = math.inf if support.release_speed_km_h is None else support.release_speed_km_h / 3.6
    r["release_tick"] = NEVER if support.release_time_s is None else ticks(support.release_time_s)
    r["start_station"] = scenario.start.station_m
    r["finish_station"] = session.finish_station
    r["limit_ticks"] = ticks(scenario.duration_limit_s)
    r["heading"] = heading
    if scenario.wind is not None:
        # Wind comes *from* its direction, clockwise from north.
        direction = math.radians(scenario.wind.from_deg)
        r["wind_x"] = -scenario.wind.speed_m_s * math.sin(direction)
        r["wind_y"] = -scenario.wind.speed_m_s * math.cos(direction)
    r["half_width"] = 0.5 * session.width
    if rig.bus.bitrate is not None:
        r["bus_frame_ns"] = bits_ns(classical_bits(8), rig.bus.bitrate)
    return record


def _analogue(config: AnalogueSensor | None) -> Analogue:
    if config is None:
        return Analogue()
    low, high = (-math.inf, math.inf) if config.range is None else config.range
    return Analogue(config.noise, _gain(config.time_constant_ms), config.resolution, low, high)


def _gnss_errors(gnss: Gnss) -> NDArray[np.float64]:
    """(QUALITIES, 6) the receiver's errors by quality, columns as in Accuracy."""
    table = np.zeros((QUALITIES, len(Accuracy._fields)))
    for name, quality in FIX_QUALITY.items():
        if gnss.accuracy is None:
            table[quality] = Accuracy(
                noise_m=gnss.position_noise_m,
                noise_height_m=gnss.height_noise_m,
                velocity_m_s=gnss.speed_noise_m_s,
            )
        else:
            own = gnss.accuracy.get(name)  # type: ignore[call-overload]
            config = {} if own is None else own.model_dump(exclude_none=True)
            table[quality] = USUAL_ACCURACY[name]._replace(**config)
    return table
