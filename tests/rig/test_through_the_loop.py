"""End to end: a step of the robot's steering, and the frame in which the robot first sees what came of it.

Bus, cycle, actuator, bike, sensor, delay line, frame: everything between the two is the real thing. On the
stepped clock it is known to the tick; in real time (marked timing) it is measured by a client on the virtual
bus with its own clock.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from cycled import CycledRide
from link_ends import ScriptedSocket, data_frame
from scripted_robot import HELD_CLUTCH, variant

from emulator.links.can_kernel import KernelLink
from emulator.rig.session import Session
from emulator.snapshot import TX, FrameRecords

TORQUE_Nm = 200.0
STEP = 1700
"""Cycle in which the frame with the step is received; the ride is 0.7 s old and towed."""
LATENCY_MS = {"imu_rates": 2.0, "imu_force": 7.0, "fork_angle": 12.0}
EVERY = 2
"""Ticks between two samples of each of them (500 Hz)."""


def ridden(session: Session, torque_Nm: float, step: int) -> FrameRecords:
    """All frames of a ride with a steering torque from cycle ``step`` on, and a little more."""
    far = ScriptedSocket()
    sock: Any = far
    link = KernelLink(sock, lambda: None, fd=False, switch_bitrate=False, receive_buffer=4096)

    def put(frames: list[tuple[int, bytes]]) -> None:
        far.incoming += [data_frame(*f) for f in frames]

    def before(cycle: int) -> None:  # called behind the robot's frames of this cycle
        if cycle == step - 1:
            steering = {"steering_torque_Nm": torque_Nm, "steering_angle_rad": 0.0}
            ride.commands = {**HELD_CLUTCH, "steering": steering}

    ride = CycledRide(session, link, put, before)
    ride.every = 1
    _, published = ride.run(STEP + 60)
    frames: FrameRecords = published["frames"]
    return frames


def test_a_step_of_the_steering_is_seen_in_the_first_sample_behind_it_at_the_configured_latency(
    session: Session,
) -> None:
    """The torque acts in the tick that receives it: force at once, rates and angle a tick later."""
    quick = session.rig.actuators.steering.model_copy(  # or the first millisecond is below a sensor's step
        update={"time_constant_ms": 0.1, "rate_limit_Nm_s": 1e6}
    )
    session = variant(
        session,
        rig={"actuators": session.rig.actuators.model_copy(update={"steering": quick})},
        outputs={name: {"latency_ms": ms} for name, ms in LATENCY_MS.items()},
    )
    quiet = ridden(session, 0.0, STEP)
    for step in (STEP, STEP + 1):
        stepped = ridden(session, TORQUE_Nm, step)
        for name, latency_ms in LATENCY_MS.items():
            can_id = session.codec.table.can_id[session.codec.frame(name)]
            a, b = ((f.can_id == can_id) & (f.direction == TX) for f in (quiet, stepped))
            tick = stepped.tick[b]
            assert tick.tolist() == quiet.tick[a].tolist()
            # without CRC and counter
            changed = np.any(quiet.data[a][:, 2:] != stepped.data[b][:, 2:], axis=1)
            first = int(np.argmax(changed))
            assert changed[first : first + 10].all(), name
            answers = step + (name != "imu_force")
            sampled = -(-answers // EVERY) * EVERY - CycledRide.START
            assert stepped.valid_ns[b][first] == sampled * 1_000_000, name
            assert tick[first] == sampled + latency_ms, name
