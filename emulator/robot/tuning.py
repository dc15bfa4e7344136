"""The reference robot's own figures that its compiled step and the linear loop of its ride share.

Chosen by riding: common practice, no source.
"""

from __future__ import annotations

STEP = 0.002
"""[s] control period."""

PATH_RATE, PATH_DAMPING = 1.1, 0.9
"""[rad/s] natural frequency of the return to the line; its damping."""
PATH_INTEGRAL = 0.3
"""[1/s] of the return, for what the turn tables leave over ..."""
PATH_INTEGRAL_FROM = 8.0
"""... and from which speed on [m/s]."""
ROLL_FILTER = 9.0
"""[rad/s] of the roll target, which follows what the path asks for as two lags do."""
ROLL_INTEGRAL = 1.0
"""[1/s] of the roll error."""
