"""All modes of a bicycle at once from the second behind each of its knocks.

What a knock leaves of a linear bicycle under a linear law is an oscillation, two modes more and a level, in
roll rate and in steer alike; how much of each differs from knock to knock, the eigenvalues do not. So the
four numbers are fitted to all knocks of a ride together, and what is linear beside them is solved for each
(variable projection: G. H. Golub, V. Pereyra, SIAM J. Numer. Anal. 10 (1973) 413-432, from memory). No
predictor, no torque and nothing known beforehand.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

Array = NDArray[np.float64]

LEAST, MOST = (-9.0, 3.0, -15.0, -50.0), (2.0, 16.0, 2.0, 150.0)
"""Where eigenvalues are looked for: far from all that a bicycle's can be within a second; no source."""

AT_ONCE = 100.0
"""[1/s] What is faster is gone within a step of 10 ms."""


class Modes(NamedTuple):
    """The oscillation's real and imaginary part [1/s]; of the other two their mean, and half their distance's
    square [1/s2], which below 0 makes them an oscillation, too."""

    real: float
    imaginary: float
    mean: float
    apart: float

    @classmethod
    def of(cls, eigenvalues: Array) -> Modes:
        """Of four or more eigenvalues [1/s]: the fastest oscillation, and the two slowest that are left.

        What is gone within a step is none.
        """
        slow = [z for z in eigenvalues if abs(z) < AT_ONCE]
        fast = max(slow, key=lambda z: z.imag)
        rest = [z for z in slow if abs(z.imag) < abs(fast.imag) - 1e-9]
        one, other = sorted(rest, key=abs)[:2]
        return cls(
            float(fast.real),
            float(fast.imag),
            float((one + other).real) / 2.0,
            float((((one - other) / 2.0) ** 2).real),
        )

    def basis(self, t: Array, level: bool) -> Array:
        """(n, 4 or 5) motions that these modes leave."""
        root = np.sqrt(complex(self.apart))
        swing, others = np.exp(self.real * t), np.exp(self.mean * t)
        slope = t if abs(root) < 1e-6 else (np.sinh(root * t) / root).real
        columns = [
            swing * np.cos(self.imaginary * t),
            swing * np.sin(self.imaginary * t),
            others * np.cosh(root * t).real,
            others * slope,
        ]
        return np.column_stack([*columns, np.ones_like(t)] if level else columns)


def all_modes(windows: Sequence[Array], step_s: float, start: Modes, level: bool = True) -> Modes:
    """Modes of windows (n, m) of m signals, each signal over its own scale."""
    scale = np.sqrt(np.mean([np.mean(w**2, axis=0) for w in windows], axis=0))
    scaled = [w / scale for w in windows]

    def left(at: Array) -> Array:
        known: dict[int, Array] = {}
        out = []
        for w in scaled:
            if len(w) not in known:
                known[len(w)] = np.linalg.qr(Modes(*at).basis(step_s * np.arange(len(w)), level))[0]
            Q = known[len(w)]
            out.append((w - Q @ (Q.T @ w)).ravel())
        return np.concatenate(out)

    begin = np.clip(np.array(start), np.array(LEAST) + 0.01, np.array(MOST) - 0.01)
    found = optimize.least_squares(left, begin, bounds=(LEAST, MOST), x_scale=(1.0, 1.0, 1.0, 5.0))
    return Modes(*(float(v) for v in found.x))
