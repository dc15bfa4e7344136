"""What was measured of the processes of a ride, as the verdict reads it in the outcome of a bench run.

processes   by role (loop, bus, supervisor, recorder, robot), only those that took part:
    stalls        [[begin_ms, end_ms], ...] the longest 200, oldest first: longer than ``promise_ms``
                  between two turns. A process that stood still at its end has one up to then.
    count         stalls altogether
    longest_ms    the longest of all; 0.0 where there was none
    turns         how often it came round
    promise_ms    what is no stall yet
    exit          its exit status, negative: the signal that ended it; None of the supervisor, or of one
                  that still runs
  of the bus also
    delay_us      {p50, p99, p999, max}: how long a frame can have been in the server, at most; None
                  where there were no frames
    clients, joined, frames_in, frames_out, malformed, cut_off, pauses, refused, untold
                  see ``shared_memory.status.BusWord``
    participants  [{name, pid, bus, frames: {identifier: count}, malformed, pauses, cut_off}, ...];
                  empty where the bus process died
    host          core, priority, what was refused, as in the certificate's loop.host
  of the recorder also
    lag_ms        longest that a row had waited when it was taken from the ring
    lost          records overwritten before it read them
setting     {link, reference}: kind of the bus, whether our reference robot rides
waited      [[begin_ms, end_ms, share], ...]: for what share of that time something on this host waited for a
            core (see ``waiting``); None: the kernel does not tell
left        [{role, time_s, exit, signal}, ...]: who left before it was told to; signal is a name or "".
            Of the recorder also ``replaced``: another one went on with the record
bus_events  [{kind, time_s, participants: [name, ...], frame, identifier}, ...]; kind is two_senders,
            cut_off, babbles or full; frame and identifier only of two_senders
stood_still {for_s, time_s}: the loop did, and was ended; absent otherwise
stop        {cause, time_s, at_once}: a person's; absent otherwise
time_base   "scenario": times above are scenario time. "end": the ride was never armed, there is no
            scenario time; they count from the end of the run, and are negative
"""

from __future__ import annotations

import signal
from collections.abc import Mapping
from typing import Any

from emulator.core.signals import UNARMED_TICK
from emulator.loop.certificate import percentile_ns
from emulator.shared_memory.block import Snapshot
from emulator.shared_memory.stalls import Role
from emulator.shared_memory.status import BusWord, Status
from emulator.stages.bench.child_process import ChildProcess

_MOST_STALLS = 200


class RideTime:
    """Puts CLOCK_MONOTONIC on scenario time; before a ride was armed, on time before ``end_ns``."""

    def __init__(self, status: memoryview, end_ns: int) -> None:
        armed = status[Status.TICK] > UNARMED_TICK // 2 and status[Status.TICK_ZERO_NS] != 0
        self.base = "scenario" if armed else "end"
        self._zero_ns = status[Status.TICK_ZERO_NS] if armed else end_ns

    def ms(self, time_ns: int) -> float:
        """[ms], to the microsecond."""
        return round((time_ns - self._zero_ns) * 1e-6, 3)

    def s(self, time_ns: int) -> float:
        """[s], to the millisecond."""
        return round((time_ns - self._zero_ns) * 1e-9, 3)


def processes(
    snapshot: Snapshot, children: Mapping[str, ChildProcess], ride_time: RideTime, now_ns: int
) -> dict[str, Any]:
    """Of every process that took part; see the module's text."""
    measured = {}
    for role in Role:
        name = role.name.lower()
        child = children.get(name)
        if role != Role.SUPERVISOR and (child is None or child.process is None):
            continue
        measured[name] = _of(snapshot, role, child, ride_time, now_ns)
    if "bus" in measured:
        measured["bus"] |= _bus(snapshot, children["bus"])
    if "recorder" in measured:
        measured["recorder"] |= {
            "lag_ms": float(snapshot.status[Status.RECORDER_LAG_TICKS]),
            "lost": snapshot.status[Status.RECORDER_LOST],
        }
    return measured


def _of(
    snapshot: Snapshot, role: Role, child: ChildProcess | None, ride_time: RideTime, now_ns: int
) -> dict[str, Any]:
    end_ns = now_ns if child is None or child.left_ns is None else child.left_ns
    stalls = snapshot.stalls(role).with_open(end_ns)
    longest = sorted(stalls.spans, key=lambda span: span[0] - span[1])[:_MOST_STALLS]
    return {
        "stalls": [[ride_time.ms(begin), ride_time.ms(end)] for begin, end in sorted(longest)],
        "count": stalls.count,
        "longest_ms": round(stalls.longest_ns * 1e-6, 3),
        "turns": stalls.turns,
        "promise_ms": stalls.promise_ns * 1e-6,
        "exit": None if child is None else child.returncode,
    }


def _bus(snapshot: Snapshot, child: ChildProcess) -> dict[str, Any]:
    words, longest_ns = snapshot.bus, snapshot.bus[BusWord.DELAY_MAX_NS]
    counted = bool(snapshot.bus_delays.any())
    delay = {
        name: round(percentile_ns(snapshot.bus_delays, fraction, longest_ns) * 1e-3, 1) if counted else None
        for name, fraction in (("p50", 0.5), ("p99", 0.99), ("p999", 0.999), ("max", 1.0))
    }
    return {
        "delay_us": delay,
        **{word.name.lower(): words[word] for word in BusWord if word != BusWord.DELAY_MAX_NS},
        "participants": child.messages.get("participants", []),
        "host": child.messages.get("host", {}),
    }


def leaving(role: str, child: ChildProcess, ride_time: RideTime, now_ns: int) -> dict[str, Any]:
    """One process that left before it was told to."""
    status = child.returncode
    name = ""
    if status is not None and status < 0:
        try:
            name = signal.Signals(-status).name
        except ValueError:
            name = f"signal {-status}"
    return {
        "role": role,
        "time_s": ride_time.s(child.left_ns or now_ns),
        "exit": status,
        "signal": name,
    }
