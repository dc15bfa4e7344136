"""Made-up logs of steady riding with a dither: a bike with hidden parameters, and what logs suffer."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

import numpy as np

from emulator.config.vehicle.file import load_vehicle
from emulator.track.calibration.estimate import Models
from emulator.track.calibration.excitation import Leg, dither, made_up_ride
from emulator.track.calibration.innovations import Stretch
from emulator.track.calibration.parameters import (
    USUALLY_HELD,
    USUALLY_UNKNOWN,
    Free,
    Measured,
    Parameters,
    usually,
)
from emulator.track.calibration.steady_model import OUTPUTS, Noise
from emulator.track.into.grid import held
from emulator.track.into.marks import sound_samples

VEHICLE = Path(__file__).parents[2] / "scenarios" / "vehicles" / "demo_racer.yaml"
STEP_s = 0.02
NOISE = Noise(0.1, 0.3, 3.0, (0.004, 0.004, 0.001, 0.005, 0.05))
LAGGED = NOISE._replace(lag=0.1)
"""Wind and drive follow within what a gust takes over the bike: 2 m at 20 m/s. Source: definition."""
SHARES = {
    "steering.damping": 0.25,
    "tyre_front.cornering_per_load": 0.15,
    "tyre_rear.cornering_per_load": 0.15,
    "tyre_front.relaxation_length": 0.3,
    "main_frame.ixx": 0.2,
    "main_frame.izz": 0.2,
    "steering.rake": 0.02,
    "main_frame.mass": 0.03,
}
"""Parameters that are free, and their priors as shares of the file's value."""
RAKE_rad, MASS_kg = 0.004, 0.5
"""Standard deviations of what was measured on the stand."""
SPEEDS, LEAN = (12.0, 22.0, 35.0), 0.3
PLAN = tuple(Leg(v, side * LEAN, 20.0, 5.0) for side in (1.0, -1.0) for v in SPEEDS)
"""Half of it is one log, half another, each with both leans."""
NUISANCES_OF_LOGS = np.array(
    [
        [1.03, 0.6, 0.1, 0.002, -0.003, 0.002, 0.005, 0.1],
        [0.98, -0.4, 0.0, -0.001, 0.004, -0.003, -0.008, -0.2],
    ]
)


def demo_parameters(
    shares: dict[str, float] = SHARES,
    measured: tuple[Measured, ...] = (),
    *,
    error: tuple[str, float] | None = None,
    usual: bool = False,
) -> Parameters:
    """Of the demo racer.

    error  a value of it that is another one, and by which factor
    usual  what is usually not known exactly is free or held besides
    """
    file = load_vehicle(VEHICLE)
    free = []
    for name, share in shares.items():
        group, key = name.split(".")
        free.append(Free(name, abs(file.values[group][key]) * share))
    if error is not None:
        group, key = error[0].split(".")
        file.values[group][key] *= error[1]
    if usual:
        free += usually(USUALLY_UNKNOWN, file.values, tuple(free))
    held = usually(USUALLY_HELD, file.values, tuple(free)) if usual else ()
    return Parameters(file.values, file.tables, tuple(free), measured, held=held)


class Hidden(NamedTuple):
    """Bikes with hidden parameters (p,), ridden many times: logged torque and outputs by leg."""

    truth: np.ndarray
    rides: list[tuple[int, Leg, np.ndarray, np.ndarray]]


def where(leg: Leg) -> Stretch:
    """A stretch without samples: what its model is asked by."""
    return Stretch(0, leg.speed, leg.lean, STEP_s, np.empty(0), np.empty((0, len(OUTPUTS))))


def hidden_bike(
    models: Models,
    truth: np.ndarray,
    rng: np.random.Generator,
    rides: int,
    plan: tuple[Leg, ...] = PLAN,
    of_truth: Models | None = None,
) -> Hidden:
    """Rides of a bike with these parameters; of_truth: of what machine it is, if not of the models' own."""
    sensors = np.array(NOISE.sensors)
    logged = []
    for i, leg in enumerate(plan):
        bike, known = (
            (of_truth or models).at(truth, where(leg)),
            models.at(models.parameters.start, where(leg)),
        )
        assert bike is not None
        assert known is not None
        ride = made_up_ride(
            bike, known, sensors, dither(leg, STEP_s), rng, rides,
            friction=NUISANCES_OF_LOGS[i % 2, 2],
        )  # fmt: skip
        own = NUISANCES_OF_LOGS[i % 2]
        logged.append((i % 2, leg, (ride.torque - own[1]) / own[0], ride.outputs + own[3:]))
    return Hidden(truth, logged)


def logs_of(hidden: Hidden, which: int, rng: np.random.Generator | None = None) -> list[Stretch]:
    """One ride of each leg; with a generator, with holes and outliers, marked as an import marks them."""
    found = []
    for log, leg, torque, outputs in hidden.rides:
        seen = outputs[which].copy()
        if rng is not None:
            seen = _as_imported(seen, rng)
        found.append(Stretch(log, leg.speed, leg.lean, STEP_s, torque[which], seen))
    return found


def _as_imported(outputs: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """With a hole of 0.3 s in all, one of 0.2 s in the lean, and one sample of 500 far off; then imported."""
    outputs = outputs.copy()
    n = len(outputs)
    a, b = rng.integers(100, n - 100, 2)
    outputs[a : a + 15] = np.nan
    outputs[b : b + 10, 3] = np.nan
    far = rng.random(outputs.shape) < 1 / 500
    outputs[far] += (rng.choice((-1.0, 1.0), outputs.shape) * 60.0 * np.array(NOISE.sensors))[far]
    time_s = np.arange(n) * STEP_s
    return np.column_stack(
        [held(sound_samples(name, time_s, v), time_s) for name, v in zip(OUTPUTS, outputs.T, strict=True)]
    )
