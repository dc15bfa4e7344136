"""When a GNSS epoch's burst has to be handed to a serial line, so that its last byte arrives on time.

An epoch is due when its last byte has arrived. The delay line releases it early, by the time the longest
burst takes; here its sentences wait until what they themselves take is left. On a line that is busy with the
burst before, the next one starts when that has left: then, and only then, its last byte is late.
"""

from __future__ import annotations

from collections import deque
from typing import NamedTuple


class Burst(NamedTuple):
    """Sentences of one epoch.

    start_ns  when to hand them to the line
    line_ns   how long they are on it
    valid_ns  time of validity; all in the loop's time
    """

    sentences: bytes
    start_ns: int
    line_ns: int
    valid_ns: int


class BurstLine:
    """Bursts on their way to a line of ``baud`` (8N1: ten bits a byte); None: a line that takes no time."""

    def __init__(self, baud: int | None) -> None:
        self._baud = baud
        self._waiting: deque[Burst] = deque()
        self._free_ns = -(1 << 62)

    def line_ns(self, length: int) -> int:
        """How long so many bytes take [ns], rounded up."""
        return 0 if self._baud is None else -(-length * 10_000_000_000 // self._baud)

    def put(self, sentences: bytes, arrival_ns: int, valid_ns: int) -> None:
        """One epoch whose last byte is due at ``arrival_ns``."""
        line_ns = self.line_ns(len(sentences))
        start_ns = max(arrival_ns - line_ns, self._free_ns)
        self._free_ns = start_ns + line_ns
        self._waiting.append(Burst(sentences, start_ns, line_ns, valid_ns))

    def pop(self, now_ns: int) -> Burst | None:
        """The next burst if its time has come."""
        return self._waiting.popleft() if self._waiting and self._waiting[0].start_ns <= now_ns else None

    @property
    def next_ns(self) -> int | None:
        """When the next one is to start."""
        return self._waiting[0].start_ns if self._waiting else None
