"""What to ride on a track day, so that the logs tell the parameters: speeds, leans, and a dither.

A rider who only balances moves the steering as little as he can, and always in the same proportion to what
the bike does: that identifies little. A dither is a torque of many frequencies on top, as strong as the bike
and its rider bear. Which parameters it would tell, and how well, follows before anybody rides: a ride with
the plan is made up, and its information is that of the logs.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.track.calibration.estimate import SHRUNK, Calibration, Models
from emulator.track.calibration.innovations import STICKING_rad_s, Stretch
from emulator.track.calibration.least_squares import NotFitted
from emulator.track.calibration.parameters import Parameters
from emulator.track.calibration.steady_model import OUTPUTS, Noise, SteadyModel, riccati

Values = NDArray[np.float64]

LOWEST_HZ, HIGHEST_HZ = 0.3, 9.0
"""Frequencies of the dither: from slow changes of lean to past the wobble."""
_LINES = 24
_BALANCE = (0.5, 0.5, 10.0, 100.0, 0.0)  # weights of OUTPUTS squared, against a torque squared [N m]


class Leg(NamedTuple):
    """A stretch to ride: speed [m/s], lean [rad], how long [s], and the dither's peak [N m]; 0 for none."""

    speed: float
    lean: float
    seconds: float
    dither: float


def dither(leg: Leg, step_s: float) -> Values:
    """(n,) torque [N m] of a leg: equal sines over equal ratios of frequency, phases that keep its peak low.

    Source: M. R. Schroeder, IEEE Trans. Inf. Theory 16 (1970) 85-89, for phases of a flat spectrum, from
    memory.
    """
    time_s = np.arange(round(leg.seconds / step_s)) * step_s
    if leg.dither == 0.0:
        return np.zeros(len(time_s))
    highest = min(HIGHEST_HZ, 0.4 / step_s)
    lines = np.geomspace(LOWEST_HZ, highest, _LINES)
    turns = np.cumsum(np.arange(_LINES)) / _LINES
    wave = sum(np.cos(2.0 * np.pi * (f * time_s + turn)) for f, turn in zip(lines, turns, strict=True))
    return np.asarray(leg.dither * wave / np.abs(wave).max())


def balance(model: SteadyModel) -> Values:
    """(n,) torque per state of a rider who balances the bike: linear-quadratic over the outputs."""
    weights = model.C.T @ np.diag(_BALANCE) @ model.C
    B = model.B[:, None]
    P = riccati(model.A.T, B.T, weights + 1e-9 * np.eye(len(weights)), np.eye(1))
    return np.asarray(np.linalg.solve(1.0 + B.T @ P @ B, B.T @ P @ model.A)[0])


class MadeUp(NamedTuple):
    """Made-up rides: logged torque (r, n) [N m] and outputs (r, n, 5)."""

    torque: Values
    outputs: Values


def made_up_ride(
    bike: SteadyModel,
    known: SteadyModel,
    sensors: Values,
    wave: Values,
    rng: np.random.Generator,
    rides: int = 1,
    friction: float = 0.0,
) -> MadeUp:
    """Rides of a bike by a rider who knows another one, sees what the sensors show, and adds a wave.

    bike     what is ridden;  known  what the rider takes it for
    sensors  (5,)  standard deviations of the outputs' noise
    wave     (n,)  [N m]
    friction [N m] against the steering's motion
    """
    n = len(wave)
    lower = np.linalg.cholesky(bike.Q + 1e-18 * np.eye(len(bike.Q)))
    gains = balance(known)
    x = np.zeros((rides, len(bike.A)))
    thought = np.zeros_like(x)
    torques, outputs = np.empty((rides, n)), np.empty((rides, n, len(bike.C)))
    for k in range(n):
        seen = bike.outputs + x @ bike.C.T + sensors * rng.standard_normal((rides, len(bike.C)))
        u = wave[k] - thought @ gains
        torques[:, k] = u + known.torque
        outputs[:, k] = seen
        surprise = seen - known.outputs - thought @ known.C.T
        thought = thought @ known.A.T + np.outer(u, known.B) + surprise @ known.K.T
        acting = u + known.torque - bike.torque - friction * np.tanh(x @ bike.rate / STICKING_rad_s)
        x = x @ bike.A.T + np.outer(acting, bike.B)
        x += rng.standard_normal(x.shape) @ lower.T
    return MadeUp(torques, outputs)


class Forecast(NamedTuple):
    """What a plan would tell of each free parameter: standard deviations (p,) in SI, and over the priors'."""

    names: tuple[str, ...]
    units: tuple[str, ...]
    standard: Values
    left: Values

    @property
    def told(self) -> NDArray[np.bool_]:
        """(p,) which parameters the logs would tell."""
        return np.asarray(self.left <= SHRUNK)


def forecast(
    parameters: Parameters, noise: Noise, legs: Sequence[Leg], step_s: float, *, seed: int = 1
) -> Forecast:
    """What legs ridden as one log would tell: the information of a made-up ride of the vehicle as it is.

    Raises NotFitted where the vehicle has no steady motion at a leg.
    """
    models, rng = Models(parameters, noise), np.random.default_rng(seed)
    stretches = []
    for leg in legs:
        empty = Stretch(0, leg.speed, leg.lean, step_s, np.empty(0), np.empty((0, len(OUTPUTS))))
        bike = models.at(parameters.start, empty)
        if bike is None:
            raise NotFitted(
                f"the vehicle has no steady motion at {leg.speed * 3.6:.0f} km/h and "
                f"{np.degrees(leg.lean):.0f} degrees of lean"
            )
        ride = made_up_ride(bike, bike, np.asarray(noise.sensors), dither(leg, step_s), rng)
        stretches.append(empty._replace(torque=ride.torque[0], outputs=ride.outputs[0]))
    problem = Calibration(parameters, stretches, noise, models=models)
    covariance = problem.foretold(problem.start)
    standard = np.sqrt(np.diag(covariance))[: len(parameters)]
    return Forecast(
        tuple(one.name for one in parameters.free),
        tuple(parameters.units),
        standard,
        standard / parameters.standard,
    )
