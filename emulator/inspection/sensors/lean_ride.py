"""How wrong a lean sensor is on a ride: its own errors run over the recorded truth, beside what came out.

An error budget for a bike at rest says nothing of the errors a ride makes. They follow from the motion
alone, which the record holds tick by tick: force and rates at the sensor's place go through its own filter
(:mod:`emulator.sensors.lean`), one cause after the other, and what each adds is its share. Shares of one
motion are no strangers to each other: their squares do not add up to that of the whole.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.config.rig.file import Rig
from emulator.config.rig.lean_response import share_of_tick, told_radius
from emulator.core.constants import GRAVITY
from emulator.core.errors import RecordError
from emulator.core.signals import RUNNING, TICK_NS
from emulator.inspection.sensors.sample_age import Age
from emulator.record.frame_columns import TX
from emulator.record.reader import Run
from emulator.sensors.imu import turned
from emulator.sensors.lean import run_sensor
from emulator.vehicle.params import Vehicle
from emulator.wire.can_frames import Codec

Array = NDArray[np.float64]

_TICK_S = TICK_NS * 1e-9
_LONGEST_LAG = 400  # [ticks] that a lag is looked for
_EVERY = 10  # ticks between the values it is looked for with
_LEAST_ROLL_rad = math.radians(1.0)  # rms of a ride that shows a lag


class Cause(NamedTuple):
    """What one cause adds to the error, rms [rad]."""

    name: str
    rms_rad: float


@dataclass(frozen=True)
class LeanOnRide:
    """Errors of the lean a robot receives, less the roll there is at that instant, while it rides free.

    run, seconds       the ride, and how long it was looked at
    rms_rad, lag_ms    as the motion makes them
    causes             what they are made of
    shown_rms_rad, shown_lag_ms  of the lean that came out in this ride; NaN if another sensor rode
    """

    run: str
    seconds: float
    rms_rad: float
    lag_ms: float
    causes: tuple[Cause, ...]
    shown_rms_rad: float = math.nan
    shown_lag_ms: float = math.nan


class Motion(NamedTuple):
    """The recorded truth at one place of the main frame, (n,) or (n, 3) in its axes, tick by tick.

    velocity, acceleration  [m/s] and the rates of its components [m/s^2]
    riding                  free of the support and not down
    """

    tick: NDArray[np.int64]
    roll: Array
    rates: Array
    velocity: Array
    acceleration: Array
    up: Array
    spin: Array
    riding: NDArray[np.bool_]


def motion_at(run: Run, place: Sequence[float]) -> Motion:
    """What a ride did at a place (3,) [m] of the main frame.

    Raises RecordError for a record without truth.
    """
    of = run.signal
    time_s = run.time_s
    if time_s.size < 3:
        raise RecordError(f"{run.folder}: {time_s.size} ticks of a ride are too few to look at its motion")
    heading, pitch, roll = of("truth.heading_rad"), of("truth.pitch_rad"), of("truth.roll_rad")
    ahead, aside = of("truth.speed_m_s"), of("truth.speed_lateral_m_s")
    rates = np.column_stack([of(f"truth.{name}_rate_rad_s") for name in ("roll", "pitch", "yaw")])
    # Velocity in axes that turn with the heading, then pitched, then rolled with the frame.
    rise = np.gradient(of("truth.z_m"), time_s)
    cp, sp, cr, sr = np.cos(pitch), np.sin(pitch), np.cos(roll), np.sin(roll)
    pitched = sp * ahead + cp * rise
    velocity = np.column_stack([cp * ahead - sp * rise, cr * aside + sr * pitched, cr * pitched - sr * aside])
    velocity = velocity + np.cross(rates, np.asarray(place))
    riding = (
        (of("bench.state") == RUNNING)
        & (of("truth.support") == 0.0)
        & (np.cumsum(of("truth.fallen") > 0.0) == 0)
        & np.isfinite(heading)
    )
    return Motion(
        run.tick,
        roll,
        rates,
        velocity,
        np.gradient(velocity, time_s, axis=0),
        np.column_stack([-sp, sr * cp, cr * cp]),
        of("truth.wheel_front_rad_s"),
        riding,
    )


def lean_on_ride(rig: Rig, vehicle: Vehicle, run: Run, age: Age, noise_rad: float) -> LeanOnRide:
    """What the rig's lean sensor makes of a ride.

    age, noise_rad  of the output that carries the lean; one sigma of what is added to the sensor's result
    Raises RecordError for a record without truth, or in which nobody rides.
    """
    from scipy.signal import lfilter

    own = rig.sensors.lean.computed
    motion = motion_at(run, (0.0, 0.0, 0.0) if own is None else own.position_m)
    if not motion.riding.any():
        raise RecordError(f"{run.folder}: nobody rides free in it, so it shows no errors of the lean")
    stages = [("", motion.roll)] if own is None else _computed(rig, vehicle, motion)
    go = share_of_tick(rig.sensors.lean.time_constant_ms * 1e-3)
    kept = [(1.0 - go) * stages[-1][1][0]]
    smooth = np.asarray(lfilter([go], [1.0, go - 1.0], stages[-1][1], zi=kept)[0])
    ticks = motion.tick.astype(float)
    late = np.interp(ticks - age.mean * 1e-3 / _TICK_S, ticks, smooth)
    stages.append(("lag of its filter and age", late))
    riding = motion.riding
    causes = [Cause(name, _rms((after - before)[riding])) for (_, before), (name, after) in pairwise(stages)]
    causes.append(Cause("noise and step of the output", noise_rad))
    at = np.flatnonzero(riding)[::_EVERY]
    return LeanOnRide(
        run.folder.resolve().name,
        float(np.count_nonzero(riding)) * _TICK_S,
        math.hypot(_rms((late - motion.roll)[riding]), noise_rad),
        lag_ms(motion.roll, at, late[at]),
        tuple(causes),
    )


def received_lean(run: Run, codec: Codec, output: str) -> tuple[NDArray[np.int64], Array]:
    """Rows of a record in which the frame with the lean left, and what it said; NaN where not available."""
    frames = run.frames
    mine = (frames.direction == TX) & (frames.can_id == int(codec.table.can_id[codec.frame(output)]))
    rows = np.flatnonzero(np.isin(run.tick, frames.tick[mine]))
    return rows, run.signal("output.lean_rad")[rows]


def shown_on_ride(run: Run, codec: Codec, output: str) -> tuple[float, float]:
    """Rms error [rad] and lag [ms] of the lean that came out in a ride, as :class:`LeanOnRide` has them."""
    motion = motion_at(run, (0.0, 0.0, 0.0))
    rows, lean = received_lean(run, codec, output)
    keep = motion.riding[rows] & np.isfinite(lean)
    rows, lean = rows[keep], lean[keep]
    if not rows.size:
        return math.nan, math.nan
    return _rms(lean - motion.roll[rows]), lag_ms(motion.roll, rows, lean)


def lag_ms(roll: Array, at: NDArray[np.int64], lean: Array) -> float:
    """By how much [ms] ``lean`` (m,), had in the rows ``at`` of ``roll`` (n,), comes after it.

    Where the two are most alike (largest correlation), between ticks by a parabola; NaN of a ride that
    hardly rolls.
    """
    keep = at >= _LONGEST_LAG
    at, lean = at[keep], lean[keep]
    if at.size < 3 or float(np.std(roll[at])) < _LEAST_ROLL_rad:
        return math.nan
    alike = np.array([np.corrcoef(lean, roll[at - late])[0, 1] for late in range(_LONGEST_LAG)])
    best = int(np.argmax(alike))
    if not 0 < best < _LONGEST_LAG - 1:
        return float(best) * _TICK_S * 1e3
    low, mid, high = (float(v) for v in alike[best - 1 : best + 2])
    return (best + 0.5 * (low - high) / (low - 2.0 * mid + high)) * _TICK_S * 1e3


def _computed(rig: Rig, vehicle: Vehicle, motion: Motion) -> list[tuple[str, Array]]:
    """The roll, and what the sensor computes with one more of its causes of error each, at last with all.

    Its reference is right but for what is given to it: gravity alone, then noise, the acceleration of its
    place, the velocity there besides the one it is told, the speed it is told wrongly, and its own axes and
    biases. Noise is drawn, as it is no small matter where the bike falls for an instant (a wheel that lifts,
    a gear that goes in): down is up then, and only noise says on which side.
    """
    own = rig.sensors.lean.computed
    assert own is not None
    pull = share_of_tick(own.reference_time_constant_ms * 1e-3)
    radius, crown = told_radius(own, vehicle), own.crown_radius_m
    w, v = motion.rates, motion.velocity
    still, quiet = np.zeros_like(w), np.zeros_like(motion.spin)
    quick = still.copy()
    quick[:, 0] = w[:, 0]
    gravity = GRAVITY * motion.up
    ahead = v * np.array([1.0, 0.0, 0.0])
    felt = gravity + motion.acceleration
    slid = felt + np.cross(w, v - ahead)
    whole = slid + np.cross(w, ahead)
    axes = turned(*own.mounting_rad).T
    rng, root = np.random.default_rng(0), math.sqrt(_TICK_S)
    rate_noise = own.rate_noise_density_rad_s_sqrtHz / root * rng.standard_normal(w.shape)
    force_noise = own.force_noise_density_m_s2_sqrtHz / root * rng.standard_normal(w.shape)
    stages = [("", motion.roll)]
    for name, rates, force, spin, noise in (
        ("frame pitches in the turn", quick, gravity, quiet, 0.0),
        ("noise of its elements", quick, gravity, quiet, 1.0),
        ("own acceleration", quick, felt, quiet, 1.0),
        ("side and vertical speed", quick, slid, quiet, 1.0),
        ("speed it is told", w, whole, motion.spin, 1.0),
        (
            "biases and mounting",
            w @ axes + np.asarray(own.rate_bias_rad_s),
            whole @ axes + np.asarray(own.force_bias_m_s2),
            motion.spin,
            1.0,
        ),
    ):
        lean = np.zeros_like(motion.roll)
        run_sensor(
            np.ascontiguousarray(rates + noise * rate_noise),
            np.ascontiguousarray(force + noise * force_noise),
            spin,
            radius,
            crown,
            pull,
            _TICK_S,
            lean,
        )
        stages.append((name, lean))
    return stages


def _rms(values: Array) -> float:
    return float(np.sqrt(np.mean(values**2)))
