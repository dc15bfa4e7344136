"""How much more delay the balance bears: the reference robot closed around the linearised bike.

The loop is cut at the steering torque. With G(s) the bike's answer to the torque that acts, K(s) all from
there back to the torque that acts (sensor ages, estimator, gains, control period, actuator) and a further
delay T, the roots are those of

    1 + L(s) exp(-s T) = 0,   L = K G

A root can only cross the imaginary axis at a frequency w where |L(jw)| = 1, at the delays
T = (pi + arg L(jw)) / w modulo 2 pi / w; it leaves the stable side where |L| falls with w and comes back
where it rises (K. Walton, J. E. Marshall, IEE Proc. D 134 (1987) 101-107; from memory). The delay is nowhere
approximated in that. A rational approximation serves only to see whether the loop is stable to begin with.

A crossing has the name of what it looks like at that point (see emulator.vehicle.modes): as the delay grows
weave and wobble come close, and a name brought along from no delay would jump from speed to speed.

In the loop: the gyro's roll and yaw rate and the fork's angle and rate, each as old as the rig sends them;
the roll integrated from the gyro, drawn slowly to the truth; the integral part; half a control period
until the robot looks and half one for which it holds its torque; the actuator's lag. Not in the loop: noise,
limits, the return to the line (slower than the balance by design), and speed, which is held.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from emulator.config.rig.file import Rig
from emulator.config.rig.outputs import Output
from emulator.robot.design import FED_BACK, Design, gains_for
from emulator.robot.estimator import ATTITUDE_PULL, STEP
from emulator.robot.ride import ROLL_INTEGRAL
from emulator.vehicle.equilibrium import NoEquilibrium
from emulator.vehicle.linearise import D_OMEGA, D_STEER, D_VELOCITY, N_DEVIATIONS, ROLL, Linear, linearise
from emulator.vehicle.modes import NAMES, Gap, SteadyTurns, eigen, grid_of, looks_like, participation
from emulator.vehicle.params import Vehicle
from emulator.wire.can_frames import Codec

_NEEDED = ("rate_x_rad_s", "force_x_m_s2", "steering_angle_rad")
"""A signal of each frame that the robot can't ride without."""

_PADE_ORDER = 4
_LOWEST, _HIGHEST = 0.01, 1e4  # [rad/s] of the search for |L| = 1

Complex: TypeAlias = NDArray[np.complex128]


class LoopTiming(NamedTuple):
    """What the loop takes beside the bike itself; seconds.

    rates_s, steer_s  age of the samples of gyro and fork when they are sent
    command_s         from the samples' arrival to the middle of the time the torque is held
    actuator_lag_s    first-order lag of the steering actuator
    pull              [1/s] how fast the roll estimate is drawn to the truth
    """

    rates_s: float
    steer_s: float
    command_s: float
    actuator_lag_s: float
    pull: float = ATTITUDE_PULL


def loop_timing(rig: Rig, codec: Codec) -> LoopTiming:
    """The timing of a rig's loop with the reference robot; ``codec`` of the rig's frames.

    A sample waits half a control period on the mean, a torque is held for one. That a command waits half a
    tick for the plant, and that the plant gives the actuator's value of a tick's end from its beginning,
    cancel. Transport on the bus (some tenths of a millisecond a frame) is left out. Frames are known by the
    signals they carry: what the DBC calls them is its own affair.
    Raises ValueError for a rig on which the reference robot can't ride.
    """
    if rig.steering != "torque_driven":
        raise ValueError("the reference robot steers by torque, this rig is angle-driven")
    rates, force, steer = (_output_carrying(rig, codec, signal) for signal in _NEEDED)
    if rates is None or force is None or steer is None:
        missing = [s for s, out in zip(_NEEDED, (rates, force, steer), strict=True) if out is None]
        raise ValueError(f"the reference robot needs signals that no output carries: {', '.join(missing)}")
    return LoopTiming(
        rates_s=rates.latency_ms * 1e-3 + rig.sensors.imu.rate_delay_s,
        steer_s=steer.latency_ms * 1e-3,
        command_s=STEP,
        actuator_lag_s=rig.actuators.steering.time_constant_ms * 1e-3,
    )


def _output_carrying(rig: Rig, codec: Codec, signal: str) -> Output | None:
    """The fastest output that carries a signal."""
    carrying = [out for name, out in rig.outputs.items() if signal in codec.signals[codec.frame(name)]]
    return max(carrying, key=lambda out: out.rate_hz, default=None)


