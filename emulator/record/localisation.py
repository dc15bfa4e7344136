"""How well the robot knew its place: its own estimate against the truth of the instant it stands for.

An estimate counts once, when its frame arrives; what it is compared with is the true place as long before as
the rig says an estimate is old on arrival (``device_under_test.estimate_age_ms``): at 55 m/s a millisecond
is 5.5 cm. The age that would fit the ride best is worked out beside it. The error is split along the bike's
heading and across it (to the left).

2.5 cm rms is usual for carrier-phase (common practice, no source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from emulator.core.signals import RUNNING

if TYPE_CHECKING:  # who only names criteria needs no reader of records
    from emulator.record.reader import Run

KNOWN_TO_M = 0.025
"""[m] rms that is usual for carrier-phase (common practice, no source)."""
FIXED = 4
"""GGA quality of a fix with whole ambiguities."""

_LEAST_SPEED = 1.0  # [m/s] slower, an arrival can't be told from the number before it


@dataclass(frozen=True)
class Outage:
    """A time without a fix, by the epochs sent: from, to [s]; error [m] as it began, at its end, worst."""

    from_s: float
    to_s: float
    before_m: float
    after_m: float
    worst_m: float


@dataclass(frozen=True)
class PositionError:
    """How far the robot's estimate was from the truth, while running.

    rms_m, along_m, across_m  [m]  root mean squares, in the plane, along and across the heading
    fixed_rms_m               [m]  rms over estimates made with fix quality 4 alone; None without any
    worst_m, worst_time_s     [m], [s]
    estimates                 how many arrived
    age_ms, fitted_age_ms     [ms] age they were taken for, and the one that fits best along the way
    outages                   times without a fix
    """

    rms_m: float
    along_m: float
    across_m: float
    fixed_rms_m: float | None
    worst_m: float
    worst_time_s: float
    estimates: int
    age_ms: float
    fitted_age_ms: float
    outages: tuple[Outage, ...] = ()

    @property
    def sentence(self) -> str:
        """The same for people."""
        text = (
            f"position error {_cm(self.rms_m)} rms ({_cm(self.along_m)} along, {_cm(self.across_m)} across)"
        )
        if self.fixed_rms_m is not None:
            sign = "within" if self.fixed_rms_m <= KNOWN_TO_M else "beyond"
            text += f"; with fixed ambiguities {_cm(self.fixed_rms_m)}, {sign} {_cm(KNOWN_TO_M)}"
        text += f"; worst {_cm(self.worst_m)}, {self.worst_time_s:.1f} s into the ride"
        for o in self.outages:
            text += (
                f"; without a fix for {o.to_s - o.from_s:.1f} s from {o.from_s:.1f} s it went from "
                f"{_cm(o.before_m)} to {_cm(o.after_m)} off, at most {_cm(o.worst_m)}"
            )
        return text


def _cm(metres: float) -> str:
    return f"{metres * 100:.1f} cm" if metres < 1.0 else f"{metres:.2f} m"


@dataclass(frozen=True)
class PositionErrors:
    """The errors behind it: rows (n,) of the record the estimates arrived at, along and across (n,) [m]."""

    rows: NDArray[np.int64]
    along_m: NDArray[np.float64]
    across_m: NDArray[np.float64]
    age_ms: float
    fitted_age_ms: float


def position_errors(run: Run) -> PositionErrors | None:
    """Errors of every estimate that arrived while riding; None if the record has none to compare.

    What a robot makes of a bike that is down is no estimate of a ride.
    """
    names = [f"robot.estimate_{a}_m" for a in "xy"]
    names += ["truth.x_m", "truth.y_m", "truth.heading_rad", "truth.speed_m_s", "bench.state"]
    if any(name not in run.signals for name in names) or len(run.tick) < 2:
        return None
    ex, ey, x, y, heading, speed, state = (run.signals[name] for name in names)
    fresh = np.flatnonzero((np.diff(ex) != 0.0) | (np.diff(ey) != 0.0)) + 1
    age_ms = _age_of(run)
    at = run.tick[fresh] - age_ms  # ticks are milliseconds
    usable = (state[fresh] == RUNNING) & (at >= run.tick[0]) & (speed[fresh] > _LEAST_SPEED)
    usable &= run.signals.get("truth.fallen", np.zeros(len(run.tick)))[fresh] == 0.0
    usable &= np.isfinite(ex[fresh]) & np.isfinite(ey[fresh])
    fresh, at = fresh[usable], at[usable]
    if not len(fresh):
        return None
    dx = ex[fresh] - np.interp(at, run.tick, x)
    dy = ey[fresh] - np.interp(at, run.tick, y)
    h, v = np.interp(at, run.tick, np.unwrap(heading)), np.interp(at, run.tick, speed)
    along, across = np.cos(h) * dx + np.sin(h) * dy, np.cos(h) * dy - np.sin(h) * dx
    # behind by the way of so many milliseconds at each speed: least squares of along = -v * extra age
    extra_ms = -1e3 * float(np.sum(along * v) / np.sum(v * v))
    return PositionErrors(fresh, along, across, age_ms, age_ms + extra_ms)


def position_error(run: Run) -> PositionError | None:
    """How well the robot knew its place in a run; None if it never said where it was."""
    errors = position_errors(run)
    if errors is None:
        return None
    size = np.hypot(errors.along_m, errors.across_m)
    worst = int(size.argmax())
    fix = run.signals.get("output.gnss_fix")
    fixed = np.zeros(len(size), bool) if fix is None else fix[errors.rows] == FIXED
    return PositionError(
        rms_m=_rms(size),
        along_m=_rms(errors.along_m),
        across_m=_rms(errors.across_m),
        fixed_rms_m=_rms(size[fixed]) if fixed.any() else None,
        worst_m=float(size[worst]),
        worst_time_s=float(run.time_s[errors.rows[worst]]),
        estimates=len(size),
        age_ms=errors.age_ms,
        fitted_age_ms=errors.fitted_age_ms,
        outages=_outages(run, errors, size),
    )


def _outages(run: Run, errors: PositionErrors, size: NDArray[np.float64]) -> tuple[Outage, ...]:
    fix = run.signals.get("output.gnss_fix")
    if fix is None:
        return ()
    # An epoch without a fix: quality 0. Before the first epoch nothing was sent, which is no outage.
    none = np.concatenate([[False], fix == 0.0, [False]])
    edges = np.flatnonzero(none[1:] != none[:-1])
    out = []
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        inside = np.flatnonzero((errors.rows >= first) & (errors.rows < last))
        if len(inside):
            out.append(
                Outage(
                    float(run.time_s[first]),
                    float(run.time_s[min(last, len(fix) - 1)]),
                    float(size[inside[0]]),
                    float(size[inside[-1]]),
                    float(size[inside].max()),
                )
            )
    return tuple(out)


def _rms(values: NDArray[np.float64]) -> float:
    return math.sqrt(float(np.mean(values * values)))


def _age_of(run: Run) -> float:
    """What the rig said of an estimate's age [ms]; one tick if it said nothing."""
    rig = run.manifest.get("rig")
    device = rig.get("device_under_test") if isinstance(rig, dict) else None
    age = device.get("estimate_age_ms") if isinstance(device, dict) else None
    return float(age) if isinstance(age, int | float) else 1.0
