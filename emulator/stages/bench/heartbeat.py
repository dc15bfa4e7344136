"""Whether the loop still comes round: what the supervisor sees of its heartbeat, and when it has to act."""

from __future__ import annotations

from enum import Enum

TELL_AFTER_S = 1.0
END_AFTER_S = 2.0
"""A loop that stood still so long is ended; with what follows, everything is over within 3 s."""
_LONGEST_LOOK_S = 0.25
"""What one pause between two looks counts at most: who didn't look can't say that nothing moved."""


class Pulse(Enum):
    """What a look says."""

    FINE = 0
    STANDS_STILL = 1  # told once
    HAS_TO_END = 2


class Heartbeat:
    """Follows a count that rises as long as its process comes round."""

    def __init__(self) -> None:
        self.still_s = 0.0
        self._beat: int | None = None
        self._looked_s = 0.0
        self._told = False

    def look(self, beat: int, now_s: float) -> Pulse:
        """The count as it is now; ``now_s`` on any clock that does not jump."""
        passed_s = min(now_s - self._looked_s, _LONGEST_LOOK_S)
        self._looked_s = now_s
        if beat != self._beat:
            self._beat, self.still_s, self._told = beat, 0.0, False
            return Pulse.FINE
        self.still_s += passed_s
        if self.still_s >= END_AFTER_S:
            return Pulse.HAS_TO_END
        if self.still_s >= TELL_AFTER_S and not self._told:
            self._told = True
            return Pulse.STANDS_STILL
        return Pulse.FINE
