"""A real bicycle's rides, imported as logs, against its parameters as its makers measured them.

Rides and parameters: ``tests/reference/riding_logs``. Masses and lengths were measured on the bicycle at
rest, inertias by pendulum, without uncertainties and without the damping and friction of the steering with
its motor and gears. How yaw follows steer, and roll both, is what these say. Of the rides as a whole the
estimator of calibrations says that its model cannot explain them: only the controller moves the steering, by
torques of the size of its friction.
"""

from __future__ import annotations

import math
from functools import cache
from pathlib import Path
from types import SimpleNamespace
from typing import NamedTuple

import numpy as np
import pyarrow.parquet as pq
import pytest
from numpy.typing import NDArray
from ruamel.yaml import YAML
from scipy import signal

from emulator.record.reader import read_run
from emulator.runs.from_track import import_track
from emulator.track.calibration.estimate import Calibration, Estimate
from emulator.track.calibration.innovations import NUISANCES, Stretch
from emulator.track.calibration.steady_model import SteadyModel
from tests.support.linear_predictor import predictor
from tests.support.whipple import Half, Whipple, joined

Array = NDArray[np.float64]

REFERENCE = Path(__file__).parents[2] / "reference"
LOGS = REFERENCE / "riding_logs"
GRAVITY = 9.81
"""[m/s^2] as the source has it."""
SLOW, USUAL, FAST = "024", "025", "028"
"""Logs at 1 m/s, with swings of 9 degrees of steer, and at 2 and 3 m/s, with less than one."""
RADIUS, FRONT_RADIUS = 0.3359074174667941, 0.3358632190780645
GYRO_LATE = 1
"""Samples that the gyroscope comes behind the encoders: where yaw rate and steer agree best."""


def benchmark() -> Whipple:
    """Table 1 of the paper of ``tests.support.whipple`` (published); frames and wheels put together."""

    rear = joined((85.0, 0.3, -0.9, 9.2, 2.4, 2.8), (2.0, 0.0, -0.3, 0.0603, 0.0, 0.0603), 0.3, 0.12)
    front = joined(
        (4.0, 0.9, -0.7, 0.05892, -0.00756, 0.00708), (3.0, 1.02, -0.35, 0.1405, 0.0, 0.1405), 0.35, 0.28
    )
    return Whipple(1.02, 0.08, math.pi / 10.0, rear, front)


def measured() -> Whipple:
    """The ridden bicycle as its makers measured it (published as data): lengths along and across the steering
    axis, which are turned to forward and down here."""
    behind, ahead, between = 0.9637522, -0.0478155, 0.3434334  # [m] across to each wheel's centre; along
    across = behind - ahead
    tilt = math.atan2(between, across)
    for _ in range(20):  # both wheels stand on the ground
        tilt -= (-across * math.sin(tilt) + between * math.cos(tilt) - (RADIUS - FRONT_RADIUS)) / -math.hypot(
            across, between
        )
    sin, cos = math.sin(tilt), math.cos(tilt)

    def turned(a: float, b: float) -> tuple[float, float]:
        return a * cos + b * sin, -a * sin + b * cos

    def half(
        mass: float, at: tuple[float, float], inertia: tuple[float, ...], radius: float, spin: float
    ) -> Half:
        turn = np.array([[cos, sin], [-sin, cos]])
        Ixx, Izz, Ixz = inertia
        about = turn @ np.array([[Ixx, Ixz], [Ixz, Izz]]) @ turn.T
        return Half(mass, *at, about[0, 0], about[0, 1], about[1, 1], radius, spin)

    x, z = turned(0.5139283534655644, -0.2185938844305652)
    rear = half(
        34.05,
        (x, z - RADIUS),
        (1.542023074848535, 3.014542484492762, 0.8392298939950623),
        RADIUS,
        0.1138146697426332,
    )
    x, z = turned(-0.02086466545111477, -0.1524559736777648)
    wheelbase = turned(across, between)[0]
    front = half(
        2.95,
        (wheelbase + x, z - FRONT_RADIUS),
        (0.1834745058089018, 0.06923407270022158, -0.009663296585475524),
        FRONT_RADIUS,
        0.09227403707515749,
    )
    return Whipple(wheelbase, (FRONT_RADIUS * sin + ahead) / cos, tilt, rear, front)


