"""Frames and sentences of a bike that stands, and of one in a steady left-hand bend: what signs are shown by.

The bench's own tick makes them, with sensors at the rig's places that have no errors: senses, delay lines,
packing, counters and CRC are those of a ride. The bench stands by meanwhile, so the physics stands still and
the bend is put on the bike; what only flows while it rides, such as the chain's torque, shows 0.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from emulator.assembly.bench import Bench
from emulator.assembly.session import Session
from emulator.config.rig.file import Rig
from emulator.config.rig.outputs import commands_in
from emulator.config.rig.sensors import Imu, LeanSensor, SteeringAngleSensor
from emulator.core.frame_buffer import FrameBuffer, frame_buffer
from emulator.core.signals import TICK_NS
from emulator.inspection.interface import description
from emulator.inspection.interface.description import Sample
from emulator.inspection.interface.frames import Values, read_sample, sample_of
from emulator.inspection.sensors.imposed_motion import SteadyTurn
from emulator.inspection.sensors.survey import steady_turn
from emulator.vehicle.driveline import engine_torque, lowest_gear, overall_ratio
from emulator.vehicle.params import Vehicle
from emulator.vehicle.state import (
    ENGINE,
    JOINT,
    JOINT_RATE,
    REAR_WHEEL,
    STEER,
    U_DRIVE_TORQUE,
    U_STEER_TORQUE,
)

SPEED_m_s, LEAN_rad = 20.0, math.radians(-30.0)
"""Of the bend: 72 km/h, 30 degrees to the left."""

_SETTLED_s = 3.0  # lags, filters and latencies are over, and every output was sent
_USUAL_SPEED = 0.6  # of the engine's limiter, to choose a gear by
_TICK_s = TICK_NS * 1e-9


@dataclass(frozen=True)
class Samples:
    """Samples by frame, standing first; the bend they are of, and the receiver's sentences in it."""

    frames: dict[str, list[Sample]]
    bend: description.Bend
    sentences: bytes


def bend_of(session: Session) -> SteadyTurn:
    """The bend on a level road. Raises ValueError for a vehicle that can't hold it."""
    steady = steady_turn(session, SPEED_m_s, LEAN_rad)
    return SteadyTurn(steady, float(session.vehicle.body[0]["gravity"]))


def samples_of(session: Session, turn: SteadyTurn) -> Samples:
    """Samples of every frame of a rig on a level road, standing and in a steady turn."""
    session, steady = replace(session, rig=without_errors(session.rig)), turn.steady
    wheel = float(steady.x[JOINT_RATE + REAR_WHEEL])
    gear = gear_for(session.vehicle, wheel)
    engine = wheel * overall_ratio(session.vehicle.body[0], gear)
    commands = {
        "standing": _standing(),
        "bend": {
            "steering_torque_Nm": float(steady.u[U_STEER_TORQUE]),
            "steering_angle_rad": float(steady.x[JOINT + STEER]),
            "throttle": _throttle(session.vehicle, engine, float(steady.u[U_DRIVE_TORQUE]), gear),
            "clutch": 0.0,
            "front_brake_Pa": 0.0,
            "rear_brake_Pa": 0.0,
            "gear_request": float(gear),
            "heartbeat": 2.0,
            "estimate_x_m": 0.0,
            "estimate_y_m": 0.0,
            "estimate_heading_rad": 0.0,
            "estimate_roll_rad": turn.attitude[0],
            "estimate_speed_m_s": turn.speed,
        },
    }
    frames: dict[str, list[Sample]] = {name: [] for name in session.codec.frames}
    for situation, values in commands.items():
        for name in session.codec.frames:
            if name not in session.rig.outputs:
                inputs: dict[str, float] = dict.fromkeys(map(str, session.rig.permissives), 1.0)
                frames[name].append(sample_of(session.codec, name, situation, {**values, **inputs}))
    _, standing, _ = _listen(session, commands["standing"], lambda _bench: None)

    def begin(bench: Bench) -> None:
        bench.plant.x[ENGINE] = engine
        bench.plant.run[0]["gear"] = gear

    sentences, turning, said_s = _listen(session, commands["bend"], begin, turn.impose)
    for situation, heard in (("standing", standing), ("bend", turning)):
        for name in session.outputs:
            frames[name].append(read_sample(session.codec, name, situation, heard[name]))
    bend = description.Bend(
        speed_m_s=turn.speed,
        lean_rad=turn.attitude[0],
        radius_m=1.0 / steady.curvature,
        yaw_rate_rad_s=steady.yaw_rate,
        gear=gear,
        heading_rad=turn.heading(said_s),
    )
    return Samples(frames, bend, sentences)


