"""End to end: a step of the robot's steering, and the frame in which the robot first sees what came of it.

Bus, cycle, actuator, bike, sensor, delay line, frame: everything between the two is the real thing. On the
stepped clock it is known to the tick; in real time (marked timing) it is measured by a client on the virtual
bus with its own clock.
"""

from __future__ import annotations

import socket
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from emulator.assembly.session import Session, load_session
from emulator.core.errors import DeviceAbsent
from emulator.core.frame_buffer import frame_buffer
from emulator.core.link_protocols import CanLink
from emulator.core.signals import RUNNING
from emulator.links.can_bus import open_can
from emulator.links.can_bus_spec import CanBusSpec
from emulator.links.can_kernel import KernelLink
from emulator.shared_memory.rings import TX, FrameRecords
from emulator.wire.can_frames import unpack
from tests.support.bench_without_noise import BUS_MS, JUMP_m_s2, bench_without_noise
from tests.support.cycled import CycledRide
from tests.support.link_ends import ScriptedSocket, data_frame
from tests.support.scripted_robot import HELD_CLUTCH, ScriptedRobot, variant

TORQUE_Nm = 200.0
STEP = 1700
"""Cycle in which the frame with the step is received; the ride is 0.7 s old and towed."""
LATENCY_MS = {"imu_rates": 2.0, "imu_force": 7.0, "steering_angle": 12.0}
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


# --- in real time -----------------------------------------------------------------------------------------


def joined(port: int, bench: subprocess.Popen[bytes]) -> CanLink:
    """A link into the bench's bus as soon as it is there."""
    end = time.monotonic() + 60.0
    while True:
        try:
            return open_can(CanBusSpec("loopback", port=port))
        except DeviceAbsent:
            assert time.monotonic() < end, "no bus"
            assert bench.poll() is None, "the bench ended"
            time.sleep(0.1)


def measured_ages(session: Session, link: CanLink, bench: subprocess.Popen[bytes]) -> list[float]:
    """Be the robot until the bench ends; times from each step's frame to the frame that shows it [ms]."""
    robot, codec = ScriptedRobot(session.codec), session.codec
    f, place = codec.frame("imu_force"), codec.signal("imu_force", "force_y_m_s2")
    state_f, state = codec.frame("emulator_state"), codec.signal("emulator_state", "state")
    rx, tx, values = frame_buffer(256), frame_buffer(8), np.zeros(codec.most_signals)
    ages: list[float] = []
    last: list[float] = []
    torque, asked, next_send, next_step, running = 0.0, None, 0.0, float("inf"), False
    while bench.poll() is None and link.counts().alive:
        now = time.monotonic()
        if now >= next_step or now >= next_send:
            if now >= next_step:
                torque, asked, next_step = 100.0 - torque, now, now + 0.25
            steering = {"steering_torque_Nm": torque, "steering_angle_rad": 0.0}
            tx.count[0] = 0
            robot.send_all(tx, {**HELD_CLUTCH, "steering": steering})
            link.send(tx)
            next_send = now + 0.01
        rx.count[0] = 0
        link.receive(rx, 0)
        heard = time.monotonic()
        for i in range(int(rx.count[0])):
            if rx.can_id[i] == codec.table.can_id[state_f] and not running:
                unpack(codec.table, state_f, rx.data[i], values)
                running = values[state] == RUNNING
                if running:
                    next_step = heard + 1.0
            elif rx.can_id[i] == codec.table.can_id[f]:
                unpack(codec.table, f, rx.data[i], values)
                last = [*last[-2:], float(values[place])]
                if asked is not None and len(last) == 3 and abs(last[2] - 2 * last[1] + last[0]) > JUMP_m_s2:
                    ages.append((heard - asked) * 1e3)
                    asked = None
        time.sleep(5e-5)
    return ages


@pytest.mark.timing
def test_a_client_on_the_virtual_bus_sees_a_step_of_the_steering_in_time(tmp_path: Path) -> None:
    """Latency, at most one tick to the next sample, one until the loop reads the bus; and the bus."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    rig, run = bench_without_noise(tmp_path / "files", port)
    session = load_session(rig, run)
    command = [sys.executable, "-m", "emulator", "run", run, "--rig", rig, "--out", tmp_path / "run"]
    with (tmp_path / "screen.txt").open("w") as screen:
        bench = subprocess.Popen(command, stdout=screen, stderr=screen, stdin=subprocess.DEVNULL)
        try:
            link = joined(port, bench)
            ages = measured_ages(session, link, bench)
            link.close()
        finally:
            bench.terminate()
            bench.wait(60)
    assert len(ages) > 35, (tmp_path / "screen.txt").read_text()
    latency_ms = session.rig.outputs["imu_force"].latency_ms
    excess = np.array(ages) - latency_ms - 1.0
    print(f"{len(ages)} steps, age p50 {np.median(ages):.2f} ms, p99 {np.percentile(ages, 99):.2f} ms")
    assert min(ages) >= latency_ms - 0.1  # nothing is seen before its time
    assert np.percentile(excess, 99) <= 1.0 + BUS_MS