class Unknown:
    """Free parameters: centre of mass and inertia of the rear half, of the front about its axis, damping, and
    how far the gyroscope is pitched, by which yaw shows as roll: its makers had yet to find that."""

    names = ("rear_z", "rear_x", "rear_Ixx", "rear_Ixz", "front_Izz", "damping", "pitched")
    free = tuple(SimpleNamespace(name=name) for name in names)
    units = ("m", "m", "kg m2", "kg m2", "kg m2", "N m s", "rad")
    standard = np.array([0.14, 0.10, 1.2, 0.8, 0.06, 0.5, 0.1])
    """A fifth of the height, a quarter of the length, half of each inertia and more, 6 degrees: no source."""
    least = np.array([-1.2, 0.05, -5.0, -5.0, 0.001, -3.0, -1.0])
    most = np.array([-0.3, 1.0, 20.0, 5.0, 1.0, 10.0, 1.0])
    held = ()

    def __init__(self) -> None:
        bike = measured()
        known = [bike.rear.z, bike.rear.x, bike.rear.Ixx, bike.rear.Ixz, bike.front.Izz, 0.3, 0.0]
        self.start = np.array(known)

    def __len__(self) -> int:
        return len(self.names)

    def beforehand(self, at: Array) -> Array:
        return np.asarray((at - self.start) / self.standard)

    @staticmethod
    def bike(at: Array) -> Whipple:
        bike = measured()
        rear = bike.rear._replace(z=at[0], x=at[1], Ixx=at[2], Ixz=at[3])
        return bike._replace(rear=rear, front=bike.front._replace(Izz=at[4]), damping=at[5])


class Noise(NamedTuple):
    """White noise that makes logs at 2 m/s most likely, found beforehand; steer: half an encoder's step."""

    torque: float  # [N m/sqrt(Hz)]
    roll: float  # [N m/sqrt(Hz)]
    gyro: float  # [rad/s]
    steer: float = 1.5e-4  # [rad]


class Predictors:
    """What Calibration asks for its models: the predictor of parameters at a stretch's speed.

    Of its outputs steer and roll rate are there.
    """

    def __init__(self, noise: Noise) -> None:
        self.noise = noise
        self._made: dict[tuple[bytes, float], SteadyModel | None] = {}

    def at(self, values: Array, stretch: Stretch) -> SteadyModel | None:
        key = values.tobytes(), stretch.speed
        if key not in self._made:
            try:
                self._made[key] = self._make(values, stretch)
            except (ValueError, np.linalg.LinAlgError):
                self._made[key] = None
        return self._made[key]

    def _make(self, values: Array, stretch: Stretch) -> SteadyModel:
        bike = Unknown.bike(values)
        A, B = bike.linear(stretch.speed, GRAVITY)
        C = np.zeros((5, 4))
        C[0, 2], C[2, 1] = math.cos(values[6]), 1.0
        C[0, 1] = -math.sin(values[6]) * stretch.speed * math.cos(bike.tilt) / bike.wheelbase
        C[0, 3] = -math.sin(values[6]) * bike.trail * math.cos(bike.tilt) / bike.wheelbase
        noise = B * [self.noise.roll, self.noise.torque]
        return predictor(A, B[:, 1], C, noise @ noise.T, (self.noise.gyro, self.noise.steer), stretch.step_s)


class Ridden(NamedTuple):
    """An imported log, by the source's signs: speed [m/s], (n,) torque, steer, roll and yaw rate."""

    speed: float
    torque: Array
    steer: Array
    roll_rate: Array
    yaw_rate: Array


@pytest.fixture(scope="module")
def ridden(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Ridden]:
    """Each log as the import makes a record of it. Of ours, steer, yaw and torque count to the left."""
    found = {}
    for name in (SLOW, USUAL, FAST):
        folder = tmp_path_factory.mktemp("ridden") / name
        import_track([LOGS / f"2013-07-13_{name}.parquet"], LOGS / "map.yaml", folder)
        run = read_run(folder)
        assert set(np.diff(run.tick)) == {5}
        columns = run.signals
        found[name] = Ridden(
            RADIUS * float(np.median(columns["truth.wheel_rear_rad_s"])),
            -columns["actuator.steering_torque_Nm"],
            -columns["truth.steer_rad"],
            columns["truth.roll_rate_rad_s"],
            -columns["truth.yaw_rate_rad_s"],
        )
    return found


def estimated(ridden: dict[str, Ridden], names: tuple[str, ...], noise: Noise) -> Estimate:
    stretches = []
    for log, name in enumerate(names):
        r = ridden[name]
        outputs = np.full((len(r.steer) - GYRO_LATE, 5), np.nan)
        outputs[:, 0], outputs[:, 2] = r.roll_rate[GYRO_LATE:], r.steer[:-GYRO_LATE]
        stretches.append(Stretch(log, r.speed, 0.0, 5e-3, r.torque[:-GYRO_LATE], outputs))
    own = np.array([0.2, 0.5, 0.1, 0.02, 0.02, 0.05, 1e-6, 1e-6])
    assert len(own) == len(NUISANCES)
    parameters = Unknown()
    return Calibration(
        parameters,  # type: ignore[arg-type]
        stretches,
        noise,  # type: ignore[arg-type]
        nuisance_standard=own,
        models=Predictors(noise),  # type: ignore[arg-type]
    ).estimate()


