"""What the bench promises, watched from outside on a real transport: a bus client with a clock of its own.

Minutes of a ride with every output on: EMULATOR_TEST_MINUTES, 1 if not set; 10 on a bench host.
"""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import threading
import time
from collections import defaultdict
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from emulator.assembly.session import load_session
from emulator.record.reader import read_run
from tests.bench.bench import ALL_OUTPUTS, RIG, RUN, command, short_scenario, variant
from tests.bench.probe import BusClient, Robot

pytestmark = pytest.mark.timing

# Wider than the demo rig's, for a busy desk: what is measured here is not when the rig trips.
PATIENT = (
    ("heartbeat_timeout_ms: 200.0", "heartbeat_timeout_ms: 2000.0"),
    ("command_timeout_ms: 150.0", "command_timeout_ms: 2000.0"),
    ("overrun_limit_ms: 100.0", "overrun_limit_ms: 1900.0"),
)
CIRCUIT = RUN.parents[1] / "circuits" / "ostrevel.yaml"
MINUTES = float(os.environ.get("EMULATOR_TEST_MINUTES", "1"))
MOST_PPM = 10.0
MOST_GROWTH_MiB_h = 1.0
SETTLED_S = 20.0
"""By then every process has done once what it does."""
COUNT_BLOCKS = """
import sys
if "emulator.stages.bench.child" in sys.orig_argv and "loop" in sys.orig_argv:
    import atexit, json, os
    import numpy as np
    from emulator.assembly.bench import Bench
    blocks, ticks, tick = np.zeros(100_000, np.int64), np.zeros(1, np.int64), Bench.finish_tick
    mark, count = blocks.data, ticks.data
    def counted(self, lateness_us, compute_us):
        n = count[0]
        if n % 500 == 0:
            mark[n // 500] = sys.getallocatedblocks()
        count[0] = n + 1
        return tick(self, lateness_us, compute_us)
    Bench.finish_tick = counted
    def told():
        with open(os.environ["BLOCKS_FILE"], "w") as file:
            json.dump(blocks[: count[0] // 500].tolist(), file)
    atexit.register(told)
"""
"""Runs in every child as it starts; in the loop's it counts Python's memory blocks twice a second."""


def free_port() -> int:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


def start(
    folder: Path, rig: str, scenario: str, **environment: str
) -> tuple[subprocess.Popen[str], Path, Path]:
    """A ride in real time, as the command line rides it; the record will be in ``folder / "run"``."""
    files = folder / "rig.yaml", folder / "run.yaml"
    for file, text in zip(files, (rig, scenario), strict=True):
        file.write_text(text)
    asked = command("ride", *map(str, files), str(folder / "run"), cores=sorted(os.sched_getaffinity(0)))
    ride = subprocess.Popen(asked, stdout=subprocess.PIPE, text=True, env={**os.environ, **environment})
    return ride, *files


def end(ride: subprocess.Popen[str], seconds: float) -> dict[str, object]:
    """How it ended; stopped in an orderly way if it did not by itself."""
    try:
        said, _ = ride.communicate(timeout=seconds)
    except subprocess.TimeoutExpired:
        ride.send_signal(signal.SIGINT)
        said, _ = ride.communicate(timeout=30.0)
    assert ride.returncode == 0, said
    outcome: dict[str, object] = json.loads(said.splitlines()[-1])
    return outcome


class Listener(threading.Thread):
    """A client that only listens: what came under each identifier, and when by this process' clock."""

    def __init__(self, port: int) -> None:
        super().__init__(daemon=True)
        self.port = port
        self.payloads: dict[int, list[bytes]] = defaultdict(list)
        self.times_ns: dict[int, list[int]] = defaultdict(list)

    def run(self) -> None:
        client = BusClient("127.0.0.1", self.port, patience_s=200.0)
        try:
            while True:
                frames = client.wait(60.0)
                now = time.monotonic_ns()
                for can_id, payload in frames:
                    self.payloads[can_id].append(payload)
                    self.times_ns[can_id].append(now)
        except ConnectionError:
            client.close()


