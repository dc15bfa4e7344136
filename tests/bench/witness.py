"""A witness of the host: it wakes each millisecond on the loop's core, above it, and notes when it is late.

    python -m tests.bench.witness CPU PRIORITY

Where it comes late together with a tick, nothing that stands below it kept that tick waiting: the host did,
or the kernel. It answers ``ready``, or with what it lacks. When its standard input ends it prints the times
it was late, as JSON: [due, came] in ns of CLOCK_MONOTONIC.
"""

from __future__ import annotations

import gc
import json
import os
import select
import sys
import time

PERIOD_NS = 1_000_000
LATE_NS = 300_000
MOST = 100_000
"""So many are noted; an hour of a bad host is a tenth of that."""


def watch() -> list[tuple[int, int]]:
    """Until standard input ends."""
    late: list[tuple[int, int]] = []
    ends = select.poll()
    ends.register(sys.stdin, select.POLLIN | select.POLLHUP)
    gc.disable()
    due = time.monotonic_ns() + PERIOD_NS
    while len(late) < MOST:
        rest = due - time.monotonic_ns()
        if rest > 0:
            time.sleep(rest * 1e-9)
        came = time.monotonic_ns()
        if came - due > LATE_NS:
            late.append((due, came))
            due = came
            if ends.poll(0):
                break
        elif due // PERIOD_NS % 128 == 0 and ends.poll(0):
            break
        due += PERIOD_NS
    return late


def main() -> int:
    cpu, priority = map(int, sys.argv[1:])
    try:
        os.sched_setaffinity(0, {cpu})
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(priority))
    except OSError as error:
        print(f"no witness: {error.strerror}", flush=True)
        return 1
    print("ready", flush=True)
    print(json.dumps(watch()), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
