"""Random numbers for sensors and faults: one independent stream per user, each with its own state.

A stream is a 64-bit counter mixed to a random number (splitmix64: Steele, Lea and Flood 2014, *Fast
splittable pseudorandom number generators*, OOPSLA; constants from memory). Its start comes from a hash of
seed and name, so adding a sensor changes no other sensor's numbers.
"""

from __future__ import annotations

import hashlib
import math

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import jit

_STEP = np.uint64(0x9E3779B97F4A7C15)
_MIX_1 = np.uint64(0xBF58476D1CE4E5B9)
_MIX_2 = np.uint64(0x94D049BB133111EB)
_30, _27, _31, _11 = np.uint64(30), np.uint64(27), np.uint64(31), np.uint64(11)


def stream_start(seed: int, name: str) -> np.uint64:
    """Start of the stream ``name`` under ``seed``."""
    return np.uint64(int.from_bytes(hashlib.sha256(f"{seed}/{name}".encode()).digest()[:8], "little"))


@jit
def uniform(streams: NDArray[np.uint64], i: int) -> float:
    """Uniform in (0, 1) from stream ``i``; advances it."""
    streams[i] += _STEP
    z = streams[i]
    z = (z ^ (z >> _30)) * _MIX_1
    z = (z ^ (z >> _27)) * _MIX_2
    z = z ^ (z >> _31)
    return (float(z >> _11) + 0.5) * (1.0 / 9007199254740992.0)


@jit
def normal(streams: NDArray[np.uint64], i: int) -> float:
    """Standard normal from stream ``i`` (Box and Muller 1958); advances it by two."""
    u = uniform(streams, i)
    v = uniform(streams, i)
    return math.sqrt(-2.0 * math.log(u)) * math.cos(2.0 * math.pi * v)


@jit
def step_gauss_markov(
    u: NDArray[np.float64], interval_s: float, time_s: float, streams: NDArray[np.uint64], i: int
) -> None:
    """Move three first-order Gauss-Markov processes ``u`` (3,), unit variance, by an interval [s].

    Below 0: they begin, drawn afresh. ``time_s`` 0 or below: white. u' = phi u + sqrt(1 - phi^2) n with
    phi = exp(-interval / time) is exact for any interval. Source: Gelb (ed.) 1974, *Applied Optimal
    Estimation*, MIT Press, for the exponentially correlated process (from memory).
    """
    keep = math.exp(-interval_s / time_s) if interval_s >= 0.0 and time_s > 0.0 else 0.0
    fresh = math.sqrt(1.0 - keep * keep)
    for k in range(3):
        u[k] = keep * u[k] + fresh * normal(streams, i)
