"""Looks go to all viewers; who is slow misses some, and nothing of who leaves stays."""

from __future__ import annotations

import asyncio
import gc
import json
from contextlib import closing
from typing import Any

from emulator.console.live_margins import LiveMargins
from emulator.console.moments import Observer
from emulator.console.stream import Stream
from emulator.shared_memory.block import Snapshot
from tests.support.live_page import CRITERIA, MANIFEST, row


def stream_over(snapshot: Snapshot) -> Stream:
    return Stream(Observer(snapshot, LiveMargins(CRITERIA, MANIFEST)), lambda _now_s: {"more": 1})


def parsed(message: bytes) -> dict[str, Any]:
    """Data by event of one message."""
    blocks = message.decode().strip().split("\n\n")
    lines = (block.split("\n") for block in blocks)
    return {event.removeprefix("event: "): json.loads(data.removeprefix("data: ")) for event, data in lines}


def test_a_slow_viewer_gets_the_newest_look_and_is_told_how_many_it_missed() -> None:
    async def watch(stream: Stream, snapshot: Snapshot) -> dict[str, Any]:
        messages = stream.messages(["truth.roll_rad"])
        first = asyncio.ensure_future(anext(messages))
        await asyncio.sleep(0)
        snapshot.write_signals(0, row())
        stream.look(0.0)
        assert parsed(await first)["now"]["time_s"] == 0.0
        for tick in range(1, 41):  # it is busy meanwhile
            snapshot.write_signals(tick, row(truth__roll_rad=tick * 0.01))
            stream.look(tick * 1e-3)
        late = asyncio.ensure_future(anext(messages))
        await asyncio.sleep(0)
        got = parsed(await late)
        await messages.aclose()
        return got

    with closing(Snapshot.create()) as snapshot:
        got = asyncio.run(watch(stream_over(snapshot), snapshot))
    assert got["now"]["time_s"] == 0.04
    assert got["now"]["roll"] == 0.4
    assert got["missed"] == 39
    assert got["strips"] == {"time_s": [0.04], "values": {"truth.roll_rad": [0.4]}}


def test_viewers_that_come_and_go_leave_nothing() -> None:
    async def come_and_go(stream: Stream, rounds: int) -> None:
        for n in range(rounds):
            with stream.viewer():
                messages = stream.messages([])
                waiting = asyncio.ensure_future(anext(messages))
                await asyncio.sleep(0)
                stream.look(float(n))
                await waiting
                if n % 2:
                    await messages.aclose()
                else:  # gone in the middle of a wait
                    waiting = asyncio.ensure_future(anext(messages))
                    await asyncio.sleep(0)
                    waiting.cancel()
                    await asyncio.gather(waiting, return_exceptions=True)

    with closing(Snapshot.create()) as snapshot:
        stream = stream_over(snapshot)
        snapshot.write_signals(0, row())
        asyncio.run(come_and_go(stream, 50))
        gc.collect()
        gc.freeze()  # what other tests of this process hold is neither counted nor looked through again
        before = len(gc.get_objects())
        asyncio.run(come_and_go(stream, 500))
        gc.collect()
        assert len(gc.get_objects()) - before < 200
        assert stream.viewers == 0
