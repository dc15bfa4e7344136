"""In the guest: threads compute in vector registers while its kernel switches from one to the other.

Prints as JSON how often each thread did its computation, how many different results it and the same done
before there were other threads gave, and how many signals came between. Threads of one program share a
process of the host's, so registers that the guest's kernel does not bring back whole show as a difference.
"""

from __future__ import annotations

import hashlib
import json
import signal
import threading
import time

import numpy as np

THREADS = 3
TOGETHER_S = 1.0
"""Some hundred turns: the guest's clock ticks every 10 ms, and so come the signals."""
LEAST = 3
"""Repeats of each thread, however slow the host is."""


def digest(seed: int) -> str:
    """Of a computation of some milliseconds, nearly all of it without Python's lock."""
    x = np.random.default_rng(seed).uniform(-1.0, 1.0, (160, 160))
    for _ in range(3):
        x = np.sin(x @ x.T + seed) * np.exp(-x * x)
    return hashlib.sha256(x.tobytes()).hexdigest()


def main() -> None:
    alone = [digest(seed) for seed in range(THREADS)]
    assert len(set(alone)) == THREADS
    together: list[list[str]] = [[] for _ in range(THREADS)]
    end = time.monotonic() + TOGETHER_S

    def repeat(seed: int) -> None:
        while time.monotonic() < end or len(together[seed]) < LEAST:
            together[seed].append(digest(seed))

    signals: list[int] = []
    signal.signal(signal.SIGALRM, lambda number, _: signals.append(number))
    signal.setitimer(signal.ITIMER_REAL, 0.01, 0.01)
    threads = [threading.Thread(target=repeat, args=(seed,)) for seed in range(1, THREADS)]
    for thread in threads:
        thread.start()
    repeat(0)  # the signals' handler runs in this thread
    signal.setitimer(signal.ITIMER_REAL, 0.0)
    for thread in threads:
        thread.join()
    print(
        json.dumps(
            {
                "repeats": [len(results) for results in together],
                "different": [len({wanted, *got}) for wanted, got in zip(alone, together, strict=True)],
                "signals": len(signals),
            }
        )
    )


if __name__ == "__main__":
    main()
