"""Which signal of which frame is which value: outputs with their delay lines, and the robot's frames."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from emulator.assembly.link_specs import gnss_lead_ns
from emulator.assembly.session import Session
from emulator.config.rig.bus_load import wire_ns
from emulator.config.rig.gnss import Gnss
from emulator.config.rig.outputs import COMMAND_FRAMES, INPUT_FRAME, Output
from emulator.core.signals import (
    COMMAND,
    GNSS_VALUES,
    OUTPUT,
    R_HEARTBEAT,
    R_STEER_ANGLE,
    R_STEER_TORQUE,
    R_THROTTLE,
    ROBOT_COMMANDS,
    measured_with,
)
from emulator.plant.commands import N_ROBOT, STRANGERS, WATCHES, RobotFrames
from emulator.plant.events import sensor_of
from emulator.plant.states import N_PERMISSIVES, PERMISSIVES
from emulator.sensors.sampling import DelayLines, outputs


def output_tables(
    session: Session, names: Sequence[str], first_jitter: int
) -> tuple[NDArray[np.void], DelayLines]:
    """What each output sends and when, and the delay lines its samples wait in."""
    rig, codec = session.rig, session.codec
    timings: list[Output | Gnss] = [*(rig.outputs[n] for n in session.outputs), rig.sensors.gnss]
    latencies = [round(t.latency_ms * 1e6) for t in timings]
    latencies[-1] -= gnss_lead_ns(rig)
    out, lines = outputs(
        [t.rate_hz for t in timings],
        latencies,
        [round(t.jitter_ms * 1e6) for t in timings],
        first_jitter,
    )
    out["wire_ns"][:-1] = [wire_ns(rig, codec, name) for name in session.outputs]
    for o, name in enumerate(names):
        signals = GNSS_VALUES if name == "gnss" else codec.signals[codec.frame(name)]
        out[o]["frame"] = -1 if name == "gnss" else codec.frame(name)
        families: list[int] = []
        for k, signal in enumerate(signals):
            out[o]["value_of"][k] = v = OUTPUT[signal]
            if name != "gnss":
                out[o]["absent"][k] = signal in rig.outputs[name].absent
            first = measured_with(v)
            if first not in families:
                families.append(first)
        out[o]["family"][: len(families)] = families
        for first in families:
            out[o]["sensors"] |= sensor_of(first)
    return out, lines


def robot_frames(session: Session) -> RobotFrames:
    """Which signal of the robot's frames and of the bench's inputs is which command or permissive."""
    rig, codec = session.rig, session.codec
    robot = RobotFrames(
        value_of=np.full((len(codec.frames), codec.most_signals), -1, np.int64),
        is_robot=np.array([int(name in (*COMMAND_FRAMES, INPUT_FRAME)) for name in codec.frames], np.int64),
        alive=np.full(len(codec.frames), -1, np.int64),
        counts=np.zeros((len(codec.frames), 4), np.int64),
        silences=np.zeros((len(codec.frames), 3), np.int64),
        carries=np.zeros((len(codec.frames), len(WATCHES)), np.int64),
        since=np.zeros((len(WATCHES), 6), np.int64),
        renewed=np.full(len(WATCHES), -1, np.int64),
        stranger_ids=np.zeros(STRANGERS, np.int64),
        strangers=np.zeros(STRANGERS + 1, np.int64),
        inputs=np.full(N_PERMISSIVES + 1, np.nan),
        robot=np.full(len(ROBOT_COMMANDS), np.nan),
        values=np.zeros(codec.most_signals),
    )
    steering = R_STEER_ANGLE if rig.steering == "angle_driven" else R_STEER_TORQUE
    watched = (R_HEARTBEAT, steering, R_THROTTLE)  # in the order of WATCHES
    for f, name in enumerate(codec.frames):
        if name == INPUT_FRAME:  # it may carry more than what is asked for
            for k, signal in enumerate(codec.signals[f]):
                if signal in PERMISSIVES:
                    robot.value_of[f, k] = N_ROBOT + PERMISSIVES.index(signal)
                elif signal == rig.local_enable:
                    robot.value_of[f, k] = N_ROBOT + N_PERMISSIVES
        if name in COMMAND_FRAMES:
            for k, signal in enumerate(codec.signals[f]):
                robot.value_of[f, k] = COMMAND[signal]
                if COMMAND[signal] in watched:
                    robot.carries[f, watched.index(COMMAND[signal])] = 1
    return robot
