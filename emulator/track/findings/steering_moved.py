"""Steering that moves where its actuator does not ask for it, as a record shows it, and what moved it.

Near a steady motion a predictor (emulator.track.calibration.steady_model) says what rates, lean and steering
angle come next, from the torque that was asked or measured. A torque that nobody told of shows in what it did
not predict; so large a torque, held for so long from such an instant, as explains most of it, is what moved
the steering. How far that is off by itself (noise, a bend that tightens, the friction of the bearings) is
read from the ride before: the scatter of the same estimate there, and half of what it differs by with the
steering turning one way and the other.

Whose it was is only told where the log proves it. A torque measured at the steering that differs from what
was asked is the actuator's. Where it does not differ, the actuator is out of it, and a bump in the forces at
that instant is a cause that is there; without one the cause is open. Where no torque was measured behind the
actuator, it is open as well, bump or not.
"""

from __future__ import annotations

import math
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, maximum_filter1d

from emulator.core.compiled import jit
from emulator.record.reader import Run
from emulator.track.calibration.steady_model import Noise, SteadyModel, steady_model
from emulator.track.findings.seen import FindingError, Seen, Values, on_grid
from emulator.vehicle.equilibrium import NoEquilibrium, steady_motion
from emulator.vehicle.params import Vehicle

NEAR_s = 1.0
"""How far from the instant named the steering may begin to move."""
_STEP_s = 0.005
_BEFORE_s, _LEAST_BEFORE_s, _AFTER_s = 3.0, 0.8, 3.0
_PULSE_s, _LOOKS_s = 0.05, 0.1  # torque held, and how long its answer is looked at
_TIMES_NOISE, _LEAST_Nm = 6.0, 2.0
_STANDS_ROWS = 3
_PER_m_s2, _SLOWS_s, _AROUND_s = 0.75, 0.3, 0.35  # [N m] for each m/s2; chosen by riding hard braking
_LEANED_PER_m_s2 = 3.0  # likewise, at 90 degrees of lean; 200 kg on a crown of 60 mm have up to 12
_SPREAD = 1.4826
_SLOWEST_m_s = 5.0
_LASTS_s = (0.02, 0.03, 0.05, 0.075, 0.1, 0.15, 0.2, 0.3, 0.4)
_OFFSETS = range(-14, 5)
_CALM_s, _SHOCK_s = 0.1, 0.15
_SHOCK_m_s2 = 2.5
_FOLLOWS_Nm, _FOLLOWS = 1.0, 0.25
_STUCK = 0.15  # of what was asked, below which what was delivered does not move
NOISE = Noise(0.3, 0.3, 30.0, (0.01, 0.01, 5e-4, 0.01, 0.3))
"""Of the predictor: common practice, no source. How far estimates are off by themselves the log tells."""
_TORQUES = ("robot.steering_torque_Nm", "actuator.steering_torque_Nm")

Cause = Literal["actuator", "bump", "open"]
Delivered = Literal["no_response", "stuck", "offset"]


class SteeringMoved(NamedTuple):
    """Steering that moved by itself.

    from_s, lasts_s  [s]     of the record
    torque           [N m]   that explains it, held so long; of an actuator what it delivered beside what was
                             asked, on the mean
    floor            [N m]   that such an estimate comes to by itself: six times its scatter, the friction,
                             and what braking does to it
    cause                    as far as it is proven;  bump  whether a bump shows at the same instant
    measured                 whether the torque behind the actuator was measured
    delivered                of an actuator how it failed;  value  [N m] what it delivered, or was off by
    rate             [rad/s] of the steering, the greatest within its time and a tenth of a second more
    """

    from_s: float
    lasts_s: float
    torque: float
    floor: float
    cause: Cause
    bump: bool
    measured: bool
    delivered: Delivered | None
    value: float
    rate: float


class _Watched(NamedTuple):
    """Around an instant, at steps of 5 ms: times, outputs (n, 5), and torques, NaN where not recorded."""

    time_s: Values
    outputs: Values
    asked: Values
    delivered: Values
    shaken: Values


