"""Numbers and words in the bytes of a line, for compiled code; -1 stands for what is none."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import jit

Bytes = NDArray[np.uint8]

NONE = -1

_MOST_EXACT = 1 << 53
_MOST_DECIMALS = 22
"""Whole numbers and powers of ten up to these are exact, so that their quotient is rounded once."""
_ABOVE, _BELOW = 1.0 + 2.0**-51, 1.0 - 2.0**-51
"""A quotient that is rounded lies between it times these, as exact numbers."""


@jit
def is_blank(letter: int) -> bool:
    """Whether a letter stands between words: a space or a tab, no other."""
    return letter in (32, 9)


@jit
def behind_blanks(data: Bytes, at: int, end: int) -> int:
    """Where something else than a blank is, or the end."""
    while at < end and is_blank(data[at]):
        at += 1
    return at


@jit
def behind_word(data: Bytes, at: int, end: int) -> int:
    """Where a word of printable ASCII ends; ``at`` itself: there is none; -1: it has other letters."""
    while at < end and not is_blank(data[at]):
        if not 32 < data[at] < 127:
            return NONE
        at += 1
    return at


@jit
def digit(letter: int, base: int) -> int:
    """The digit that a letter is; -1: none."""
    if 48 <= letter <= 57:
        return letter - 48
    if base == 16 and 65 <= letter <= 70:
        return letter - 55
    if base == 16 and 97 <= letter <= 102:
        return letter - 87
    return NONE


@jit
def whole(data: Bytes, at: int, end: int, base: int) -> tuple[int, int]:
    """A whole number of eight digits at most, and where it ends; -1: there is none."""
    number, first = 0, at
    while at < end and at - first < 9:
        one = digit(data[at], base)
        if one < 0:
            break
        number = base * number + one
        at += 1
    return (number if 0 < at - first < 9 else NONE), at


@jit
def decimal(data: Bytes, at: int, end: int, fewest: int) -> tuple[float, int]:
    """A decimal number without a sign, rounded as Python rounds it, and where it ends; -1: it is none.

    fewest  digits behind the point; where it is 0, the point may be missing, too
    """
    first, point, decimals = at, NONE, 0
    before, behind = 0, 0
    while at < end:
        one = digit(data[at], 10)
        if one >= 0 and point < 0:
            before = 10 * before + one
        elif one >= 0:
            behind = 10 * behind + one
            decimals += 1
        elif data[at] == 46 and point < 0 and at > first:
            point = at
        else:
            break
        if before >= _MOST_EXACT or behind >= _MOST_EXACT:
            return 0.0, NONE
        at += 1
    if at == first or decimals < fewest or decimals > _MOST_DECIMALS:
        return 0.0, NONE
    power = 1.0
    for _ in range(decimals):
        power *= 10.0
    number = before * power + behind
    if number < _MOST_EXACT:
        return number / power, at
    rest = behind / power
    if before + _BELOW * rest != before + _ABOVE * rest:
        return 0.0, NONE  # between two floating-point numbers: too close to the middle to say which
    return before + rest, at
