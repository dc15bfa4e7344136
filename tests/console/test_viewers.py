"""What viewers cost: computing of the page's process, and memory when they come and leave at once."""

from __future__ import annotations

import asyncio
import os
import socket
import threading
import time
from contextlib import ExitStack, closing, suppress
from pathlib import Path

import pytest

from emulator.assembly.session import Session
from emulator.config.rig.shown.console import Console, Tokens
from emulator.console.beside import LivePage
from emulator.console.stream import LOOKS_HZ
from emulator.shared_memory.block import Snapshot
from emulator.shared_memory.status import LoopState, Status
from tests.support.live_page import row

SECONDS = 10.0
VIEWERS = 3
LEAST_LOOKS = 10


def cpu_s(pid: int) -> float:
    """Computing time of a process so far [s]."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def memory_mb(pid: int) -> float:
    """Memory of its own [MB]: without the ring, which it shares."""
    pages = Path(f"/proc/{pid}/statm").read_text().split()
    return (int(pages[1]) - int(pages[2])) * os.sysconf("SC_PAGE_SIZE") / 1e6


def watching(port: int) -> socket.socket:
    """A viewer that follows two signals, as the page does."""
    viewer = socket.create_connection(("127.0.0.1", port), 10.0)
    asked = "/stream?signals=truth.roll_rad,line.offset_m"
    viewer.sendall(f"GET {asked} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode())
    return viewer


def looks_in(viewers: list[socket.socket], seconds: float) -> int:
    """Looks that the first of them got meanwhile; all of them read."""
    got, until = [b""] * len(viewers), time.monotonic() + seconds
    for viewer in viewers:
        viewer.setblocking(False)
    while time.monotonic() < until:
        time.sleep(0.05)
        for i, viewer in enumerate(viewers):
            with suppress(BlockingIOError):
                got[i] += viewer.recv(1 << 20)
    return got[0].count(b"event: now")


@pytest.mark.timing
def test_three_viewers_cost_under_a_quarter_of_a_core_and_who_leaves_leaves_nothing(
    session: Session, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / ".run.logs").mkdir()
    page = LivePage(session, tmp_path / "run", Console(port=0), {}, Tokens("t" * 20), lambda _text: None)
    over = threading.Event()
    with closing(Snapshot.create()) as snapshot, closing(page), ExitStack() as opened:
        snapshot.status[Status.LOOP_STATE] = LoopState.CYCLING

        def cycle() -> None:
            tick, due = 0, time.monotonic()
            while not over.is_set():
                due += 0.01
                for _ in range(10):
                    snapshot.write_signals(tick, row(line__offset_m=(tick % 900) / 1000))
                    tick += 1
                snapshot.status[Status.LOOP_HEARTBEAT] = tick
                time.sleep(max(0.0, due - time.monotonic()))

        async def measure() -> tuple[float, float, float]:
            beside = asyncio.create_task(page.beside(snapshot))
            while page._process is None:
                await asyncio.sleep(0.1)
            pid, port = page._process.pid, page.address.port
            viewers = [opened.enter_context(watching(port)) for _ in range(VIEWERS)]
            while not await asyncio.to_thread(looks_in, viewers, 1.0):
                pass  # it is still loading
            before = cpu_s(pid)
            looks = await asyncio.to_thread(looks_in, viewers, SECONDS)
            assert looks > LEAST_LOOKS  # a busy machine lets the page's process look less often
            share = (cpu_s(pid) - before) / looks * LOOKS_HZ
            await asyncio.to_thread(come_and_go, port, 100)
            settled = memory_mb(pid)
            await asyncio.to_thread(come_and_go, port, 1000)
            grown = memory_mb(pid) - settled
            beside.cancel()
            await asyncio.gather(beside, return_exceptions=True)
            return share, settled, grown

        thread = threading.Thread(target=cycle)
        thread.start()
        try:
            share, settled, grown = asyncio.run(measure())
        finally:
            over.set()
            thread.join()
    with capsys.disabled():
        print(f"\n{VIEWERS} viewers at {LOOKS_HZ:g} Hz: {100 * share:.1f} % of a core")
        print(f"{settled:.0f} MB, {grown:+.2f} MB by 1,000 viewers that left")
    assert share < 0.25
    assert grown < 2.0


def come_and_go(port: int, count: int) -> None:
    """Viewers that leave at once."""
    for _ in range(count):
        with watching(port) as viewer:
            viewer.recv(100)
    time.sleep(0.5)