class Memory(threading.Thread):
    """Anonymous resident memory of a process and its children once a second [KiB]."""

    def __init__(self, pid: int) -> None:
        super().__init__(daemon=True)
        self.pid, self.stop = pid, threading.Event()
        self.samples: dict[str, list[tuple[float, float]]] = defaultdict(list)

    def run(self) -> None:
        while not self.stop.wait(1.0):
            for pid in [self.pid, *self._children()]:
                try:
                    role = Path(f"/proc/{pid}/cmdline").read_bytes().split(b"\0")[3].decode()
                    status = Path(f"/proc/{pid}/status").read_text()
                except (OSError, IndexError):
                    continue
                kib = next((s.split()[1] for s in status.splitlines() if s.startswith("RssAnon")), None)
                if kib is not None:
                    name = role if role in ("loop", "recorder", "robot") else "supervisor"
                    self.samples[name].append((time.monotonic(), float(kib)))

    def _children(self) -> list[int]:
        try:
            text = Path(f"/proc/{self.pid}/task/{self.pid}/children").read_text()
        except OSError:
            return []
        return [int(pid) for pid in text.split()]


def rate_error_ppm(times_ns: NDArray[np.int64], rate_hz: float) -> float:
    """Error of the mean period by the receiver's clock.

    A way through a busy host only ever adds to a time, so the quickest arrivals of forty stretches tell it.
    """
    late = times_ns - times_ns[0] - np.arange(len(times_ns)) * (1e9 / rate_hz)
    stretches = [(s.mean(), late[s].min()) for s in np.array_split(np.arange(len(late)), 40)]
    n, least = np.array(stretches).T
    return float(np.polyfit(n, least, 1)[0] * rate_hz * 1e-3)


def growth(samples: list[tuple[float, float]]) -> tuple[float, float]:
    """Least-squares slope [MiB/h] of what came after SETTLED_S, and its standard error."""
    t, kib = np.array(samples).T
    rows = t - t[0] > SETTLED_S
    t, kib = t[rows] - t[rows].mean(), kib[rows]
    slope = float(t @ kib / (t @ t))
    left = kib - kib.mean() - slope * t
    error = float(np.sqrt(left @ left / (len(t) - 2) / (t @ t)))
    return slope * 3600.0 / 1024.0, error * 3600.0 / 1024.0