def find_steering_moved(run: Run, seen: Seen, at_s: float, vehicle: Vehicle, lag_s: float) -> SteeringMoved:
    """The movement near an instant.

    lag_s  time constant of the steering's actuator
    Raises FindingError: there is none, or the record cannot say.
    """
    watched = _watched(run, at_s, lag_s)
    model = _model(watched, at_s, vehicle)
    by_asked = np.isfinite(watched.asked).all()
    primary = watched.asked if by_asked else watched.delivered
    unexplained = _unexplained(model, watched, primary)
    moved, floors = _beyond_usual(watched, unexplained, at_s)
    times = watched.time_s[: len(moved)]
    near = np.abs(times - at_s) <= NEAR_s
    over = np.convolve((np.abs(moved) > floors) & near, np.ones(_STANDS_ROWS), mode="valid")
    rows = np.flatnonzero(over > _STANDS_ROWS - 0.5)
    if not len(rows):
        most = int(np.argmax(np.where(near, np.abs(moved) - floors, -math.inf)))
        raise FindingError(
            f"the steering does not move by itself within {NEAR_s:g} s of {at_s:g} s: "
            f"{abs(moved[most]):.1f} N m would explain it, {floors[most]:.1f} N m could be noise and "
            "friction",
            advice="see the report for the instant, or take another kind with --as",
        )
    floor = float(floors[rows[0]])
    begins, lasts_s, torque = _pulse(model, watched, primary, int(rows[0]), moved, floor)
    bump = _bump(watched, begins)
    measured = bool(np.isfinite(watched.delivered).all())
    rates = np.gradient(gaussian_filter1d(watched.outputs[:, 2], 1.0), _STEP_s)
    after = slice(begins, begins + round((lasts_s + _CALM_s) / _STEP_s))
    rate = float(np.abs(rates[after]).max())
    told = (float(watched.time_s[begins]), lasts_s, torque, floor)
    if measured and by_asked:
        failed = _failed(watched, begins)
        if failed is not None:
            first, lasts_s, how, value, beside = failed
            start_s = float(watched.time_s[first])
            return SteeringMoved(
                start_s, lasts_s, beside, floor, "actuator", bump, True, how, value, rate
            )  # fmt: skip
    cause: Cause = "bump" if measured and bump else "open"
    return SteeringMoved(*told, cause, bump, measured, None, math.nan, rate)


def _watched(run: Run, at_s: float, lag_s: float) -> _Watched:
    if not any(name in run.signals for name in _TORQUES):
        raise FindingError(
            f"{run.folder} has neither {_TORQUES[0]} nor {_TORQUES[1]}, without which nobody can say what "
            "the steering was asked for",
            advice="map the torque that was asked of the steering, and the one measured behind its actuator",
        )
    first = max(float(run.time_s[0]), at_s - NEAR_s - _BEFORE_s)
    time_s = np.arange(first, min(float(run.time_s[-1]), at_s + NEAR_s + _AFTER_s), _STEP_s)
    of = on_grid(run, time_s)
    outputs = np.column_stack(
        [
            of("truth.roll_rate_rad_s", "output.rate_x_rad_s"),
            of("truth.yaw_rate_rad_s", "output.rate_z_rad_s"),
            of("output.steering_angle_rad", "truth.steer_rad"),
            of("truth.roll_rad"),
            of("truth.speed_m_s"),
        ]
    )
    if not np.isfinite(outputs[:, 2]).any():
        raise FindingError(
            f"{run.folder} has no steering angle", advice="map output.steering_angle_rad"
        )  # fmt: skip
    asked = of(_TORQUES[0])
    smooth = gaussian_filter1d(np.nan_to_num(of("output.force_z_m_s2")), 0.01 / _STEP_s)
    return _Watched(time_s, outputs, _lagged(asked, lag_s), of(_TORQUES[1]), smooth)


def _lagged(asked: Values, lag_s: float) -> Values:
    """What an actuator of a first-order lag makes of it."""
    out, share = asked.copy(), 1.0 - math.exp(-_STEP_s / lag_s) if lag_s > 0.0 else 1.0
    for k in range(1, len(out)):
        out[k] = out[k - 1] + share * (asked[k] - out[k - 1])
    return out


def _model(watched: _Watched, at_s: float, vehicle: Vehicle) -> SteadyModel:
    """The predictor about what was ridden just before. Raises FindingError: too slow, or no such turn."""
    before = (watched.time_s > at_s - NEAR_s - 0.3) & (watched.time_s < at_s)
    speed, lean = (float(np.nanmedian(watched.outputs[before, k])) for k in (4, 3))
    riding = (watched.time_s < at_s - NEAR_s) & (watched.outputs[:, 4] > _SLOWEST_m_s)
    riding &= np.isfinite(watched.outputs).all(axis=1)
    if not speed > _SLOWEST_m_s or riding.sum() < _LEAST_BEFORE_s / _STEP_s:
        raise FindingError(
            f"less than {_LEAST_BEFORE_s:g} s of riding above {_SLOWEST_m_s:g} m/s is known a second before "
            f"{at_s:g} s, which says how far the steering is off by itself",
            advice="take another instant",
        )
    try:
        return steady_model(vehicle, steady_motion(vehicle, speed, lean), NOISE, _STEP_s)
    except (NoEquilibrium, ValueError) as error:
        raise FindingError(
            f"the rig's bike can't ride {3.6 * speed:.0f} km/h at {math.degrees(lean):.0f} degrees steadily, "
            f"as the log had it at {at_s:g} s: {error}",
            advice="name the rig of the bike that was ridden, or another instant",
        ) from error


