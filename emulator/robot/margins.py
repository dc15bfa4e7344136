"""How much more delay the ride bears: the reference robot closed around the linearised bike.

The loop is cut at the steering command (emulator.robot.linear_loop). With G(s) the bike's answer to the
command that acts, K(s) all from there back to the command that acts and a further delay T, the roots are
those of

    1 + L(s) exp(-s T) = 0,   L = K G

A root can only cross the imaginary axis at a frequency w where |L(jw)| = 1, at the delays
T = (pi + arg L(jw)) / w modulo 2 pi / w; it leaves the stable side where |L| falls with w and comes back
where it rises (K. Walton, J. E. Marshall, IEE Proc. D 134 (1987) 101-107; from memory). The delay is nowhere
approximated in that. A rational approximation serves only to see whether the loop is stable to begin with.

A crossing has the name of what it looks like at that point (see emulator.vehicle.modes): as the delay grows
weave and wobble come close, and a name brought along from no delay would jump from speed to speed.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.robot.design import Design, feedback_at
from emulator.robot.gears import with_engine_turning
from emulator.robot.linear_loop import Complex, SteeringLoop
from emulator.robot.timing import LoopTiming
from emulator.vehicle.equilibrium import NoEquilibrium
from emulator.vehicle.linearise import linearise
from emulator.vehicle.modes import NAMES, Gap, SteadyTurns, eigen, grid_of, looks_like, participation
from emulator.vehicle.params import Vehicle

_LOWEST, _HIGHEST = 0.01, 1e4  # [rad/s] of the search for |L| = 1


# --- where roots cross ------------------------------------------------------------------------------


class Crossing(NamedTuple):
    """A pair of roots on the imaginary axis.

    delay [s] the least extra delay that puts it there, again each ``2 pi / frequency`` later; frequency
    [rad/s]; ``leaving``: it goes to the unstable side as the delay grows.
    """

    delay: float
    frequency: float
    leaving: bool


def crossings(ratio: Callable[[Complex], Complex], frequencies: NDArray[np.float64]) -> list[Crossing]:
    """All crossings of the roots of 1 + L(s) exp(-s T) as T grows, by frequency.

    ratio        L; strictly proper, that is, gone at high frequency
    frequencies  (n,) [rad/s]  rising; fine enough that |L| crosses one at most once between two of them
    """

    from scipy.optimize import brentq

    def size(w: float) -> float:
        return float(np.log(np.abs(ratio(np.array(1j * w)))))

    above = np.abs(ratio(np.asarray(1j * frequencies, np.complex128))) > 1.0
    out = []
    for k in np.flatnonzero(above[1:] != above[:-1]):
        w = float(brentq(size, frequencies[k], frequencies[k + 1], xtol=1e-12, rtol=1e-12))
        angle = float(np.angle(ratio(np.array(1j * w))))
        out.append(Crossing((math.pi + angle) % (2.0 * math.pi) / w, w, bool(above[k])))
    return out


def _frequencies(poles: Complex) -> NDArray[np.float64]:
    """Where to look at |L|: evenly in the logarithm, and closely about every resonance of the bike."""
    even = np.geomspace(_LOWEST, _HIGHEST, 1500)
    near = [
        abs(p.imag) + max(abs(p.real), 1e-3) * np.tan(np.linspace(-1.5, 1.5, 41))
        for p in poles
        if p.imag > 0.0
    ]
    every = np.concatenate([even, *near])
    return np.unique(every[(every >= _LOWEST) & (every <= _HIGHEST)])


# --- over speed and lean ----------------------------------------------------------------------------


class Margins(NamedTuple):
    """Delay margin of the closed loop, over speed and lean.

    speeds (n,) [m/s], leans (m,) [rad]
    growth     (m, n) [1/s]    largest real part of any root without extra delay
    loop       (m, n) [s]      least extra delay that makes a root unstable; 0 where one is without, infinite
                               if none does
    frequency  (m, n) [rad/s]  of that root
    first      m times n       what it looks like, '' if like no named mode
    modes      name: (m, n) [s]  least extra delay at which a root that looks like it becomes unstable
    gaps                       what is missing; NaN in the arrays
    """

    speeds: NDArray[np.float64]
    leans: NDArray[np.float64]
    growth: NDArray[np.float64]
    loop: NDArray[np.float64]
    frequency: NDArray[np.float64]
    first: list[list[str]]
    modes: dict[str, NDArray[np.float64]]
    gaps: tuple[Gap, ...]


def delay_margins(
    vehicle: Vehicle,
    design: Design,
    timing: LoopTiming,
    speeds: Sequence[float] | NDArray[np.float64],
    leans: Sequence[float] | NDArray[np.float64] = (0.0,),
) -> Margins:
    """How much extra delay the reference robot's ride bears at each speed [m/s] and lean [rad].

    A speed and lean without a steady motion is left as a gap. Raises ValueError for speeds not above zero and
    rising, leans not below 80 degrees.
    """
    asked, tilts = grid_of(speeds, leans)
    turns = SteadyTurns(vehicle)
    shape = (len(tilts), len(asked))
    growth, least, frequency = (np.full(shape, math.nan) for _ in range(3))
    modes = {name: np.full(shape, math.nan) for name in NAMES}
    first = [["" for _ in asked] for _ in tilts]
    gaps = []
    for i, lean in enumerate(float(v) for v in tilts):
        for j, speed in enumerate(float(v) for v in asked):
            try:
                steady = with_engine_turning(vehicle, turns.at(speed, lean), speed)
                linear = linearise(vehicle, steady)
            except NoEquilibrium as error:
                gaps.append(Gap(speed, lean, str(error)))
                continue
            loop = SteeringLoop(linear, steady, feedback_at(design, speed, lean), timing)
            found = loop_margin(loop)
            growth[i, j], least[i, j] = found.growth, found.delay
            frequency[i, j], first[i][j] = found.frequency, found.first
            for name in NAMES:
                modes[name][i, j] = found.modes.get(name, math.inf)
    return Margins(asked, tilts, growth, least, frequency, first, modes, tuple(gaps))


class LoopMargin(NamedTuple):
    """One speed and lean of :class:`Margins`; modes that no delay makes unstable are left out."""

    growth: float
    delay: float
    frequency: float
    first: str
    modes: dict[str, float]


def loop_margin(loop: SteeringLoop) -> LoopMargin:
    """The delay margin of one loop."""
    closed = eigen(loop.matrix())
    share = participation(closed)
    unstable = sorted(np.flatnonzero(closed.roots.real >= 0.0), key=lambda k: -closed.roots[k].real)
    # What is unstable anyway crosses at no delay.
    leaving = [
        (0.0, abs(closed.roots[k].imag), looks_like(complex(closed.roots[k]), share[:, k], closed.states))
        for k in unstable
    ]
    deviations = np.arange(len(loop.A))
    for c in sorted(crossings(loop.ratio, _frequencies(loop.poles))):
        if c.leaving:
            at = 1j * c.frequency
            leaving.append((c.delay, c.frequency, looks_like(at, loop.share(at), deviations)))
    modes: dict[str, float] = {}
    for delay, _, name in leaving:
        if name:
            modes.setdefault(name, delay)
    delay, frequency, first = leaving[0] if leaving else (math.inf, math.nan, "")
    return LoopMargin(float(closed.roots.real.max()), delay, frequency, first, modes)