class BalanceLoop:
    """The loop at one steady motion.

    gains (5,)  as emulator.robot.design has them: torque = -gains @ (deviations FED_BACK)
    """

    def __init__(self, linear: Linear, gains: NDArray[np.float64], timing: LoopTiming) -> None:
        self.gains, self.timing = gains, timing
        self.A, self.b = linear.A.copy(), linear.B[:, 0].copy()
        # The robot holds the speed: its slow mode is not for the steering to keep.
        self.A[D_VELOCITY, :] = self.A[:, D_VELOCITY] = self.b[D_VELOCITY] = 0.0
        poles, right = np.linalg.eig(self.A)
        self.poles: Complex = poles.astype(np.complex128)
        self._residues = right[list(FED_BACK)] * np.linalg.solve(right, self.b.astype(complex))

    def ratio(self, s: complex | Complex) -> Complex:
        """L(s): torque that comes back around the loop, sign changed, over torque that acts. Any shape."""
        at = np.asarray(s, complex)
        parts = 1.0 / (at[..., None] - self.poles)
        return np.asarray(
            sum(row * (parts @ part) for row, part in zip(self._row(at), self._residues, strict=True))
        )

    def _row(self, at: Complex) -> tuple[Complex, ...]:
        """K(s), sign changed: torque [N m] that acts for each of FED_BACK."""
        t, g = self.timing, self.gains
        gyro, fork = np.exp(-at * t.rates_s), np.exp(-at * t.steer_s)
        # Roll estimate: answers to the roll (by the pull) and to its rate (by the gyro).
        estimate = (t.pull / (at + t.pull), gyro / (at + t.pull))
        held = np.exp(-at * t.command_s) / (1.0 + at * t.actuator_lag_s)
        summed = g[0] * (1.0 + ROLL_INTEGRAL / at)
        return (
            held * summed * estimate[0],
            held * g[1] * fork,
            held * (summed * estimate[1] + g[2] * gyro),
            held * g[3] * gyro,
            held * g[4] * fork,
        )

    def share(self, s: complex) -> NDArray[np.float64]:
        """Share (23,) of each deviation in a root of the loop at s, whatever the extra delay."""
        resolvent = np.linalg.inv(s * np.eye(N_DEVIATIONS) - self.A)
        row = np.zeros(N_DEVIATIONS, complex)
        row[list(FED_BACK)] = [complex(v) for v in self._row(np.array(s))]
        share = np.abs((resolvent @ self.b) * (row @ resolvent))
        return np.asarray(share / share.sum())

    def matrix(self) -> NDArray[np.float64]:
        """The closed loop without extra delay as a state matrix, deviations first; delays by Pade.

        The command's delay is moved to where the samples come from: in a linear loop that is the same.
        """
        t, g = self.timing, self.gains
        torque, estimate, integral = range(N_DEVIATIONS, N_DEVIATIONS + 3)
        e = np.eye(N_DEVIATIONS + 3)
        fork = g[1] * e[D_STEER] + g[4] * e[FED_BACK[4]]
        signals = (
            (e[D_OMEGA], t.rates_s + t.command_s),
            (e[D_OMEGA + 2], t.rates_s + t.command_s),
            (fork, t.steer_s + t.command_s),
            (e[ROLL], t.command_s),
        )
        size = len(e) + _PADE_ORDER * len(signals)
        M = np.zeros((size, size))
        late = []
        for i, (row, delay) in enumerate(signals):
            first = len(e) + _PADE_ORDER * i
            a, b, c, d = _pade(delay)
            block = slice(first, first + _PADE_ORDER)
            M[block, block] = a
            M[block, : len(e)] += np.outer(b, row)
            out = np.zeros(size)
            out[block], out[: len(e)] = c, d * row
            late.append(out)
        p, r, steering, roll = late
        unit = np.eye(size)
        M[:N_DEVIATIONS, :N_DEVIATIONS] = self.A
        M[:N_DEVIATIONS, torque] = self.b
        M[estimate] = p + t.pull * (roll - unit[estimate])
        M[integral] = unit[estimate]
        asked = -(g[0] * (unit[estimate] + ROLL_INTEGRAL * unit[integral]) + steering + g[2] * p + g[3] * r)
        # A torque without lag is one with a lag that nothing notices.
        M[torque] = (asked - unit[torque]) / max(t.actuator_lag_s, 1e-4)
        return M


def _pade(
    delay: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], float]:
    """State-space (a, b, c, d) of the diagonal Pade approximation of a delay [s]."""
    n = _PADE_ORDER
    f = math.factorial
    c = [f(2 * n - j) * f(n) / (f(2 * n) * f(j) * f(n - j)) for j in range(n + 1)]
    below = np.array(c) / c[n]
    above = below * (-1.0) ** np.arange(n + 1)
    a = np.zeros((n, n))
    a[:-1, 1:] = np.eye(n - 1)
    a[-1] = -below[:n]
    b = np.zeros(n)
    b[-1] = 1.0
    d = float(above[n])
    if delay <= 0.0:
        return -np.eye(n), np.zeros(n), np.zeros(n), 1.0
    return a / delay, b / delay, above[:n] - d * below[:n], d


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
    """How much extra delay the reference robot's balance bears at each speed [m/s] and lean [rad].

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
                linear = linearise(vehicle, turns.at(speed, lean))
            except NoEquilibrium as error:
                gaps.append(Gap(speed, lean, str(error)))
                continue
            loop = BalanceLoop(linear, np.array(gains_for(design, speed, lean)), timing)
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


def loop_margin(loop: BalanceLoop) -> LoopMargin:
    """The delay margin of one loop."""
    closed = eigen(loop.matrix())
    share = participation(closed)
    unstable = sorted(np.flatnonzero(closed.roots.real >= 0.0), key=lambda k: -closed.roots[k].real)
    # What is unstable anyway crosses at no delay.
    leaving = [
        (0.0, abs(closed.roots[k].imag), looks_like(complex(closed.roots[k]), share[:, k], closed.states))
        for k in unstable
    ]
    deviations = np.arange(N_DEVIATIONS)
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