def without_errors(rig: Rig) -> Rig:
    """The same rig with sensors that show what is there: at their places, in their steps, without errors."""
    sensors = rig.sensors
    imu, wheels, gnss = sensors.imu, sensors.wheel_speed, sensors.gnss
    ring = wheels.tone_ring
    if ring is not None:
        ring = ring.model_copy(update={"pitch_error_pct": 0.0, "eccentricity_pct": 0.0})
    noise = ("position_noise_m", "height_noise_m", "speed_noise_m_s", "course_noise_rad", "jitter_ms")
    exact = {
        "imu": Imu(position_m=imu.position_m, attitude_deg=imu.attitude_deg),
        "lean": LeanSensor(),
        "wheel_speed": wheels.model_copy(update={"noise_m_s": 0.0, "tone_ring": ring}),
        "steering_angle": SteeringAngleSensor(),
        "gnss": gnss.model_copy(update={**dict.fromkeys(noise, 0.0), "accuracy": None}),
        "analogue": {},
    }
    return rig.model_copy(update={"sensors": sensors.model_copy(update=exact)})


def gear_for(vehicle: Vehicle, wheel: float) -> int:
    """The lowest gear in which the engine turns easily at a rear wheel speed [rad/s], else the highest."""
    body = vehicle.body[0]
    return lowest_gear(body, wheel, _USUAL_SPEED * float(body["engine_limiter_speed"]))


def _throttle(vehicle: Vehicle, engine: float, drive_torque: float, gear: int) -> float:
    """Opening that drives the wheel with a torque [N m] in a gear, at an engine speed [rad/s]."""
    body = vehicle.body[0]
    closed, wide = (engine_torque(body, engine, opening, 0.0) for opening in (0.0, 1.0))
    wanted = (drive_torque / overall_ratio(body, gear) - closed) / (wide - closed)
    return min(1.0, max(0.0, wanted))


def _standing() -> Values:
    """What a robot asks for that only sits on the bike."""
    zeros = (
        *("steering_torque_Nm", "steering_angle_rad", "throttle", "front_brake_Pa", "rear_brake_Pa"),
        *("estimate_x_m", "estimate_y_m", "estimate_heading_rad", "estimate_roll_rad", "estimate_speed_m_s"),
    )
    return {**dict.fromkeys(zeros, 0.0), "clutch": 1.0, "gear_request": 1.0, "heartbeat": 1.0}


def _listen(
    session: Session,
    commands: Values,
    begin: Callable[[Bench], None],
    motion: Callable[[float, NDArray[np.float64]], None] | None = None,
) -> tuple[bytes, dict[str, bytes], float]:
    """The last sentences and frames of a bench that stands by, and when the sentences were valid [s].

    commands  of the robot, heard once
    begin     is given the bench before its first tick
    motion    put on the bike before each tick
    """
    bench = Bench(session)
    begin(bench)
    codec = session.codec
    rx, tx = _frames(session, commands), frame_buffer(64)
    names = {int(i): name for i, name in zip(codec.table.can_id, codec.frames, strict=True)}
    heard: dict[str, bytes] = {}
    sentences, valid_ns = b"", 0
    first = bench.tick_number + 1
    for k in range(round(_SETTLED_s / _TICK_s)):
        if motion is not None:
            motion(k * _TICK_s, bench.plant.x)
        bench.tick(rx, tx, 0.0, 0.0)
        rx.count[0] = 0
        for n in range(int(tx.count[0])):
            heard[names[int(tx.can_id[n])]] = tx.data[n, : tx.length[n]].tobytes()
        bench.take_events()
        if burst := bench.take_gnss():
            sentences, valid_ns = burst, bench.gnss_valid_ns
    return sentences, heard, (valid_ns - first * TICK_NS) * 1e-9


def _frames(session: Session, commands: Values) -> FrameBuffer:
    """The robot's frames."""
    taken = commands_in(session.codec.frames)
    codec, rx = session.codec, frame_buffer(len(taken))
    for n, name in enumerate(taken):
        payload = bytes.fromhex(sample_of(codec, name, "", commands).hex)
        rx.can_id[n], rx.length[n] = codec.table.can_id[codec.frame(name)], len(payload)
        rx.data[n, : len(payload)] = np.frombuffer(payload, np.uint8)
    rx.count[0] = len(taken)
    return rx
