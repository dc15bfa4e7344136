"""Measures a bench from outside: a bus client of its own that stamps what it sends and what it sees.

It knows the socketcand text protocol and the DBC, and shares no code with the bench's links.
"""

from __future__ import annotations

import contextlib
import random
import select
import socket
import time
from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from emulator.assembly.session import Session
from emulator.core.frame_buffer import frame_buffer
from emulator.wire.can_frames import unpack
from tests.support.scripted_robot import HELD_CLUTCH, ScriptedRobot

_RUNNING = 2  # bench state in the DBC
_LOW, _HIGH = 0.2, 0.6  # throttle positions stepped between
_KEEP_ALIVE_NS = 10_000_000
_LOST_NS = 500_000_000


Alive = Callable[[], bool]
"""Whether the process at the other end still runs; there is nothing to wait for when it does not."""


class BusClient:
    """One participant of the virtual bus, on a blocking socket."""

    def __init__(
        self, host: str, port: int, bus: str = "can0", patience_s: float = 60.0, alive: Alive = lambda: True
    ) -> None:
        until = time.monotonic() + patience_s
        while True:
            try:
                self.socket = socket.create_connection((host, port), timeout=5.0)
                break
            except ConnectionRefusedError:
                if time.monotonic() > until or not alive():
                    raise
                time.sleep(0.05)
        self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._text = b""
        self._answer(b"< hi >")
        for command in (b"< open %b >" % bus.encode(), b"< rawmode >"):
            self.socket.sendall(command)
            self._answer(b"< ok >")
        self.socket.sendall(b"< echo >")  # frames start with the command after rawmode
        self._answer(b"< echo >")

    def _answer(self, expected: bytes) -> None:
        while b">" not in self._text:
            self._text += self.socket.recv(4096)
        answer, _, self._text = self._text.partition(b">")
        if answer.strip() + b" >" != expected:
            raise RuntimeError(f"expected {expected!r} from the bus, got {answer!r}")

    def send(self, text: bytes) -> None:
        """Frames as text, see :func:`frame_text`."""
        self.socket.sendall(text)

    def wait(self, seconds: float) -> list[tuple[int, bytes]]:
        """Frames (identifier, payload) of the next read; none after ``seconds``."""
        if not select.select([self.socket], [], [], max(0.0, seconds))[0]:
            return []
        data = self.socket.recv(65536)
        if not data:
            raise ConnectionResetError("the bus closed the connection")
        *pieces, self._text = (self._text + data).split(b">")
        fields = [piece.split() for piece in pieces]
        return [(int(f[2], 16), bytes.fromhex(b"".join(f[4:]).decode())) for f in fields if f[1] == b"frame"]

    def close(self) -> None:
        """Leave the bus."""
        self.socket.close()


def frame_text(can_id: int, payload: bytes) -> bytes:
    """One frame as the protocol writes it."""
    return b"< send %03X %d %b >" % (can_id, len(payload), payload.hex(" ").encode())


def echo(port: int) -> None:
    """Send every frame back under the next identifier until the bus is gone."""
    client = BusClient("127.0.0.1", port)
    with contextlib.suppress(ConnectionError):
        while True:
            for can_id, payload in client.wait(3600.0):
                client.send(frame_text(can_id + 1, payload))


def round_trips_us(port: int, count: int, alive: Alive = lambda: True) -> NDArray[np.float64]:
    """Time from sending a frame until the echo of another participant is back, (count,) [us]."""
    client = BusClient("127.0.0.1", port)
    times = []
    for _ in range(300):  # until the other one has joined
        client.send(frame_text(0x200, b""))
        if client.wait(0.2):
            break
        if not alive():
            raise ConnectionError("the echo is gone")
    else:
        raise TimeoutError("no echo within a minute")
    while client.wait(0.5):
        pass
    for n in range(count):
        text, expected = frame_text(0x100, n.to_bytes(8, "big")), [(0x101, n.to_bytes(8, "big"))]
        begun = time.monotonic_ns()
        client.send(text)
        got = client.wait(5.0)
        times.append((time.monotonic_ns() - begun) * 1e-3)
        if got != expected:
            raise TimeoutError(f"expected the echo {expected}, got {got} within 5 s")
        time.sleep(0.0005)
    client.close()
    return np.array(times)


