"""The bench at standstill in real time: what goes out and is kept; whole rehearsals on the virtual bus."""

from __future__ import annotations

import json
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest

from emulator.assembly.session import Session
from emulator.core.clock import MonotonicClock
from emulator.core.errors import RunFailed, Stopped
from emulator.core.frame_buffer import FrameBuffer
from emulator.core.link_protocols import LinkCounts
from emulator.core.signals import OUTPUT, STANDBY
from emulator.inspection.rehearsal.heard import values_of
from emulator.inspection.rehearsal.live import LiveExchange
from emulator.inspection.rehearsal.on_bench import read_bench, rehearse
from emulator.inspection.rehearsal.prompts import prompts_of
from emulator.inspection.sensors.capture import level_session
from emulator.wire.dbc_frames import load_codec
from tests.support.rehearsed_robot import FLAWS
from tests.support.scripted_robot import RIG, ScriptedRobot


class Wire:
    """A CAN link whose other end is the test: ``sent`` by the bench, and a robot's frames every ten turns."""

    def __init__(self, session: Session) -> None:
        self.robot, self.sent = ScriptedRobot(session.codec), []
        self.alive, self.turns = True, 0

    def receive(self, into: FrameBuffer, now_ns: int) -> int:
        self.turns += 1
        if self.turns % 10:
            return 0
        before = int(into.count[0])
        # whatever a robot commands, the emulated bike stands
        drive = {"throttle": 1.0, "clutch": 0.0, "front_brake_Pa": 0.0, "rear_brake_Pa": 0.0}
        self.robot.send_all(
            into, {"steering": {"steering_torque_Nm": 90.0}, "drive": drive, "gear": {"gear_request": 1.0}}
        )
        into.time_ns[before : int(into.count[0])] = now_ns
        return int(into.count[0]) - before

    def send(self, frames: FrameBuffer) -> int:
        n = int(frames.count[0])
        self.sent += [
            (time.monotonic_ns(), int(frames.can_id[i]), frames.data[i, : frames.length[i]].tobytes())
            for i in range(n)
        ]
        return n

    def counts(self) -> LinkCounts:
        return LinkCounts(0, 0, 0, 0, 0, self.alive)

    def close(self) -> None:
        pass


class Sink:
    """A GNSS port that keeps what it gets."""

    def __init__(self) -> None:
        self.bursts: list[bytes] = []

    def send(self, burst: bytes) -> bool:
        self.bursts.append(burst)
        return True

    def counts(self) -> LinkCounts:
        return LinkCounts(0, 0, 0, 0, 0, alive=True)

    def close(self) -> None:
        pass


def test_a_standing_bike_is_sent_whatever_the_robot_commands() -> None:
    session = level_session(RIG)
    request = load_codec(RIG.parent / session.rig.dbc, ["rehearsal_request"])
    wire, gnss, stop = Wire(session), Sink(), [""]
    codec = session.codec
    ids = {name: int(codec.table.can_id[codec.frame(name)]) for name in session.outputs}
    exchange = LiveExchange(session, wire, gnss, MonotonicClock(0), request, stopped=lambda: stop[0])
    with exchange:
        begin_ns = exchange.now_ns()
        exchange.request(prompts_of(session)[1])
        exchange.wait(0.25)
        exchange.leave_out("lean")
        exchange.wait(0.02)
        out_ns = exchange.now_ns()
        exchange.wait(0.2)
        back_ns = exchange.now_ns()
        exchange.leave_out("gnss")
        exchange.wait(0.25)
        end_ns, turns = exchange.now_ns(), wire.turns
        heard = exchange.heard(begin_ns, end_ns)
        stop[0] = "SIGINT"
        with pytest.raises(Stopped, match="by hand"):
            exchange.wait(1.0)
        stop[0], wire.alive = "", False
        with pytest.raises(RunFailed, match="bus is gone"):
            exchange.wait(5.0)
    times = {name: [at for at, i, _ in wire.sent if i == can_id] for name, can_id in ids.items()}
    assert all(times.values())
    assert not [at for at in times["lean"] if out_ns < at < back_ns]
    assert [at for at in times["lean"] if at > back_ns]
    assert [at for at in times["imu_rates"] if out_ns < at < back_ns]
    assert heard.frames["steering"].count == pytest.approx(turns / 10, abs=2)
    assert heard.strangers == {}

    def values(frame: str) -> np.ndarray:
        return values_of(codec, codec.frame(frame), [p for _, i, p in wire.sent if i == ids[frame]])

    state = values("emulator_state")[:, codec.signal("emulator_state", "state")]
    assert set(state) == {float(STANDBY)}
    assert not values("wheel_speed").any()
    assert np.abs(values("lean")).max() < 0.02
    assert np.abs(values("imu_rates")).max() < 0.02
    assert "gear" in OUTPUT
    prompts = values_of(request, 0, [p for _, i, p in wire.sent if i == request.table.can_id[0]])
    asked = prompts[-1]
    assert asked[request.signals[0].index("prompt")] == 2.0
    assert asked[request.signals[0].index("amount")] == pytest.approx(0.454, abs=1e-3)
    assert 8 <= prompts.shape[0] <= 40


