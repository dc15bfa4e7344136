"""How much later steering may come until a ride is lost: found by riding, on the stepped clock.

A ride goes straight on, waits until it has its speed, takes a gust from the side, and from then on its
steering frames come later (``late_steering.yaml``): everything a ride has is in it, noise, quantised frames,
estimator and tyres. It is watched for 45 s and lost if the bike falls, leaves its road or trips the rig, or
if it swings and the swing does not die away: a growing oscillation, or a limit cycle.

Frames can be held back by whole ticks only. A quarter of a tick is had by holding back that share of the
frames by one tick more, each drawn: on the mean they are so much later, and the steps in between are far
above the frequencies the bike answers to.
"""

from __future__ import annotations

import math
import multiprocessing
import os
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.assembly.bench import Bench
from emulator.assembly.session import Session, load_session, mission
from emulator.config.scenario.events import Event
from emulator.core.signals import TICK_NS, columns
from emulator.criteria.responses import DIES_AWAY, SWINGS, left_of_swing
from emulator.robot.design import Design
from emulator.robot.mission import ReferenceRider
from emulator.shared_memory.status import Command
from emulator.stages.stepped_loop import Block, SteppedLoop
from emulator.stages.stepped_ticks import FRAMES_A_TICK, on_the_bus
from emulator.stages.virtual import TogetherInSteps, without_permissives

SCENARIO = Path(__file__).with_name("late_steering.yaml")
GUST, LATE, LITTLE_LATER = "gust", "late", "a little later"
"""Its events."""

WATCHED_s = 45.0
"""How long a ride is watched from the gust on."""
_REACHED = 0.985  # of the speed asked for; then there are 8 s left until the gust
_RUN_UP_s = 60.0  # as if at full speed

QUARTERS = 4
"""The search is in quarters of a tick."""
_STRIDE, _MOST = 8 * QUARTERS, 104 * QUARTERS

_SPEED, _ROLL_RATE, _STEER_RATE = range(3)
_KEPT = columns("truth.speed_m_s", "truth.roll_rate_rad_s", "truth.steer_rate_rad_s")
_ROWS = 1000
_HZ = 1e9 / TICK_NS
_MOST_WORKERS = 8


class RiddenMargin(NamedTuple):
    """What rides at a speed [m/s] bore.

    kept       [s] most further delay of the rides before the first that was lost; NaN: none was kept
    lost       [s] least that was lost; infinite: none was
    frequency  [Hz] of what swings in the ride that was lost; NaN if nothing does
    why        why there is no margin; empty: there is one
    """

    speed: float
    kept: float
    lost: float
    frequency: float
    why: str = ""


class Watched(NamedTuple):
    """A ride from the gust on.

    rows      (n, 3)  speed [m/s], roll rate and steer rate [rad/s] by tick
    fastest   [m/s]   of all the ride
    ended     how it ended before all was watched; empty: it did not
    """

    rows: NDArray[np.float64]
    fastest: float
    ended: str

    @property
    def lost(self) -> bool:
        """Whether it fell, or swings without end."""
        if self.ended or len(self.rows) < round(WATCHED_s * _HZ):
            return True
        return left_of_swing(self.rows[:, _ROLL_RATE:]) > DIES_AWAY

    @property
    def frequency(self) -> float:
        """Frequency [Hz] of the larger swing, of its last seconds before the end; NaN for none."""
        seen = self.rows[-round(8.0 * _HZ) :, _ROLL_RATE:]
        if self.ended:  # a fall is no swing
            seen = self.rows[: -round(1.0 * _HZ), _ROLL_RATE:][-round(8.0 * _HZ) :]
        if len(seen) < round(2.0 * _HZ):
            return math.nan
        size = np.std(seen, axis=0)
        seen = seen[:, int(np.argmax(size / SWINGS))]
        power = np.abs(np.fft.rfft((seen - seen.mean()) * np.hanning(len(seen)), 8 * len(seen))) ** 2
        return float(np.argmax(power) * _HZ / (8 * len(seen)))


def late_session(rig: Path, vehicle: Path | None, speed: float, slope_deg: float = 0.0) -> Session:
    """The ride at ``speed`` [m/s] on a rig, with another vehicle than the rig's if one is given.

    slope_deg  of the straight, uphill positive
    Raises ConfigError.
    """
    return without_permissives(
        load_session(
            rig,
            SCENARIO,
            vehicle=vehicle,
            parameters={
                "speed": 3.6 * speed,
                "slope": slope_deg,
                "nearly": _REACHED * speed,
                "release": min(15.0, 0.95 * 3.6 * speed),
                "length": 100.0 + speed * (_RUN_UP_s + WATCHED_s),
            },
        )
    )


