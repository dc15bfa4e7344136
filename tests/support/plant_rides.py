"""Made-up logs of the whole plant: the nonlinear bike, ridden steadily with a dither in wind."""

from __future__ import annotations

import math

import numpy as np

from emulator.core.axes import roll_pitch_yaw, rotation_of
from emulator.track.calibration.excitation import Leg, balance, dither
from emulator.track.calibration.innovations import Stretch
from emulator.track.calibration.steady_model import OUTPUTS, Noise, SteadyModel, read_outputs
from emulator.vehicle.equilibrium import steady_motion
from emulator.vehicle.integrate import begin, finish
from emulator.vehicle.params import Vehicle
from emulator.vehicle.state import (
    QUATERNION,
    U_DRIVE_TORQUE,
    U_STEER_TORQUE,
    U_WIND_X,
    U_WIND_Y,
    scratch,
)

TICK_s = 1e-3


def plant_ride(
    bike: Vehicle, known: SteadyModel, noise: Noise, leg: Leg, step_s: float, rng: np.random.Generator
) -> Stretch:
    """A leg ridden by the whole plant; the rider takes it for ``known``, and sees what the sensors show.

    noise  with a lag above 0
    """
    steady = steady_motion(bike, leg.speed, leg.lean)
    x, u, work = steady.x.copy(), steady.u.copy(), scratch()
    wave, ticks = dither(leg, step_s), round(step_s / TICK_s)
    gains, thought, sensors = balance(known), np.zeros(len(known.A)), np.array(noise.sensors)
    torques, outputs = np.empty(len(wave)), np.empty((len(wave), len(OUTPUTS)))
    # White noise of a density, drawn each tick; wind and drive follow it within the noise's lag, because wind
    # as quick as a tick would be as strong as a storm, whose mean drag is another.
    per_tick, share = 1.0 / math.sqrt(TICK_s), -math.expm1(-TICK_s / noise.lag)
    wind = drive = 0.0
    for k in range(len(wave)):
        outputs[k] = read_outputs(x) + sensors * rng.standard_normal(len(OUTPUTS))
        moved = float(wave[k] - gains @ thought)
        torques[k] = known.torque + moved
        surprise = outputs[k] - known.outputs - known.C @ thought
        thought = known.A @ thought + known.B * moved + known.K @ surprise
        for _ in range(ticks):
            torque, gust, pull = rng.standard_normal(3) * per_tick
            wind, drive = wind + share * (gust - wind), drive + share * (pull - drive)
            u[U_STEER_TORQUE] = torques[k] + noise.torque * torque
            yaw = roll_pitch_yaw(rotation_of(*x[QUATERNION : QUATERNION + 4]))[2]
            side = noise.wind * wind
            u[U_WIND_X], u[U_WIND_Y] = -math.sin(yaw) * side, math.cos(yaw) * side
            u[U_DRIVE_TORQUE] = steady.u[U_DRIVE_TORQUE] + noise.drive * drive
            begin(bike.body, bike.tyre, x, u, work)
            finish(bike.body, bike.tyre, x, u, TICK_s, work)
    speed, lean = float(outputs[:, 4].mean()), float(outputs[:, 3].mean())
    return Stretch(0, speed, lean, step_s, torques, outputs)
