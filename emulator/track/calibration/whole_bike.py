"""Innovations of the whole bike: of the plant itself, not of what it is near a steady motion.

A stretch of steady riding has swings of lean, steer and speed. The linear model leaves out what goes with
their squares, which the mean of many swings does not take away: it is taken for other parameters. Here the
plant that the loop runs predicts from sample to sample, and the linear predictor's gain corrects it. What is
left out then goes with the square of how far off the prediction is.

Source: the extended Kalman filter with a constant gain; from memory.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from emulator.core.axes import quaternion_of, roll_pitch_yaw, rotation_of
from emulator.core.compiled import jit
from emulator.track.calibration.innovations import HOLE_s, Stretch, smoothed
from emulator.track.calibration.steady_model import OUTPUTS, Noise, SETTLING_s, SteadyModel, read_into
from emulator.vehicle.equilibrium import Steady
from emulator.vehicle.integrate import begin, finish
from emulator.vehicle.linearise import PITCH, ROLL, state_places
from emulator.vehicle.params import Vehicle
from emulator.vehicle.state import (
    JOINT_RATE,
    N_X,
    QUATERNION,
    STEER,
    U_DRIVE_TORQUE,
    U_STEER_TORQUE,
    U_WIND_X,
    U_WIND_Y,
    scratch,
)

Values = NDArray[np.float64]

_TICK_s = 1e-3
_FARTHEST_rad = 0.5
"""Of the predicted lean from the steady one: who is farther off knows nothing any more."""


def whole_innovations(
    vehicle: Vehicle, steady: Steady, model: SteadyModel, noise: Noise, stretch: Stretch, nuisance: Values
) -> Values:
    """(n, 5) innovations of a stretch; 0 where there was no sample, NaN where the prediction is lost.

    steady    motion of the vehicle that the stretch is steady about
    model     linear model about it, of that noise: its gain corrects what the vehicle predicts
    nuisance  (8,) of the stretch's log
    """
    ticks = max(1, round(stretch.step_s / _TICK_s))
    # what is kept of the deviation behind the bike's own: wind and drive
    places = state_places(vehicle)[model.kept]
    within = stretch.step_s / ticks
    out = np.empty_like(stretch.outputs)
    _predict(
        vehicle.body, vehicle.tyre, steady.x, steady.u, places, model.kept, model.K, model.beginning,
        math.exp(-within / noise.lag) if noise.lag > 0.0 else 0.0,
        smoothed(model.rate_sd), stretch.torque, stretch.outputs, nuisance,
        within, ticks, max(1, round(HOLE_s / stretch.step_s)), max(1, round(SETTLING_s / stretch.step_s)),
        steady.x.copy(), steady.u.copy(), np.zeros((2, len(OUTPUTS))), np.zeros(len(model.A)), scratch(), out,
    )  # fmt: skip
    return out


@jit
def _predict(
    body: NDArray[np.void],
    tyre: NDArray[np.void],
    steady_x: Values,
    steady_u: Values,
    places: NDArray[np.int64],
    kept: NDArray[np.int64],
    K: Values,
    beginning: Values,
    stays: float,
    sticking: float,
    torque: Values,
    outputs: Values,
    nuisance: Values,
    tick_s: float,
    ticks: int,
    hole: int,
    settling: int,
    x: Values,
    u: Values,
    seen: Values,
    change: Values,
    work: NDArray[np.void],
    out: Values,
) -> None:
    own, states, m = len(kept), len(K), outputs.shape[1]
    said, steady_said = seen[0], seen[1]
    read_into(steady_x, steady_said)
    wind = drive = 0.0
    missed, lost, known = 0, 0, 0
    for k in range(len(torque)):
        read_into(x, said)
        there = 0
        for j in range(m):
            out[k, j] = 0.0
            if not math.isnan(outputs[k, j]):
                there += 1
                out[k, j] = outputs[k, j] - said[j] - nuisance[3 + j]
        missed = missed + 1 if there == 0 else 0
        # Where nothing was logged for long the linear predictor is no wiser; it begins anew, too.
        far = not abs(said[3] - steady_said[3]) <= _FARTHEST_rad
        if missed > hole or far:
            for i in range(N_X):
                x[i] = steady_x[i]
            wind = drive = 0.0
            known = 0
            lost = settling if far else max(lost, 1)
            for j in range(m):
                out[k, j] = math.nan
            continue
        u[U_STEER_TORQUE] = nuisance[0] * torque[k] + nuisance[1]
        u[U_STEER_TORQUE] -= nuisance[2] * math.tanh(x[JOINT_RATE + STEER] / sticking)
        gain = beginning[known] if known < len(beginning) else K
        known += 1
        for i in range(states):
            change[i] = 0.0
            for j in range(m):
                change[i] += gain[i, j] * out[k, j]
        if lost > 0:
            lost -= 1
            for j in range(m):
                out[k, j] = math.nan
        for _ in range(ticks):
            R = rotation_of(x[QUATERNION], x[QUATERNION + 1], x[QUATERNION + 2], x[QUATERNION + 3])
            yaw = roll_pitch_yaw(R)[2]
            u[U_WIND_X], u[U_WIND_Y] = -math.sin(yaw) * wind, math.cos(yaw) * wind
            u[U_DRIVE_TORQUE] = steady_u[U_DRIVE_TORQUE] + drive
            begin(body, tyre, x, u, work)
            finish(body, tyre, x, u, tick_s, work)
            wind, drive = stays * wind, stays * drive
        if states > own:
            wind, drive = wind + change[own], drive + change[own + 1]
        _move(x, places, kept, change)


@jit
def _move(x: Values, places: NDArray[np.int64], kept: NDArray[np.int64], change: Values) -> None:
    """The state x (N_X,) moved by a deviation."""
    R = rotation_of(x[QUATERNION], x[QUATERNION + 1], x[QUATERNION + 2], x[QUATERNION + 3])
    roll, pitch, yaw = roll_pitch_yaw(R)
    for i in range(len(kept)):
        if kept[i] == ROLL:
            roll += change[i]
        elif kept[i] == PITCH:
            pitch += change[i]
        else:
            x[places[i]] += change[i]
    quaternion_of(roll, pitch, yaw, x[QUATERNION : QUATERNION + 4])