@cache
def printed() -> dict[str, Array]:
    file = REFERENCE / "bicycle_benchmark_matrices.yaml"
    return {name: np.array(rows) for name, rows in YAML(typ="safe").load(file)["printed"].items()}


def test_the_model_has_the_benchmarks_matrices() -> None:
    for name, matrix in zip(("M", "C1", "K0", "K2"), benchmark().matrices(), strict=True):
        assert matrix == pytest.approx(printed()[name], rel=1e-12, abs=1e-12), name


def test_the_logs_have_their_makers_mean_and_spread() -> None:
    """Of runs 024 and 025: rear wheel's speed, steer, lean rate and steering torque in the table of
    D. L. Peterson's dissertation (2013, published as source), with the digits that stand beside it there. It
    asks for other sensors before a model is fitted, and has no eigenvalues from rides."""
    printed = {
        SLOW: (21.0, (0.959306, -0.0127641, 0.000674937, 0.157338), (0.0157029, 0.155943, 0.104518, 3.19504)),
        USUAL: (
            40.0,
            (1.95683, -0.00702159, -0.000207788, 0.160056),
            (0.0282297, 0.0153661, 0.0107762, 0.125208),
        ),
    }
    columns = ("rear_wheel_rad_s", "steer_rad", "gyroscope_x_rad_s", "steer_torque_Nm")
    for name, (first_s, means, spreads) in printed.items():
        log = pq.read_table(LOGS / f"2013-07-13_{name}.parquet")
        time_s = log["time_ms"].to_numpy() / 1e3
        within = (time_s >= first_s) & (time_s <= first_s + 20.0)
        for column, mean, spread in zip(columns, means, spreads, strict=True):
            values = log[column].to_numpy()[within].astype(float)
            values *= -RADIUS if column == "rear_wheel_rad_s" else 1.0
            assert values.mean() == pytest.approx(mean, rel=1e-4), (name, column)
            assert values.std() == pytest.approx(spread, rel=1e-4), (name, column)


def test_yaw_follows_steer_as_the_measured_lengths_say(ridden: dict[str, Ridden]) -> None:
    """Without slip: yaw rate = (v steer + trail steer rate) cos(tilt) / wheelbase. The tyres are soft, the
    wheel rolls on less than its radius: a few percent."""
    bike = measured()
    for name, r in ridden.items():
        rate = np.gradient(r.steer, 5e-3)
        told = (r.speed * r.steer + bike.trail * rate) * math.cos(bike.tilt) / bike.wheelbase
        told, yaw = told[:-GYRO_LATE], r.yaw_rate[GYRO_LATE:]
        smooth = np.ones(40) / 40.0
        told, yaw = (np.convolve(rate - rate.mean(), smooth, "valid") for rate in (told, yaw))
        gain = float(told @ yaw / (told @ told))
        assert 0.99 < gain < 1.07, name
        assert np.var(yaw - gain * told) < 0.05 * np.var(yaw), name


def test_roll_follows_steer_as_the_measured_masses_say(ridden: dict[str, Ridden]) -> None:
    """The first row of the model, from 0.25 to 4 Hz: roll acceleration by steer, its rates, and roll.

    The steering's own equation, with all that its makers did not measure, takes no part.
    """
    r = ridden[SLOW]
    M, C1, K0, K2 = measured().matrices()
    band = signal.butter(2, [0.25, 4.0], "band", fs=200.0, output="sos")

    def passed(x: Array) -> Array:
        return np.asarray(signal.sosfiltfilt(band, x)[200:-200])

    steer, roll_rate = passed(r.steer), passed(r.roll_rate)
    roll = passed(np.cumsum(r.roll_rate) * 5e-3)
    steer_rate, roll_acceleration = np.gradient(steer, 5e-3), np.gradient(roll_rate, 5e-3)
    columns = np.column_stack([np.gradient(steer_rate, 5e-3), steer_rate, roll, steer])
    stiff = GRAVITY * K0[0] + r.speed**2 * K2[0]
    published = -np.array([M[0, 1], r.speed * C1[0, 1], stiff[0], stiff[1]]) / M[0, 0]
    assert np.var(roll_acceleration - columns @ published) < 0.03 * np.var(roll_acceleration)
    found = np.linalg.lstsq(columns, roll_acceleration, rcond=None)[0]
    assert found[2] == pytest.approx(published[2], rel=0.10)
    assert found[1] == pytest.approx(published[1], rel=0.10)


@pytest.mark.slow
def test_the_estimator_says_that_its_model_cannot_explain_them(ridden: dict[str, Ridden]) -> None:
    found = estimated(ridden, (USUAL,), Noise(0.026, 0.10, 0.004))
    assert found.error.cannot