def _innovations(model: SteadyModel, watched: _Watched, torque: Values) -> Values:
    """What was not predicted (n, 5); nothing where a sample is missing."""
    outputs = watched.outputs - model.outputs
    known = np.isfinite(outputs)
    held = torque - model.torque
    held = np.where(np.isfinite(held), held, 0.0)
    out, states = np.where(known, outputs, 0.0), np.zeros((2, len(model.A)))
    _innovate(model.A, model.B, model.C, model.K, held, known, states, out)
    return out


@jit
def _innovate(
    A: Values,
    B: Values,
    C: Values,
    K: Values,
    held: Values,
    known: NDArray[np.bool_],
    states: Values,
    out: Values,
) -> None:
    """Make outputs (n, 5) innovations in place; states: zeros (2, states)."""
    x, following = states[0], states[1]
    for k in range(len(out)):
        for j in range(out.shape[1]):
            if known[k, j]:
                for i in range(len(x)):
                    out[k, j] -= C[j, i] * x[i]
        for i in range(len(x)):
            value = B[i] * held[k]
            for j in range(len(x)):
                value += A[i, j] * x[j]
            for j in range(out.shape[1]):
                value += K[i, j] * out[k, j]
            following[i] = value
        x, following = following, x


def _answer(model: SteadyModel, lasts: int, rows: int) -> Values:
    """(rows, 5) innovations that 1 N m more brings about, held for so many rows."""
    closed = model.A - model.K @ model.C
    x, out = np.zeros(len(closed)), np.zeros((rows, len(model.C)))
    for k in range(rows):
        out[k] = model.C @ x
        x = closed @ x + (model.B if k < lasts else 0.0)
    return out


def _unexplained(model: SteadyModel, watched: _Watched, torque: Values) -> Values:
    """(n,) [N m] more, held for 50 ms from each row on, that explains most of what was not predicted."""
    innovations = _innovations(model, watched, torque)
    many = round((_PULSE_s + _LOOKS_s) / _STEP_s)
    answer = _answer(model, round(_PULSE_s / _STEP_s), many)
    weights = answer @ np.linalg.inv(model.S)
    energy = float((weights * answer).sum())
    sums = [np.correlate(innovations[:, k], weights[:, k], mode="valid") for k in range(len(model.C))]
    return np.asarray(np.sum(sums, axis=0) / energy)


def _beyond_usual(watched: _Watched, unexplained: Values, at_s: float) -> tuple[Values, Values]:
    """What goes beyond the median of the half second before, and how far that goes by itself (n,) [N m]."""
    many, gap = round(0.5 / _STEP_s), round(_PULSE_s / _STEP_s)
    moved = unexplained.copy()
    for k in range(min(gap + many, len(moved))):  # less than half a second was before
        moved[k] -= float(np.median(unexplained[: max(k - gap, 1)]))
    if len(moved) > gap + many:
        before = np.lib.stride_tricks.sliding_window_view(unexplained[: len(moved) - gap - 1], many)
        moved[gap + many :] -= np.median(before, axis=1)
    times = watched.time_s[: len(moved)]
    # the predictor's own beginning is left out
    calm = (times > times[0] + 0.5) & (times < at_s - NEAR_s - _PULSE_s - _LOOKS_s)
    if calm.sum() < 20:
        calm = times < at_s - NEAR_s - _PULSE_s
    scatter = _SPREAD * float(np.median(np.abs(moved[calm] - np.median(moved[calm]))))
    turns = np.gradient(gaussian_filter1d(watched.outputs[: len(moved), 2], 2.0), _STEP_s)[calm]
    quick = np.abs(turns) > np.median(np.abs(turns))
    one, other = (unexplained[calm][quick & (side * turns > 0.0)] for side in (1.0, -1.0))
    friction = 0.5 * abs(float(np.median(one) - np.median(other))) if len(one) > 5 < len(other) else 0.0
    # dry friction turns over from one side to the other
    usual = max(_TIMES_NOISE * scatter + 2.0 * friction, _LEAST_Nm)
    # the model rides steadily: loads that move to the front make another bike, and a brake at a contact that
    # a leaned tyre has beside the steering axis turns it
    slows = np.abs(np.gradient(gaussian_filter1d(watched.outputs[:, 4], _SLOWS_s / _STEP_s), _STEP_s))
    slows = maximum_filter1d(np.nan_to_num(slows), round(2.0 * _AROUND_s / _STEP_s))[: len(moved)]
    leans = np.abs(np.sin(np.nan_to_num(watched.outputs[: len(moved), 3])))
    return moved, usual + (_PER_m_s2 + _LEANED_PER_m_s2 * leans) * slows


