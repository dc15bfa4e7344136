"""The figures of fast riding. Chosen by riding: common practice, no source."""

from __future__ import annotations

LEANING_RATE = 1.3
"""[rad/s] Roll rate that the target speed of a fast ride asks for at most."""
UP = 0.95
"""Engine speed to change up at, over the limiter's: it cuts from 0.98 on."""
DOWN_TO = 0.85
"""Engine speed that changing down may lead to, over the limiter's."""
PATH_SHARE = 0.7
"""Of the rate of the return to the line."""
BRAKED_GAINS, BRAKED_AT = 0.5, 6.5
"""Share of the balance gains that is left while braking, and from which deceleration on [m/s^2]."""
