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
