"""What an error budget is made of: errors of one signal, each with its size and how it behaves in time."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, TypeAlias

from emulator.inspection.sensors.allan import Noise

WIRE_STEP, READING_STEP = "step on the wire", "reading step"
Kind: TypeAlias = Literal["white", "drift", "walk", "fixed", "drawn", "pattern", "step"]
"""white: new each sample; drift: wanders around zero; walk: wanders off; fixed: does not change;
drawn: does not change either, drawn once a run; pattern: repeats with the wheel's turns; step: rounding."""


@dataclass(frozen=True)
class Term:
    """One error: one sigma at the receiver in the signal's unit (fixed: its value; walk: gained in 1 s)."""

    name: str
    kind: Kind
    sigma: float
    how: str = ""
    time_s: float = 0.0  # correlation time of a drift
    covariance: tuple[float, ...] = ()  # of white noise that went through a filter, by lag


@dataclass(frozen=True)
class Channel:
    """One signal: what it resolves, how far it reaches, what is wrong with it.

    at     kind of fix the terms hold with; empty: it has nothing to do with one
    holds  condition they hold under, in words; empty: always
    """

    signal: str
    unit: str
    step: float
    low: float
    high: float
    terms: tuple[Term, ...] = ()
    at: str = ""
    holds: str = ""

    @property
    def reading_step(self) -> float:
        """The sensor's own step, before that of the wire; 0 without one."""
        return math.sqrt(12.0) * sum(t.sigma for t in self.terms if t.name == READING_STEP)

    @property
    def offset(self) -> float:
        """Sum of what is fixed."""
        return math.fsum(t.sigma for t in self.terms if t.kind == "fixed")

    @property
    def sigma(self) -> float:
        """Root of the sum of squares of the random terms, without what wanders off."""
        return math.hypot(*(t.sigma for t in self.terms if t.kind not in ("fixed", "walk")))

    @property
    def noise(self) -> Noise:
        """The random terms before rounding on the wire, as ``allan`` beside this module takes them."""
        filtered = [t.covariance for t in self.terms if len(t.covariance) > 1]
        white = math.hypot(
            *(t.sigma for t in self.terms if t.kind in ("white", "pattern") and len(t.covariance) < 2),
            *(t.sigma for t in self.terms if t.kind == "step" and t.name != WIRE_STEP),
        )
        drifts = tuple((t.sigma, t.time_s) for t in self.terms if t.kind == "drift" and t.sigma > 0.0)
        walk = math.hypot(*(t.sigma for t in self.terms if t.kind == "walk"))
        return Noise(white, drifts, walk, filtered[0] if filtered else ())

    @property
    def drawn(self) -> float:
        """One sigma of what each run draws once."""
        return math.hypot(*(t.sigma for t in self.terms if t.kind == "drawn"))


def rounding(step: float, name: str = WIRE_STEP) -> Term:
    """Rounding to a step spreads evenly within it: step / sqrt(12)."""
    return Term(name, "step", step / math.sqrt(12.0), f"{step:g} / √12")
