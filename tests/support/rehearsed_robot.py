"""A scripted robot on a real bus that takes the postures it is asked for; sound, or with a flaw.

python -m tests.support.rehearsed_robot RIG PORT FLAW
"""

from __future__ import annotations

import math
import signal
import sys
from pathlib import Path

import numpy as np

from emulator.assembly.link_specs import can_spec
from emulator.config.rig.file import load_rig
from emulator.config.rig.frames import request_codec
from emulator.config.rig.outputs import USUAL_PERIODS_ms
from emulator.core.clock import MonotonicClock
from emulator.core.collector import stop_collector
from emulator.core.frame_buffer import frame_buffer
from emulator.core.signals import ROBOT_COMMANDS
from emulator.inspection.sensors.capture import level_session
from emulator.links.can_bus import open_can
from emulator.wire.can_frames import check, unpack
from emulator.wire.e2e import crc8_1d
from tests.support.scripted_robot import ScriptedRobot

FLAWS = {
    "none": set(),
    "angle with the other sign": {("sign", "steering_angle_rad")},
    "front brake ten times too large": {("scale", "front_brake_Pa")},
    "no frame drive": {("missing", "drive")},
    "wrong start value of the CRC of gear": {("crc", "gear")},
    "counter of steering stands": {("counter", "steering")},
    "half rate of drive": {("rate", "drive")},
    "brakes swapped": {("swapped", "front_brake_Pa")},
    "fork's zero off by 0.3 degrees": {("zero", "steering_angle_rad")},
}
"""What may be wrong with it, and what a rehearsal then says is the robot's."""
_ZERO_rad = math.radians(0.3)
_PERIOD_NS = 2_000_000


def main() -> None:
    """Sit on the bench until told to end."""
    rig_path, port, flaw = Path(sys.argv[1]), int(sys.argv[2]), sys.argv[3]
    assert flaw in FLAWS, flaw
    asked: list[int] = []
    signal.signal(signal.SIGTERM, lambda number, _frame: asked.append(number))
    rig, source = load_rig(rig_path)
    codec = level_session(rig_path).codec
    request = request_codec(rig, source)
    assert request is not None
    imu = int(codec.table.can_id[codec.frame("imu_rates")])
    robot, clock = ScriptedRobot(codec), MonotonicClock(0)
    rx, tx, row = frame_buffer(256), frame_buffer(16), np.zeros(request.most_signals)
    values = rest = dict.fromkeys(ROBOT_COMMANDS, 0.0) | {"clutch": 1.0, "gear_request": 1.0}
    link = open_can(can_spec(rig, codec, port))
    stop_collector()
    turn, heard, deadline = 0, 0, clock.now_ns()
    while not asked and link.counts().alive:
        deadline = max(deadline + _PERIOD_NS, clock.now_ns() - 10 * _PERIOD_NS)
        rx.count[0] = tx.count[0] = 0
        link.receive(rx, clock.sleep_until(deadline))
        for i in range(int(rx.count[0])):
            heard = turn if rx.can_id[i] == imu else heard
            if rx.can_id[i] == request.table.can_id[0] and check(request.table, 0, rx.data[i], 8) >= 0:
                unpack(request.table, 0, rx.data[i], row)
                number, amount = (row[request.signals[0].index(s)] for s in ("prompt", "amount"))
                values = rest | ({ROBOT_COMMANDS[int(number) - 1]: amount} if number else {})
        said = flawed(values, flaw)
        for name, period_ms in USUAL_PERIODS_ms.items():
            slower = 2.0 if (flaw, name) == ("half rate of drive", "drive") else 1.0
            if (flaw, name) != ("no frame drive", "drive") and turn % round(slower * period_ms / 2.0) == 0:
                if name == "gear" and turn - heard < 50:
                    robot.heartbeat = (robot.heartbeat + 1) % 65536
                if (flaw, name) == ("counter of steering stands", "steering"):
                    robot.alive[name] = 0
                n = robot.send(tx, name, said | {"heartbeat": float(robot.heartbeat)})
                if (flaw, name) == ("wrong start value of the CRC of gear", "gear"):
                    tx.data[n, 0] = crc8_1d(0xFF, tx.data[n], 1, int(tx.length[n]))
        link.send(tx)
        turn += 1
    link.close()


def flawed(values: dict[str, float], flaw: str) -> dict[str, float]:
    """The values as a robot with that flaw sends them."""
    said, angle = dict(values), values["steering_angle_rad"]
    if flaw == "brakes swapped":
        said |= {"front_brake_Pa": values["rear_brake_Pa"], "rear_brake_Pa": values["front_brake_Pa"]}
    elif flaw == "angle with the other sign":
        said["steering_angle_rad"] = -angle
    elif flaw == "front brake ten times too large":
        said["front_brake_Pa"] = 10.0 * values["front_brake_Pa"]
    elif flaw == "fork's zero off by 0.3 degrees":
        said["steering_angle_rad"] = angle + _ZERO_rad
    return said


if __name__ == "__main__":
    main()
