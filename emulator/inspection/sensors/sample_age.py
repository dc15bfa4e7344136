"""How old samples are when they have arrived: the law that latency, jitter, ticks and lines make of it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy.special import erf, ndtri

from emulator.core.signals import TICK_NS

TICK_MS = TICK_NS * 1e-6
"""Frames leave on ticks: at the first at which their content is old enough, or, where their time on the bus
is known, at the one that brings their arrival nearest to the promise (emulator.sensors.sampling)."""


@dataclass(frozen=True)
class Age:
    """How old a sample is when it has arrived, in ms; what is not known to the rig is NaN.

    latency    configured
    jitter     one sigma of the drawn extra age, which is half-normal: never less than the latency
    behind     what the sensor itself lags slow motion
    wire       the frame's or burst's own time on the wire
    wait       longest wait for frames of the same rig with more right of way, and one already on the bus
    usual      the frame's usual time on the bus, where its bit rate is told; else 0
    on_line    on a serial line bytes take their time: handed over at a tick, the last arrives between two
    """

    latency: float
    jitter: float
    behind: float = 0.0
    wire: float = math.nan
    wait: float = math.nan
    usual: float = 0.0
    on_line: bool = False

    def _head_start(self, queued: float) -> float:
        """How much younger than promised [ms] a sample may be when it leaves, ``queued`` behind others."""
        return 0.5 * TICK_MS + self.usual + 0.5 * queued if self.usual > 0.0 else 0.0

    def share_by(self, ticks: int, queued: float = 0.0) -> float:
        """Share of samples that have left by ``ticks`` of the loop after their validity.

        queued  time [ms] each waits on the bus behind frames handed over in the same tick
        """
        late = ticks * TICK_MS + self._head_start(queued) - self.latency
        if self.jitter <= 0.0:
            return 1.0 if late >= -1e-9 else 0.0
        return float(erf(max(0.0, late / self.jitter) / math.sqrt(2.0)))  # of the half-normal distribution

    @property
    def ticks(self) -> tuple[tuple[int, float], ...]:
        """(age in ticks, share of samples) as they leave the loop: the drawn age, up to their tick."""
        return self._ticks(0.0)

    def _ticks(self, queued: float) -> tuple[tuple[int, float], ...]:
        out: list[tuple[int, float]] = []
        k = max(0, math.ceil((self.latency - self._head_start(queued)) / TICK_MS - 1e-9))
        gone = 0.0
        while 1.0 - gone >= 1e-12:
            by = self.share_by(k, queued)
            out.append((k, by - gone))
            gone, k = by, k + 1
        return tuple(out)

    @property
    def mean(self) -> float:
        """Mean age [ms] on leaving the loop; on a serial line when the last byte has arrived."""
        if self.on_line:
            return self.latency + self.jitter * math.sqrt(2.0 / math.pi) + self.slack
        return _mean(self.ticks)

    @property
    def sigma(self) -> float:
        """One sigma [ms] of it."""
        if self.on_line:
            return self.jitter * math.sqrt(1.0 - 2.0 / math.pi)
        mean = self.mean
        return math.sqrt(math.fsum((TICK_MS * k - mean) ** 2 * share for k, share in self.ticks))

    @property
    def slack(self) -> float:
        """How far off [ms] the mean may lie.

        Not known: the wait for the tick at which a line is fed, and which frames are before one on the bus.
        """
        if self.on_line:
            return 0.5 * TICK_MS
        return self.mean - _mean(self._ticks(self.wait)) if math.isfinite(self.wait) else 0.0

    def quantile(self, share: float) -> float:
        """Age [ms] that so many samples do not exceed."""
        if self.on_line:
            return self.latency + self.slack + self.jitter * float(ndtri((1.0 + share) / 2.0))
        total = 0.0
        for k, part in self.ticks:
            total += part
            if total >= share - 1e-12:
                return TICK_MS * k
        return TICK_MS * self.ticks[-1][0]


def _mean(ticks: tuple[tuple[int, float], ...]) -> float:
    return TICK_MS * math.fsum(k * share for k, share in ticks)