@pytest.fixture
def external(tmp_path: Path) -> tuple[Path, int]:
    """The demo's rig for a robot of somebody else, short waits, on a free port."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    path = tmp_path / "rig.yaml"
    path.write_text(
        f"based_on: {RIG.resolve()}\n"
        "device_under_test: {kind: external, periods_ms: {steering: 2.0, drive: 10.0, gear: 20.0, "
        "estimate_pose: 10.0, estimate_motion: 10.0}}\n"
        f"bus: {{kind: loopback, host: 127.0.0.1, port: {port}}}\n"
        "rehearsal: {request_frame: rehearsal_request, listen_s: 1.0, answer_s: 0.25, silence_s: 0.25, "
        "notices: [imu_rates]}\n"
    )
    return path, port


@contextmanager
def scripted(rig: Path, port: int, flaw: str) -> Iterator[None]:
    """A robot that joins as soon as there is a bus."""
    program = (
        "import sys, time, socket\n"
        "port = int(sys.argv[2])\n"
        "while True:\n"
        "    try:\n"
        "        socket.create_connection(('127.0.0.1', port)).close(); break\n"
        "    except OSError:\n"
        "        time.sleep(0.05)\n"
        "from tests.support.rehearsed_robot import main\n"
        "main()\n"
    )
    process = subprocess.Popen([sys.executable, "-c", program, str(rig), str(port), flaw])
    try:
        yield
    finally:
        process.terminate()
        process.wait(10.0)


@pytest.mark.timing
@pytest.mark.parametrize("flaw", FLAWS)
def test_a_robot_on_the_virtual_bus(external: tuple[Path, int], flaw: str) -> None:
    rig, port = external
    with scripted(rig, port, flaw):
        session, _ = read_bench(rig)
        found = rehearse(session, rig, None, print)
    proven = {(f.kind, f.about) for f in found.findings if f.whose == "robot"}
    assert proven == FLAWS[flaw], found.findings
    assert found.result == ("sound" if flaw == "none" else "defects")


@pytest.mark.timing
def test_the_reference_robot_passes_by_the_command_line(tmp_path: Path) -> None:
    words = [sys.executable, "-m", "emulator", "rehearse", str(RIG.resolve()), "--yes", "--json"]
    ended = subprocess.run(words, cwd=tmp_path, capture_output=True, text=True, timeout=200, check=False)
    assert ended.returncode == 0, ended.stdout + ended.stderr
    told = json.loads(ended.stdout)
    assert told["result"] == "sound"
    assert "not a safety function" in ended.stderr
    assert (tmp_path / told["page"]).read_text().count("SOUND") == 1