def delayed(session: Session, quarters: int) -> Session:
    """The same ride with steering frames that come so many quarters of a tick later from the gust on."""
    whole, part = divmod(quarters, QUARTERS)
    tick_ms = TICK_NS * 1e-6

    def changed(event: Event) -> Event | None:
        if event.name == LATE:
            return event.model_copy(update={"delay_ms": whole * tick_ms}) if whole else None
        if event.name == LITTLE_LATER:
            return event.model_copy(update={"share": part / QUARTERS}) if part else None
        return event

    events = tuple(e for e in map(changed, session.scenario.events) if e is not None)
    return replace(session, scenario=session.scenario.model_copy(update={"events": events}))


class _Watch:
    """Plant and robot on a stepped clock, see :class:`emulator.stages.stepped_loop.Driver`."""

    def __init__(self, session: Session, design: Design) -> None:
        self.bench = Bench(session)
        rider = ReferenceRider(mission(session), design)
        self.block = Block(_ROWS, 10 * _ROWS, session.payload_bytes, FRAMES_A_TICK)
        buffers = on_the_bus(session)
        self.loop = SteppedLoop(self.bench, self, self.block, buffers[-1])
        self._together = TogetherInSteps(self.bench, rider, buffers, self.block, self.loop.timing)

    def advance(self, bench: Bench, _block: Block) -> bool:
        """Ticks of plant and rider."""
        if bench.finished:
            return False
        self._together.advance()
        return True

    def hear(self, burst: bytes) -> None:
        """Never called: the rider hears its sentences within its ticks."""


def watch(session: Session, design: Design, quarters: int) -> Watched:
    """Ride with steering so many quarters of a tick late from the gust on."""
    it = _Watch(delayed(session, quarters), design)
    it.bench.command(Command.ARM, 0.0)
    fastest, rows, ended, since = 0.0, [], "", None
    for block in it.loop.blocks():
        riding = block.rows[block.tick >= 0][:, _KEPT]
        fastest = max(fastest, float(np.max(riding[:, _SPEED], initial=0.0)))
        for tick, kind, text in block.events:
            if kind == "gust_on":
                since = tick
            elif kind in ("fall", "run_off", "trip") and not ended:
                ended = text
        if since is not None:
            rows.append(block.rows[block.tick >= since][:, _KEPT])
        if ended or sum(map(len, rows)) >= round(WATCHED_s * _HZ):
            break
    seen = np.concatenate(rows) if rows else np.zeros((0, len(_KEPT)))
    return Watched(seen[: round(WATCHED_s * _HZ)], fastest, ended)


def ridden_margin(session: Session, design: Design, speed: float) -> RiddenMargin:
    """The ridden margin at ``speed`` [m/s] of a ride from :func:`late_session`; some ten rides.

    Delays are tried upwards in strides until a ride is lost, then halved between. What is lost and comes back
    between two strides is not seen.
    """
    calm = watch(session, design, 0)
    if not len(calm.rows):
        why = calm.ended or f"speed not reached: {3.6 * calm.fastest:.0f} km/h"
        return RiddenMargin(speed, math.nan, math.inf, math.nan, why)
    if calm.lost:
        why = "lost without any" + (f": {calm.ended}" if calm.ended else "")
        return RiddenMargin(speed, math.nan, 0.0, calm.frequency, why)
    kept, lost, frequency = 0, _MOST + _STRIDE, math.nan
    while lost - kept > 1:
        middle = kept + _STRIDE if lost - kept > _STRIDE else (kept + lost) // 2
        if middle > _MOST:
            return RiddenMargin(speed, kept / QUARTERS / _HZ, math.inf, math.nan)
        ride = watch(session, design, middle)
        if ride.lost:
            lost, frequency = middle, ride.frequency
        else:
            kept = middle
    return RiddenMargin(speed, kept / QUARTERS / _HZ, lost / QUARTERS / _HZ, frequency)


def _at(rig: Path, vehicle: Path | None, design: Design, slope_deg: float, speed: float) -> RiddenMargin:
    return ridden_margin(late_session(rig, vehicle, speed, slope_deg), design, speed)


def ridden_margins(
    rig: Path,
    vehicle: Path | None,
    design: Design,
    speeds: Sequence[float],
    progress: Callable[[RiddenMargin], None] = lambda _margin: None,
    slope_deg: float = 0.0,
) -> tuple[RiddenMargin, ...]:
    """Ridden margins at these speeds [m/s], in their order: a speed a process, as many as there are cores.

    rig, vehicle  files; without a vehicle it is the rig's
    progress      told each as it is there
    slope_deg     of the straight, uphill positive
    Raises ConfigError with every problem of the files.
    """
    at = partial(_at, rig, vehicle, design, slope_deg)
    workers = min(len(speeds), len(os.sched_getaffinity(0)), _MOST_WORKERS)
    out = []
    if workers <= 1:
        for margin in map(at, speeds):
            out.append(margin)
            progress(margin)
        return tuple(out)
    with ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn")) as pool:
        for margin in pool.map(at, speeds):
            out.append(margin)
            progress(margin)
    return tuple(out)
