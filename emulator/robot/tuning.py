"""The reference robot's own figures that its compiled step and the linear loop of its ride share.

Chosen by riding: common practice, no source.
"""

from __future__ import annotations

from emulator.core.compiled import jit

STEP = 0.002
"""[s] control period."""

PATH_RATE, PATH_DAMPING = 1.1, 0.9
"""[rad/s] natural frequency of the return to the line; its damping."""
PATH_RATE_FROM = 6.0
"""[m/s] below it the return takes a way, not a time: a slow bike's lean takes longer to follow."""
PATH_INTEGRAL = 0.3
"""[1/s] of the return, for what the turn tables leave over ..."""
PATH_INTEGRAL_FROM = 8.0
"""... and from which speed on [m/s]."""
SWING_HEIGHT = 0.6
"""[m] above the ground: the point of the bike, swung from its roll target, that is led back to the line.

Steered by torque only. By angle nothing swings that slowly, and its delay margins would fall by a third.
"""
ROLL_FILTER = 9.0
"""[rad/s] of the roll target, which follows what the path asks for as two lags do."""
ROLL_INTEGRAL = 1.0
"""[1/s] of the roll error."""


@jit
def path_rate(speed: float) -> float:
    """Natural frequency [rad/s] of the return to the line at a speed [m/s]."""
    return PATH_RATE * min(1.0, speed / PATH_RATE_FROM)
