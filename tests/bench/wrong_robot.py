"""A robot that rides well until it is told to go wrong: the reference robot, a flaw between it and the bus.

    python -m tests.bench.wrong_robot RIG SCENARIO PORT GNSS FLAW      goes wrong at SIGUSR1

A stranger to the bench: a process of its own that knows bus and GNSS port from the screen.
"""

from __future__ import annotations

import os
import signal
import sys
from pathlib import Path

import numpy as np

from emulator.assembly.link_specs import can_spec
from emulator.assembly.session import load_session, mission
from emulator.core.clock import MonotonicClock
from emulator.core.collector import stop_collector
from emulator.core.frame_buffer import FrameBuffer, frame_buffer
from emulator.core.link_protocols import CanLink, LinkCounts
from emulator.links.can_bus import open_can
from emulator.links.gnss_port import open_gnss_reader
from emulator.robot.mission import ReferenceRider
from emulator.robot.process import run_robot
from emulator.wire.can_frames import Codec, check, find, pack, protect

FLAWS = ("leaves", "falls silent", "sends damaged frames", "repeats itself", "steers wildly")


class Flawed:
    """A link to the bus that spoils what goes out once it is told to."""

    def __init__(self, link: CanLink, codec: Codec, flaw: str) -> None:
        self._link, self._codec, self._flaw = link, codec, flaw
        self._wrong = False
        self._last = frame_buffer(16)
        self._turns = 0

    def go_wrong(self, _number: int, _frame: object) -> None:
        """From now on."""
        self._wrong = True

    def receive(self, into: FrameBuffer, now_ns: int) -> int:
        return self._link.receive(into, now_ns)

    def counts(self) -> LinkCounts:
        return self._link.counts()

    def close(self) -> None:
        self._link.close()

    def send(self, frames: FrameBuffer) -> int:
        if not self._wrong:
            if frames.count[0] == self._last.count[0] or frames.count[0] > 2:
                for name in ("can_id", "length", "data", "count"):
                    getattr(self._last, name)[:] = getattr(frames, name)[: len(getattr(self._last, name))]
            return self._link.send(frames)
        self._turns += 1
        if self._flaw == "leaves":
            os._exit(0)
        if self._flaw == "falls silent":
            return int(frames.count[0])
        if self._flaw == "repeats itself":
            return self._link.send(self._last)
        for i in range(int(frames.count[0])):
            if self._flaw == "sends damaged frames":
                frames.data[i, 2] ^= 0x40
            else:
                self._steer_wildly(frames, i)
        return self._link.send(frames)

    def _steer_wildly(self, frames: FrameBuffer, i: int) -> None:
        table, f = self._codec.table, find(self._codec.table, frames.can_id[i])
        names = self._codec.signals[f]
        if "steering_torque_Nm" not in names:
            return
        counter = check(table, f, frames.data[i], frames.length[i])
        values = np.full(len(names), np.nan)
        values[names.index("steering_torque_Nm")] = 180.0
        pack(table, f, values, frames.data[i])
        protect(table, f, counter, frames.data[i])


def main() -> None:
    """Ride until told to end."""
    rig, scenario, port, gnss_path, flaw = sys.argv[1:]
    assert flaw in FLAWS, flaw
    asked: list[int] = []
    signal.signal(signal.SIGTERM, lambda number, _frame: asked.append(number))
    session = load_session(Path(rig), Path(scenario))
    rider = ReferenceRider(mission(session))
    rider.rehearse()
    bus = Flawed(open_can(can_spec(session.rig, session.codec, int(port))), session.codec, flaw)
    signal.signal(signal.SIGUSR1, bus.go_wrong)
    gnss = open_gnss_reader("pty", gnss_path)
    stop_collector()
    print("rides", flush=True)
    run_robot(rider, bus, gnss, MonotonicClock(0), lambda: bool(asked))


if __name__ == "__main__":
    main()
