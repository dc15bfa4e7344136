"""The robot of a test, on the kernel's CAN beside a bench: ``kernel_can_steps.py RIG RUN FOLDER``.

Starts the bench, answers like a robot, steps the steering four times a second during the ride, and writes
down to ``steps.json`` when each step was sent, when the ride was over, and when every frame of lateral force
came, by the kernel's own stamp. What it all means is worked out by who reads it. Before, cyclictest has the
machine for itself.
"""

from __future__ import annotations

import json
import math
import subprocess
import sys
import time
from pathlib import Path

import numpy as np

from emulator.assembly.session import load_session
from emulator.core.frame_buffer import frame_buffer
from emulator.core.signals import RUNNING
from emulator.links.python_can import can
from emulator.wire.can_frames import unpack
from tests.bench import lateness
from tests.support.scripted_robot import HELD_CLUTCH, ScriptedRobot

PERIOD_s = 0.01
STEP_EVERY_s = 0.25137  # no multiple of the tick: steps come at every phase of it
TORQUE_Nm = 100.0


def cyclictest_us(priority: int) -> list[float]:
    """Its wake-up lateness in ten seconds [us]: p50, p99, max."""
    options = lateness.arguments().parse_args([f"--priority={priority}", "--seconds=10"])
    late = lateness.cyclictest_turn("cyclictest", options, [])
    return [lateness.exact(late, fraction) for fraction in (0.5, 0.99, 1.0)]


def main(rig: Path, run: Path, folder: Path) -> int:
    """Exit status 0 if the bench ended by itself."""
    session = load_session(rig, run)
    codec = session.codec
    robot, frames = ScriptedRobot(codec), frame_buffer(8)
    force, state = (int(codec.table.can_id[codec.frame(n)]) for n in ("imu_force", "emulator_state"))
    steering = int(codec.table.can_id[codec.frame("steering")])
    values, place = np.zeros(codec.most_signals), codec.signal("emulator_state", "state")
    alone = cyclictest_us(session.rig.loop.priority)

    bus = can.Bus(interface="socketcan", channel=session.rig.bus.channel)
    command = [sys.executable, "-m", "emulator", "run", run, "--rig", rig, "--out", folder / "run"]
    asked: list[float] = []
    heard: list[tuple[float, str]] = []
    with (folder / "screen.txt").open("w") as screen:
        bench = subprocess.Popen(command, stdout=screen, stderr=screen, stdin=subprocess.DEVNULL)
        torque, running, next_send, next_step, over = 0.0, False, 0.0, math.inf, math.inf
        while bench.poll() is None:
            now = time.time()
            if now >= min(next_send, next_step):
                stepped = now >= next_step
                if stepped:
                    torque, next_step = TORQUE_Nm - torque, now + STEP_EVERY_s
                frames.count[0] = 0
                told = {"steering_torque_Nm": torque, "steering_angle_rad": 0.0}
                robot.send_all(frames, {**HELD_CLUTCH, "steering": told})
                ready = [
                    can.Message(
                        arbitration_id=int(frames.can_id[i]),
                        is_extended_id=False,
                        data=frames.data[i, : frames.length[i]].tobytes(),
                    )
                    for i in range(int(frames.count[0]))
                ]
                for message in ready:
                    if stepped and message.arbitration_id == steering:
                        asked.append(time.time())
                    bus.send(message)
                next_send = now + PERIOD_s
            while (message := bus.recv(0.0005)) is not None:
                if message.arbitration_id == force:
                    heard.append((message.timestamp, message.data.hex()))
                elif message.arbitration_id == state and over == math.inf:
                    data = np.zeros(64, np.uint8)
                    data[: len(message.data)] = np.frombuffer(message.data, np.uint8)
                    unpack(codec.table, codec.frame("emulator_state"), data, values)
                    if running and values[place] != RUNNING:
                        over, next_step = message.timestamp, math.inf
                    elif not running and values[place] == RUNNING:
                        running, next_step = True, time.time() + 1.0
                if time.time() >= min(next_send, next_step):
                    break
    bus.shutdown()
    (folder / "steps.json").write_text(
        json.dumps({"cyclictest": alone, "asked": asked, "over": over, "heard": heard})
    )
    return 0


if __name__ == "__main__":
    sys.exit(main(*map(Path, sys.argv[1:])))