@pytest.mark.timeout(0)
def test_minutes_of_a_ride_with_every_output_on(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    port, hooks = free_port(), tmp_path / "hooks"
    hooks.mkdir()
    (hooks / "sitecustomize.py").write_text(COUNT_BLOCKS)
    rig = variant(RIG, ("port: 0", f"port: {port}"), ALL_OUTPUTS, *PATIENT)
    # Held upright and towed (24 m/s in 10 minutes), so that a robot starved on a busy desk does not end it;
    # on a straight, because a robot that is towed off its line has nothing to ride on and stops in the end
    towed = (
        (f"circuit: {CIRCUIT.resolve()}\nlaps: 1", "manoeuvre: {kind: straight, length_m: 15000.0}"),
        ("tow_acceleration_m_s2: 2.0", "tow_acceleration_m_s2: 0.04"),
        ("release_speed_km_h: 15.0", "release_speed_km_h: 100.0"),
    )
    scenario = short_scenario(60.0 * MINUTES, *towed)
    ride, *files = start(
        tmp_path, rig, scenario, PYTHONPATH=str(hooks), BLOCKS_FILE=str(tmp_path / "blocks.json"),
        PYTHONMALLOC="pymalloc",  # which alone counts its blocks
    )  # fmt: skip
    listener, memory = Listener(port), Memory(ride.pid)
    listener.start()
    memory.start()
    outcome = end(ride, 60.0 * MINUTES + 300.0)
    memory.stop.set()
    listener.join(10.0)
    session = load_session(files[0], files[1])
    certificate = json.loads((tmp_path / "run" / "certificate.json").read_text())
    frames = read_run(tmp_path / "run").frames

    said, wrong = [f"{outcome['ended']}, {MINUTES:g} minutes", str(certificate["loop"]["lateness_us"])], []
    for name in session.outputs:
        kept = certificate["outputs"][name]
        can_id = int(session.codec.table.can_id[session.codec.frame(name)])
        ours = (frames.can_id == can_id) & (frames.direction == 1)
        sent = [bytes(d[:n]) for d, n in zip(frames.data[ours], frames.length[ours], strict=True)]
        got, times = listener.payloads[can_id], np.array(listener.times_ns[can_id])
        received_ppm = rate_error_ppm(times[-len(sent) :], kept["rate_hz"])
        said.append(
            f"{name}: sent {kept['sent']}, kept {kept['kept_ppm']:+.2f} ppm, received {received_ppm:+.2f}, "
            f"age p50/p99/max {kept['age_ms_p50']:.2f}/{kept['age_ms_p99']:.2f}/{kept['age_ms_max']:.2f} ms"
        )
        if not (abs(kept["kept_ppm"]) <= MOST_PPM and abs(received_ppm) <= MOST_PPM):
            wrong.append(f"{name}: rate")
        if not (kept["sent"] == len(sent) and kept["lost"] == kept["disordered"] == 0):
            wrong.append(f"{name}: sent {kept['sent']}, recorded {len(sent)}, lost {kept['lost']}")
        if got[-len(sent) :] != sent:
            wrong.append(f"{name}: what was received is not what was sent")
    for role, samples in memory.samples.items():
        slope, error = growth(samples)
        said.append(f"{role}: {samples[-1][1] / 1024.0:.1f} MiB, {slope:+.2f} +- {error:.2f} MiB/h")
        # A short run can't tell a slope from one step of the allocator: three standard errors are its doubt.
        if not slope - 3.0 * error <= MOST_GROWTH_MiB_h:
            wrong.append(f"{role}: memory")
    assert set(memory.samples) == {"supervisor", "loop", "recorder", "robot"}
    blocks = np.array(json.loads((tmp_path / "blocks.json").read_text()))[int(2 * SETTLED_S) : -4]
    a_tick = float(np.polyfit(500.0 * np.arange(len(blocks)), blocks, 1)[0])
    assert blocks.min() > 0  # else nobody counts them
    said.append(f"loop: {a_tick:+.6f} blocks a tick, {blocks.min()} to {blocks.max()}")
    if not abs(a_tick) < 1e-3:  # one block a second; a leak of one a tick would be 1
        wrong.append("loop: allocations")
    with capsys.disabled():
        print("", *said, sep="\n  ")
    assert outcome["ended"] == "time_limit"
    assert not outcome["rig_problems"]
    assert wrong == []


@pytest.mark.timeout(0)
def test_age_on_the_receiving_side(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A robot's own clock: from a throttle step it sends until the engine frame that shows it has arrived.

    A step waits for the next tick, which it meets at any phase: the quickest answers are those that did not
    wait, so the least of many is the age itself, way there and back included.
    """
    port = free_port()
    rig = variant(
        RIG,
        ("port: 0", f"port: {port}"),
        ("kind: reference", "kind: external"),
        ("throttle: {time_constant_ms: 40.0}", "throttle: {time_constant_ms: 0.0}"),
        ("engine: {rate_hz: 100.0,", "engine: {rate_hz: 1000.0,"),
        *PATIENT,
    )
    still = ("tow_acceleration_m_s2: 2.0", "tow_acceleration_m_s2: 0.0")
    ride, *files = start(tmp_path, rig, short_scenario(21.0, still))
    robot = Robot(load_session(files[0], files[1]), port)
    times_ms = robot.response_us(20.0) * 1e-3
    end(ride, 60.0)
    kept = json.loads((tmp_path / "run" / "certificate.json").read_text())["outputs"]["engine"]
    latency = kept["latency_ms"]
    assert len(times_ms) > 500
    ages = times_ms + latency  # the robot takes the promised latency off
    least, median = float(ages.min()), float(np.median(ages))
    with capsys.disabled():
        print(
            f"\n  received: age {least:.2f} ms at least, median with its wait {median:.2f}; "
            f"certificate: p50 {kept['age_ms_p50']:.2f}, p99 {kept['age_ms_p99']:.2f} ms"
        )
    # The certificate's age ends at the bus; half a millisecond is for the way there and back.
    assert kept["age_ms_p50"] - 0.2 <= least + 0.1
    assert least <= kept["age_ms_p50"] + 0.5
    assert kept["age_ms_p50"] <= median <= kept["age_ms_p50"] + 1.5
