"""Far ends for link tests: the virtual bus in a thread, a scripted serial CAN adapter, frame helpers."""

from __future__ import annotations

import os
import socket
import struct
import threading
import time
import tty
from collections.abc import Callable
from pathlib import Path
from typing import Any

from emulator.core.frame_buffer import FrameBuffer, frame_buffer
from emulator.core.link_protocols import CanLink
from emulator.links.loopback import BusServer, BusServerCounts, listen

Frame = tuple[int, bytes]
EXTENDED = 1 << 31


def open_descriptors() -> dict[str, str]:
    found = {}
    for entry in Path("/proc/self/fd").iterdir():
        try:
            found[entry.name] = os.readlink(entry)
        except OSError:
            continue  # the one that lists the folder
    return found


def wait_until(condition: Callable[[], object], what: str, seconds: float = 10.0) -> None:
    """Poll; the limit is generous because it only decides how long a failure takes."""
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, f"not within {seconds} s: {what}"
        time.sleep(0.0005)


def fill(buffer: FrameBuffer, frames: list[Frame]) -> FrameBuffer:
    buffer.count[0] = len(frames)
    for row, (can_id, payload) in enumerate(frames):
        buffer.can_id[row] = can_id
        buffer.length[row] = len(payload)
        buffer.data[row] = 0
        buffer.data[row, : len(payload)] = list(payload)
    return buffer


def outgoing(frames: list[Frame]) -> FrameBuffer:
    return fill(frame_buffer(max(1, len(frames))), frames)


def content(buffer: FrameBuffer) -> list[Frame]:
    return [
        (int(buffer.can_id[row]), buffer.data[row, : buffer.length[row]].tobytes())
        for row in range(int(buffer.count[0]))
    ]


def receive(link: CanLink, count: int, rows: int = 256) -> list[Frame]:
    """Poll the link until ``count`` frames are there."""
    into = frame_buffer(rows)
    wait_until(lambda: link.receive(into, 1) * 0 + int(into.count[0]) >= count, f"{count} frames")
    return content(into)


class ScriptedSocket:
    """Gives what is queued in ``incoming`` (frames or errors); sends until ``refusal`` is set."""

    def __init__(self) -> None:
        self.incoming: list[bytes | OSError] = []
        self.sent: list[bytes] = []
        self.refusal: OSError | None = None

    def setblocking(self, _blocking: bool) -> None: ...

    def setsockopt(self, *_option: int) -> None: ...

    def recvmsg(self, _size: int, _ancillary: int) -> tuple[bytes, list[Any], int, None]:
        if not self.incoming:
            raise BlockingIOError
        got = self.incoming.pop(0)
        if isinstance(got, OSError):
            raise got
        return got, [], 0, None

    def send(self, frame: bytes) -> int:
        if self.refusal is not None:
            raise self.refusal
        self.sent.append(frame)
        return len(frame)


def data_frame(can_id: int, payload: bytes) -> bytes:
    """As the kernel hands it over (struct can_frame)."""
    return struct.pack("=IB3x8s", can_id, len(payload), payload)


def error_frame(kind: int, controller: int = 0) -> bytes:
    """An error frame of a class, with the controller's state."""
    return data_frame(0x20000000 | kind, bytes([0, controller, 0, 0, 0, 0, 0, 0]))


class VirtualBus:
    """The bus server in a thread."""

    def __init__(self, **options: int) -> None:
        sockets = listen()
        self.port = sockets[0].getsockname()[1]
        self.told: list[tuple[str, dict[str, Any]]] = []
        self.server = BusServer(sockets, tell=lambda *told: self.told.append(told), **options)
        self._ended = False
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def _serve(self) -> None:
        while not self._ended:
            self.server.turn(0.001)
        self.server.close()

    def counts(self) -> BusServerCounts:
        """With all that was handed on: the server counts that in a turn without any."""
        wait_until(lambda: not self.server._uncounted, "what was handed on to be counted")
        return self.server.counts()

    def stop(self) -> None:
        self._ended = True
        self._thread.join(10)
        self.server.close()  # twice must be safe

    def raw_client(self, bus: bytes = b"can0") -> socket.socket:
        """A participant by hand: joined, in raw mode and listening."""
        client = socket.create_connection(("127.0.0.1", self.port), timeout=10)
        for command, answer in (
            (b"", b"< hi >"),
            (b"< open %b >" % bus, b"< ok >"),
            (b"< rawmode >", b"< ok >"),
        ):
            client.sendall(command)
            assert client.recv(len(answer)) == answer
        client.sendall(b"< echo >")
        assert client.recv(8) == b"< echo >"
        return client


class SerialAdapter:
    """The far end of a serial line: an SLCAN adapter as far as a host notices, driven by the test."""

    def __init__(self) -> None:
        self.far, near = os.openpty()
        tty.setraw(near)
        self.path = os.ttyname(near)
        self._near: int | None = near  # kept until the host has it open, or the line would look hung up
        os.set_blocking(self.far, False)
        self.commands: list[bytes] = []
        self._text = b""

    def host_is_open(self) -> None:
        """From now on a host that closes is noticed."""
        if self._near is not None:
            os.close(self._near)
            self._near = None

    def serve(self) -> None:
        """Read what waits; acknowledge frames as adapters do."""
        while True:
            try:
                text = os.read(self.far, 65536)
            except OSError:
                return
            *lines, self._text = (self._text + text).split(b"\r")
            for line in lines:
                self.commands.append(line)
                if line[:1] in (b"t", b"T"):
                    os.write(self.far, b"z\r" if line[:1] == b"t" else b"Z\r")

    def frames(self) -> list[Frame]:
        self.serve()
        found: list[Frame] = []
        for line in self.commands:
            if line[:1] in (b"t", b"T"):
                digits = 3 if line[:1] == b"t" else 8
                payload = bytes.fromhex(line[2 + digits :].decode())
                assert len(payload) == int(line[1 + digits : 2 + digits])
                found.append((int(line[1 : 1 + digits], 16) | (EXTENDED if digits == 8 else 0), payload))
        return found

    def put(self, can_id: int, payload: bytes) -> None:
        if can_id & EXTENDED:
            head = b"T%08X%d" % (can_id & 0x1FFFFFFF, len(payload))
        else:
            head = b"t%03X%d" % (can_id, len(payload))
        os.write(self.far, head + payload.hex().encode() + b"\r")

    def close(self) -> None:
        self.host_is_open()
        if self.far >= 0:
            os.close(self.far)
            self.far = -1
