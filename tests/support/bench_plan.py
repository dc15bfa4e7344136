"""What a bench hands over, with jitter told or drawn, and what becomes of it among a robot's frames."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import NamedTuple

import numpy as np

from emulator.assembly.session import Session
from emulator.config.rig.bus_load import BusLoad, schedule
from emulator.config.rig.hand_overs import passages
from emulator.core.compiled import jit
from emulator.core.random_streams import stream_start
from emulator.sensors.sampling import enter, is_due, next_frame, outputs, pop
from emulator.wire.arbitration import WireTimes
from tests.support.can_arbitration import stepped


class HandedOver(NamedTuple):
    """A frame of an output, when it was sampled and when it was handed over [ns]."""

    name: str
    valid_ns: int
    handed_ns: int


def told(session: Session, draw_ns: int, ticks: int) -> list[HandedOver]:
    """With that much of every drawn jitter, by the schedule in plain Python."""
    jittered = [o.jitter_ms > 0.0 for o in session.rig.outputs.values()]
    late = [
        o._replace(latency_ns=o.latency_ns + draw_ns * drawn)
        for o, drawn in zip(schedule(session.rig, session.codec), jittered, strict=True)
    ]
    passed, _ = passages(late, ticks)
    return [HandedOver(late[p.output].name, p.valid_ns, p.handed_ns) for p in passed]


def drawn(session: Session, seed: int, ticks: int) -> list[HandedOver]:
    """With jitter drawn, by the compiled schedule."""
    plan = schedule(session.rig, session.codec)
    rigs = list(session.rig.outputs.values())
    out, lines = outputs(
        [o.rate_hz for o in rigs],
        [o.latency_ns for o in plan],
        [round(o.jitter_ms * 1e6) for o in rigs],
        0,
    )
    out["frame"], out["wire_ns"] = 0, [o.wire_ns for o in plan]
    streams = np.array([stream_start(seed, o.name) for o in plan])
    handed = np.empty((ticks * len(plan), 3), np.int64)
    n = _drawn(out, lines, streams, ticks, handed)
    return [HandedOver(plan[k].name, int(valid), int(at)) for k, valid, at in handed[:n]]


@jit
def _drawn(out, lines, streams, ticks, handed):  # type: ignore[no-untyped-def]
    free, n = 0, 0
    for tick in range(ticks):
        now = tick * 1_000_000
        for i in range(out.shape[0]):
            if is_due(out[i], tick, 1_000_000):
                enter(out[i], i, lines, now, streams)
        i = next_frame(out, now, free, 1_000_000)
        while i >= 0:
            place = pop(out[i], i, lines)
            free = max(now, free) + out[i].wire_ns
            handed[n, 0], handed[n, 1], handed[n, 2] = i, lines.valid_ns[i, place], now
            n += 1
            i = next_frame(out, now, free, 1_000_000)
    return n


def seen_responses(
    budget: BusLoad,
    bench: list[HandedOver],
    phases_ns: Mapping[str, int],
    times: WireTimes,
    content: Callable[[str], bytes],
) -> dict[str, int]:
    """Longest response [ns] by name, as the budget counts it, of what is handed over in this stretch.

    phases_ns  when the first of each of the robot's frames comes; then they come at their periods
    content    of each frame, by name
    """
    line = {f.name: f for f in budget.frames}
    offers = [(h.handed_ns, h.name, h.valid_ns + line[h.name].wait_ns) for h in bench]
    end = max(at for at, _, _ in offers)
    for name, first in phases_ns.items():
        offers += [(at, name, at) for at in range(first, end, line[name].period_ns)]
    offers.sort(key=lambda offer: offer[0])
    there = stepped([(at, line[name].can_id, content(name)) for at, name, _ in offers], times)
    worst = dict.fromkeys(line, 0)
    for arrival, (_, name, due) in zip(there, offers, strict=True):
        worst[name] = max(worst[name], arrival - due)
    return worst
