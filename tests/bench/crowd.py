"""A crowd on a virtual bus, and what it costs two participants in a closed loop.

    python -m tests.bench.crowd            the table, paired: the same bus with and without a crowd, in turns
    python -m tests.bench.crowd PORT       the crowd itself, until standard input closes

The crowd joins in raw mode: 20 that never read, 20 that pour garbage, 200 that read and never send.
"""

from __future__ import annotations

import contextlib
import os
import random
import select
import socket
import sys
import time

import numpy as np

from tests.bench.children import Child

DEAF, GARBAGE, IDLE = 20, 20, 200
FRAMES = b"< send 123 8 00 11 22 33 44 55 66 77 >" * 3
PERIOD_S = 0.002
SERVER = [sys.executable, "-m", "tests.bench.bus_server", "70"]


def join(port: int) -> socket.socket:
    """A participant in raw mode."""
    client = socket.create_connection(("127.0.0.1", port), timeout=30.0)
    client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    text = b""
    for command, answers in ((b"< open can0 >", 2), (b"< rawmode >", 3), (b"< echo >", 4)):
        client.sendall(command)
        while text.count(b">") < answers:
            text += client.recv(4096)
    return client


def crowd(port: int) -> None:
    """Be the crowd; says so when all have joined."""
    dice = random.Random(3)
    with contextlib.suppress(OSError):
        os.nice(10)
    deaf = [join(port) for _ in range(DEAF)]
    for client in deaf:
        client.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    garbage = [join(port) for _ in range(GARBAGE)]
    idle = [join(port) for _ in range(IDLE)]
    print("joined", flush=True)
    poll = select.epoll()
    by_fd = {client.fileno(): client for client in (*garbage, *idle)}
    for fd, client in by_fd.items():
        client.setblocking(False)
        poll.register(fd, select.EPOLLIN)
    poll.register(sys.stdin.fileno(), select.EPOLLHUP)
    poured_s = 0.0
    while True:
        for fd, _ in poll.poll(0.005):
            if fd == sys.stdin.fileno():
                return
            try:
                if not by_fd[fd].recv(65536):
                    poll.unregister(fd)
            except BlockingIOError:
                pass
            except OSError:
                poll.unregister(fd)
        if time.monotonic() - poured_s > 0.005:
            poured_s = time.monotonic()
            for client in garbage:
                with contextlib.suppress(OSError):
                    client.send(dice.randbytes(200) + b"> < jump >")


class Pair:
    """Two participants that both send; how long frames take from one to the other."""

    def __init__(self, port: int) -> None:
        self.ends = join(port), join(port)
        self.took_us: list[float] = []
        for _ in range(10):
            self.once(*self.ends)
            self.once(*reversed(self.ends))
        self.took_us.clear()

    def once(self, sender: socket.socket, listener: socket.socket) -> None:
        """Three frames, from send to received."""
        begun = time.perf_counter_ns()
        sender.sendall(FRAMES)
        frames = 0
        while frames < 3:
            frames += listener.recv(4096).count(b">")
        self.took_us.append((time.perf_counter_ns() - begun) * 1e-3)

    def block(self, count: int) -> None:
        """So many times, one a period, as a robot does."""
        due = time.monotonic()
        for _ in range(count):
            due += PERIOD_S
            time.sleep(max(0.0, due - time.monotonic()))
            self.once(*self.ends)

    def close(self) -> None:
        """Leave."""
        for end in self.ends:
            end.close()


def measure(rounds: int, block: int = 100) -> tuple[list[float], list[float], str]:
    """Times [us] on the bus with the crowd and on the one without, and what the first one counted."""
    with (
        Child("a bus", SERVER) as quiet,
        Child("a bus with a crowd", SERVER) as busy,
    ):
        ports = int(busy.line()), int(quiet.line())
        with Child("the crowd", [sys.executable, "-m", "tests.bench.crowd", str(ports[0])]) as people:
            people.line()
            pairs = [Pair(port) for port in ports]
            with contextlib.suppress(OSError):
                os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(60))
            try:
                for number in range(rounds):
                    for pair in pairs if number % 2 else reversed(pairs):
                        pair.block(block)
            finally:
                with contextlib.suppress(OSError):
                    os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))
            people.end(30.0)
            for pair in pairs:
                pair.close()
        counts = busy.end(30.0)
        quiet.end(30.0)
    return pairs[0].took_us, pairs[1].took_us, counts.strip()


def main() -> None:
    """The table, or the crowd."""
    if len(sys.argv) > 1:
        crowd(int(sys.argv[1]))
        return
    with_crowd, without, counts = measure(60)
    for name, took in (("with a crowd", with_crowd), ("without", without)):
        p50, p99, p999 = np.percentile(took, (50, 99, 99.9))
        print(f"{name:14s} p50 {p50:7.1f}  p99 {p99:7.1f}  p99.9 {p999:7.1f} us ({len(took)} times)")
    print(f"clients, joined, in, out, malformed, cut off, pauses, refused: {counts}")


if __name__ == "__main__":
    main()