def _pulse(
    model: SteadyModel, watched: _Watched, torque: Values, row: int, moved: Values, floor: float
) -> tuple[int, float, float]:
    """(row, duration [s], torque [N m]) of the pulse that explains most; a longer one's by its estimate."""
    innovations, inverse = _innovations(model, watched, torque), np.linalg.inv(model.S)
    many = round((_LASTS_s[-1] + _LOOKS_s) / _STEP_s)
    usual = innovations[max(row - 120, 0) : max(row - 20, 1)]
    less = innovations - np.median(usual, axis=0)
    best = (0.0, row, _LASTS_s[0], float(moved[row]))
    for lasts_s in _LASTS_s:
        lasts = round(lasts_s / _STEP_s)
        answer = _answer(model, lasts, min(many, lasts + round(_LOOKS_s / _STEP_s)))
        weights = answer @ inverse
        energy = float((weights * answer).sum())
        for offset in _OFFSETS:
            start = row + offset
            part = less[max(start, 0) : max(start, 0) + len(answer)]
            if len(part) < len(answer):
                continue
            force = float((weights * part).sum()) / energy
            # each row more explains something by itself: what counts is what one more is worth
            worth = force**2 * energy / len(answer)
            if worth > best[0]:
                best = (worth, start, lasts_s, force)
    _, start, lasts_s, force = best
    if lasts_s == _LASTS_s[-1]:
        calm = np.convolve(np.abs(moved[start:]) < floor, np.ones(round(_CALM_s / _STEP_s)), mode="valid")
        ends = np.flatnonzero(calm > round(_CALM_s / _STEP_s) - 0.5)
        lasts_s = max(lasts_s, float(ends[0]) * _STEP_s) if len(ends) else lasts_s
    return start, lasts_s, force


def _bump(watched: _Watched, row: int) -> bool:
    """Whether the vertical force jumps around a row as it does not in the second before."""
    reach, before = round(_SHOCK_s / _STEP_s), round(1.0 / _STEP_s)
    usual = watched.shaken[max(row - reach - before, 0) : max(row - reach, 1)]
    here = watched.shaken[max(row - reach, 0) : row + round(0.05 / _STEP_s)]
    if not len(usual) or not len(here):
        return False
    middle = float(np.median(usual))
    spread = _SPREAD * float(np.median(np.abs(usual - middle)))
    return bool(np.abs(here - middle).max() > max(_TIMES_NOISE * spread, _SHOCK_m_s2))


def _failed(watched: _Watched, row: int) -> tuple[int, float, Delivered, float, float] | None:
    """(row, duration [s], how, value, torque beside) of an actuator that does not follow; None: it does."""
    beside = watched.delivered - watched.asked
    calm = slice(max(row - round(1.0 / _STEP_s), 0), max(row - round(0.2 / _STEP_s), 1))
    usual = float(np.median(beside[calm]))
    noise = _SPREAD * float(np.median(np.abs(beside[calm] - usual)))
    # an actuator is late for what is asked quickly
    quick = np.abs(np.gradient(watched.asked, _STEP_s)) * 2.0 * _STEP_s
    off = np.abs(beside - usual) > np.maximum(_TIMES_NOISE * noise, _FOLLOWS_Nm) + quick
    near = slice(max(row - round(0.3 / _STEP_s), 0), row + round(0.15 / _STEP_s))
    rows = np.flatnonzero(np.convolve(off[near], np.ones(_STANDS_ROWS), mode="valid") > _STANDS_ROWS - 0.5)
    if not len(rows):
        return None
    first = near.start + int(rows[0])
    calm_rows = round(_CALM_s / _STEP_s)
    ends = np.flatnonzero(np.convolve(~off[first:], np.ones(calm_rows), mode="valid") > calm_rows - 0.5)
    last = first + int(ends[0]) if len(ends) else len(off)
    delivered, asked = watched.delivered[first:last], watched.asked[first:last]
    mean = float(np.mean(beside[first:last] - usual))
    middle = float(np.median(delivered))
    moves = float(np.abs(delivered - middle).mean())
    if moves < max(_STUCK * float(np.abs(asked - np.median(asked)).mean()), noise):
        how: Delivered = "no_response" if abs(middle) < max(3.0 * noise, _FOLLOWS_Nm * 0.3) else "stuck"
        return first, (last - first) * _STEP_s, how, middle, mean
    return first, (last - first) * _STEP_s, "offset", float(np.median(beside[first:last] - usual)), mean