class _Answers:
    """Frames of the bench, decoded as the robot would."""

    def __init__(self, session: Session) -> None:
        self._codec = session.codec
        self._ids = {int(session.codec.table.can_id[session.codec.frame(n)]): n for n in session.outputs}
        self._values = np.zeros(session.codec.most_signals)

    def rehearse(self) -> None:
        for can_id, name in self._ids.items():
            self.value((can_id, bytes(8)), name, self._codec.signals[self._codec.frame(name)][0])

    def value(self, frame: tuple[int, bytes], name: str, signal: str) -> float | None:
        if self._ids.get(frame[0]) != name:
            return None
        codec = self._codec
        unpack(codec.table, codec.frame(name), np.frombuffer(frame[1], np.uint8), self._values)
        return float(self._values[codec.signal(name, signal)])


class Robot:
    """A robot that holds the clutch and moves the throttle, and times when the engine frame shows it."""

    def __init__(self, session: Session, port: int, alive: Alive = lambda: True) -> None:
        self._latency_us = session.rig.outputs["engine"].latency_ms * 1e3
        self._answers = _Answers(session)
        self._script = ScriptedRobot(session.codec)
        # What is compiled is called once before the bench hears us: a robot that stalls then is a robot lost.
        self._texts(_LOW)
        self._answers.rehearse()
        self._client = BusClient("127.0.0.1", port, alive=alive)
        self.lost = 0

    def _texts(self, throttle: float) -> bytes:
        frames = frame_buffer(8)
        self._script.send_all(
            frames, {**HELD_CLUTCH, "drive": {**HELD_CLUTCH["drive"], "throttle": throttle}}
        )
        return b"".join(
            frame_text(int(frames.can_id[n]), frames.data[n, : frames.length[n]].tobytes())
            for n in range(int(frames.count[0]))
        )

    def _frames(self, seconds: float) -> Iterator[tuple[int, bytes]]:
        yield from self._client.wait(seconds)

    def response_us(self, seconds: float) -> NDArray[np.float64]:
        """Until a throttle step shows, less the engine frame's latency [us]; for ``seconds`` of the ride.

        Behind that it holds the last throttle until the bus is closed: a robot that leaves ends the ride.
        """
        phases = random.Random(1)
        throttle, sent_ns, running = _LOW, 0, False
        keep_ns = step_ns = end_ns = time.monotonic_ns()
        times = []
        with contextlib.suppress(ConnectionError):  # the ride's end closes the bus
            while True:
                now = time.monotonic_ns()
                if running and not sent_ns and step_ns <= now < end_ns:
                    throttle = _HIGH if throttle == _LOW else _LOW
                    text = self._texts(throttle)
                    sent_ns = time.monotonic_ns()
                    self._client.send(text)
                    keep_ns = sent_ns + _KEEP_ALIVE_NS
                elif now >= keep_ns:
                    self._client.send(self._texts(throttle))
                    keep_ns = now + _KEEP_ALIVE_NS
                elif sent_ns and now - sent_ns > _LOST_NS:
                    self.lost, sent_ns = self.lost + 1, 0
                # to the step and no longer: whoever only looks when a frame of the bench has come in steps
                # always at the same phase of its tick
                until_ns = keep_ns if sent_ns or now >= end_ns else min(keep_ns, step_ns)
                frames = self._client.wait((until_ns - now) * 1e-9)
                seen_ns = time.monotonic_ns()
                for frame in frames:
                    shown = self._answers.value(frame, "engine", "throttle")
                    if sent_ns and shown is not None and abs(shown - throttle) < 0.01:
                        times.append((seen_ns - sent_ns) * 1e-3 - self._latency_us)
                        sent_ns, step_ns = 0, seen_ns + phases.randint(5_000_000, 15_000_000)
                    if not running and self._answers.value(frame, "emulator_state", "state") == _RUNNING:
                        running, end_ns = True, seen_ns + int(seconds * 1e9)
        self._client.close()
        return np.array(times)
