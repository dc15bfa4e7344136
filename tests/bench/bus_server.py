"""A virtual bus until standard input closes; says its port first.

python -m tests.bench.bus_server [PRIORITY]     says what it counted in the end
"""

from __future__ import annotations

import select
import sys

from emulator.core.collector import stop_collector
from emulator.links.loopback import BusServer, BusServerCounts, listen
from emulator.loop import host

_TURNS_BETWEEN_LOOKS = 64


def serve(priority: int = 0) -> BusServerCounts:
    """Serve; what was counted until then. ``priority`` as in ``host.apply``, 0: as it is."""
    sockets = listen()
    server = BusServer(sockets)
    if priority:
        host.apply(None, priority, lock_memory=False)
    else:
        stop_collector()
    print(sockets[0].getsockname()[1], flush=True)
    ended = select.poll()
    ended.register(sys.stdin, select.POLLHUP)
    turns = 0
    while turns % _TURNS_BETWEEN_LOOKS or not ended.poll(0):
        server.turn(0.001)
        turns += 1
    counts = server.counts()
    server.close()
    return counts


if __name__ == "__main__":
    print(*serve(*map(int, sys.argv[1:2])))
