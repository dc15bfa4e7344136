"""The rig's sensors, actuators and limits as records of the compiled plant."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from emulator.assembly.session import Session
from emulator.config.rig.gnss import Gnss
from emulator.config.rig.sensors import AnalogueSensor
from emulator.config.scenario.schema import CAUGHT_UP_TO
from emulator.core.axes import quaternion_of, rotation_of
from emulator.core.keeping.kept_results import code_of, kept_numbers
from emulator.core.signals import ANALOGUE, OUTPUTS, SIGNALS, TICK_NS
from emulator.events.actuator_faults import actuators
from emulator.events.progress import NEVER, ticks
from emulator.plant.outputs import STREAM_NAMES, analogue_truth, stand_still
from emulator.plant.plausibility import MONITORS
from emulator.plant.records import RIG_DTYPE, RUN_DTYPE
from emulator.plant.row import fill_truth
from emulator.plant.states import PERMISSIVES
from emulator.sensors import imu as imu_module
from emulator.sensors.analogue import Analogue
from emulator.sensors.gnss import FIX_QUALITY, QUALITIES, USUAL_ACCURACY, Accuracy
from emulator.sensors.gnss_fix import RANKS
from emulator.sensors.imu import STREAMS as IMU_STREAMS
from emulator.sensors.imu import (
    EngineOrder,
    RoadBand,
    RoadTick,
    Triad,
    Warming,
    inertial_unit,
    tick_of_road,
    turned,
)
from emulator.sensors.wheel_speed import MOST_INTERVALS, RING_DTYPE, tone_ring
from emulator.vehicle.electronics.record import electronics_record
from emulator.vehicle.integrate import begin
from emulator.vehicle.params import Vehicle
from emulator.vehicle.state import FRONT, N_U, REAR, scratch

_TICK_S = TICK_NS * 1e-9


def tone_rings(session: Session) -> NDArray[np.void]:
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
    read_by_units = bool(session.rig.electronics.modelled)
    if read_by_units or carried & {o.name for o in OUTPUTS if o.source == "wheel_pulses"}:
        rings[2:] = rings[:2]
    return rings


def electronics_of(session: Session) -> NDArray[np.void]:
    """(1,) the bike's own electronics, those modelled that the rig says."""
    tyre, ring = session.nominal.tyre, session.rig.sensors.wheel_speed.tone_ring
    told = (None, None) if ring is None else (ring.rolling_radius_front_m, ring.rolling_radius_rear_m)
    front, rear = (
        float(tyre[which]["radius"]) if radius is None else radius
        for which, radius in zip((FRONT, REAR), told, strict=True)
    )
    return electronics_record(
        session.vehicle_file.values, set(session.rig.electronics.modelled), (front, rear), _TICK_S
    )


def inertial_unit_record(session: Session) -> NDArray[np.void]:
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
    band, radius = vibration.road, float(session.vehicle.tyre[FRONT]["radius"])
    road = None
    if band is not None:
        road = RoadBand([a * radius for a in band.amplitude_m_s2_per_m_s], band.centre_hz, band.damping)
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
        road=road,
        road_tick=None if road is None else _kept_tick(road),
        streams=[STREAM_NAMES.index(name) for name in IMU_STREAMS],
    )


def _kept_tick(road: RoadBand) -> RoadTick:
    """What a tick of the road's band is made of, worked out once: what it takes is slow to import."""
    made_from = (tuple(road.per_spin), road.centre_hz, road.damping)
    code = code_of((str(imu_module.__file__),))
    return kept_numbers("road_tick", made_from, code, lambda: tick_of_road(road, _TICK_S))


def _from_ppm(errors: Sequence[float]) -> list[float]:
    return [1e-6 * error for error in errors]


def _gain(time_constant_ms: float) -> float:
    """Share of the way a first-order lag goes in a tick: 1 - exp(-tick / time constant)."""
    return 1.0 - math.exp(-_TICK_S / (time_constant_ms * 1e-3)) if time_constant_ms > 0.0 else 1.0


def analogue_at_rest(vehicle: Vehicle, x: NDArray[np.float64]) -> list[float]:
    """What each sensor of ANALOGUE would show of a bike that stands in state ``x``, nobody touching it."""
    return kept_numbers("analogue", (vehicle, x), code_of(_sources()), lambda: _analogue_at_rest(vehicle, x))


@cache
def _sources() -> tuple[str, ...]:
    """Files of the code that decides what a bike at rest shows."""
    package = Path(__file__).parents[1]
    rooms = ("core", "events", "plant", "sensors", "vehicle")
    return tuple(sorted(str(path) for room in rooms for path in (package / room).rglob("*.py")))


def _analogue_at_rest(vehicle: Vehicle, x: NDArray[np.float64]) -> list[float]:
    row, work, run = np.full(len(SIGNALS), np.nan), scratch(), np.zeros(1, RUN_DTYPE)
    nobody, body, s = np.zeros(N_U), vehicle.body[0], work[0]
    begin(vehicle.body, vehicle.tyre, x, nobody, work)
    stand_still(s, np.zeros(6))
    fill_truth(row, run[0], body, x, nobody, actuators(), s)
    return [analogue_truth(k, body, x, s, row) for k in range(len(ANALOGUE))]


def rig_record(session: Session, heading: float, x: NDArray[np.float64]) -> NDArray[np.void]:
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
    r["fork_sigma"] = rig.sensors.steering_angle.noise_rad
    for k, name in enumerate(ANALOGUE):
        r["analogue"][k] = _analogue(rig.sensors.analogue.get(name))
    r["analogue_at_rest"] = analogue_at_rest(session.vehicle, x)
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
    r["fork_stands_in"], r["fork_limit"] = (
        int(a.fork is not None),
        session.vehicle.body[0]["steering_stop_angle"],
    )
    if a.fork is not None:
        r["fork_gain"], r["fork_step"] = _gain(a.fork.time_constant_ms), a.fork.rate_limit_rad_s * _TICK_S
        r["fork_resolution"] = a.fork.resolution_rad
    r["reaction_limit"] = math.inf if a.load_motor is None else a.load_motor.limit_Nm

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
    catch = -math.inf if support.catch_speed_km_h is None else support.catch_speed_km_h / 3.6
    r["catch_speed"], r["let_go_speed"] = catch, CAUGHT_UP_TO * catch
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
