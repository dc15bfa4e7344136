"""Numbers of figures as a page carries them: whole steps, their differences, deflated, in base64.

A lap at 100 Hz is a million numbers; as decimals in JSON they take 8 MB. Each column has a step, a decimal
part of its unit some thousand times smaller than its span; what is carried is the difference of each
number from the one before in steps. Browsers inflate it themselves (DecompressionStream), and
``assets/figures.js`` adds up. A number that is not finite, or is too many steps away, is carried as one that
is not there.
"""

from __future__ import annotations

import base64
import math
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

_STEPS = 5000  # of a column's span, at least; at most two and a half times as many
_MOST = 2.0**44  # steps from zero that a browser's numbers add up exactly


@dataclass(frozen=True)
class Column:
    """Numbers (n,) and the step [same unit] they are carried to."""

    values: NDArray[np.float64]
    step: float

    @property
    def carried(self) -> NDArray[np.float64]:
        """(n,) the numbers as they arrive."""
        steps = _whole_steps(self)
        by = round(1.0 / self.step) if self.step < 1.0 else 0
        out: NDArray[np.float64] = steps / by if by else steps * self.step
        return out


def column(values: NDArray[Any], step: float | None = None) -> Column:
    """Numbers (n,) to a step of their own, if none is given; see :func:`fitting_step`."""
    values = np.asarray(values, np.float64)
    return Column(values, fitting_step(values) if step is None else step)


def fitting_step(values: NDArray[np.float64]) -> float:
    """The largest 1, 2 or 5 times a power of ten that is at most a 5000th of the numbers' span."""
    finite = values[np.isfinite(values)]
    if not len(finite):
        return 1.0
    with np.errstate(over="ignore"):
        span = float(finite.max() - finite.min())
    span = span or abs(float(finite[0])) or 1.0
    if not math.isfinite(span):
        span = float(np.abs(finite).max())
    most = max(span / _STEPS, 1e-12)
    decade = math.floor(math.log10(most) + 1e-9)
    return next(
        float(f"{digit}e{decade}") for digit in (5, 2, 1) if digit == 1 or digit * 10.0**decade <= most
    )


def packed(figures: Mapping[str, Any]) -> tuple[dict[str, Any], str]:
    """(the same with ``{"column": k}`` for each column, and ``columns``: sizes and steps; the numbers)."""
    columns: list[Column] = []

    def without(item: Any) -> Any:
        if isinstance(item, np.ndarray):
            item = column(item)
        if isinstance(item, Column):
            columns.append(item)
            return {"column": len(columns) - 1}
        if isinstance(item, Mapping):
            return {key: without(part) for key, part in item.items()}
        if isinstance(item, list | tuple):
            return [without(part) for part in item]
        return item

    out = without(figures)
    out["columns"] = [[len(c.values), c.step] for c in columns]
    raw = b"".join(_varints(_codes(c)) for c in columns)
    return out, base64.b64encode(zlib.compress(raw, 9)).decode() if columns else ""


def _whole_steps(c: Column) -> NDArray[np.float64]:
    with np.errstate(over="ignore", invalid="ignore"):
        steps = np.rint(c.values / c.step)
        return np.where(np.abs(steps) < _MOST, steps, np.nan)


def _codes(c: Column) -> NDArray[np.uint64]:
    """0 for no number, else one more than the folded difference from the number before."""
    steps = _whole_steps(c)
    there = np.isfinite(steps)
    out = np.zeros(len(steps), np.uint64)
    off: NDArray[np.int64] = np.diff(steps[there], prepend=0.0).astype(np.int64)
    out[there] = ((off << 1) ^ (off >> 63)).astype(np.uint64) + np.uint64(1)
    return out


def _varints(codes: NDArray[np.uint64]) -> bytes:
    """Seven bits a byte, the least first; the eighth says that more follow."""
    if not len(codes):
        return b""
    length = np.ones(len(codes), np.int64)
    for bits in range(7, 57, 7):
        length += codes >= np.uint64(1 << bits)
    start = np.cumsum(length) - length
    out = np.zeros(int(length.sum()), np.uint8)
    for i in range(int(length.max())):
        live = length > i
        part = (codes[live] >> np.uint64(7 * i)).astype(np.uint8) & np.uint8(0x7F)
        out[start[live] + i] = part | np.where(length[live] > i + 1, np.uint8(0x80), np.uint8(0))
    return out.tobytes()
