"""A research bicycle on a treadmill that a hand knocks: its rides, what our estimator finds of them, and
what the source's fit does.

Rides, windows and parameters: ``tests/reference/treadmill_logs``. Without a rider a controller steers into
the lean; the source fits one decaying oscillation to the second behind each knock (Kooijman, Schwab,
Meijaard, Multibody Syst. Dyn. 19 (2008) 115-132, as their program has it). Our estimator predicts roll rate
and steer sample by sample with the torque that was asked for, finds the rows of the state matrix, and closes
the loop by the controller's law.
"""

from __future__ import annotations

import math
from pathlib import Path
from types import SimpleNamespace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from emulator.record.reader import read_run
from emulator.runs.from_track import import_track
from emulator.track.calibration.estimate import Calibration, Estimate
from emulator.track.calibration.innovations import NUISANCES, Stretch
from emulator.track.calibration.steady_model import SteadyModel, sampled
from tests.support.linear_predictor import SEEN, first_gains, path, predictor
from tests.support.whipple import Whipple, joined

Array = NDArray[np.float64]

LOGS = Path(__file__).parents[1] / "reference" / "treadmill_logs"
GRAVITY = 9.81
"""[m/s^2] as the source has it."""
STEP_s = 0.01
AT_ONCE = (3e-4, 1e-6)
"""How late the sensor shows the roll rate [s], and give or take, by its logarithm: as good as not."""
LATE = (0.005, math.log(3.0))
"""Asked for: beforehand the sensor's filter, 2.9 ms, and its reading; the factor of 3: no source."""
ADDED_Nm = 0.1
"""Torque beside the law from which on it is taken for the handlebar's sensor's: below is rounding."""
BEFORE = 100
"""Rows ahead of each window: a second, in which the predictor settles."""
HAND = 5
"""Rows from the window's begin on in which the hand that knocked still pushes. The source's windows begin at
the peak of lean rate, where the hand's moment and the bicycle's own are equal and not both 0. Of 0, 3, 5, 7,
10 and 14 rows these make all samples together most likely."""
SPEEDS = (1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 4.5, 5.0)
"""[m/s] of the belt."""
LEAN_RATE, MATCHED = "lean_rate", "matched"
"""The two laws: torque by lean rate; with all of the state fed back beside, so as to ride like another."""
ALL = [(law, speed) for law in (LEAN_RATE, MATCHED) for speed in SPEEDS]


Knock = tuple[Array, Array, Array]
"""(n,) of each roll rate, steer and torque, from BEFORE rows ahead of the window on."""

OFFSETS = ("roll_rate_rad_s", "steer_rad", "torque_offset_Nm")


class Ride(NamedTuple):
    """Knocks at one speed, by the source's signs.

    Speed [m/s] as the controller has it, then of each (n,) roll rate, steer and torque from BEFORE rows ahead
    of the window on.
    """

    speed: float
    knocks: list[Knock]

    def later(self, rows: int) -> Ride:
        """The same with windows that begin so much later."""
        return Ride(self.speed, [(r[rows:], s[rows:], t[rows:]) for r, s, t in self.knocks])


Rides = dict[tuple[str, float], Ride]


def rides_in(folder: Path) -> Rides:
    """Each log as the import makes a record of it in the folder. Our steer and torque count to the left."""
    found = {}
    for law, speed in ALL:
        name = f"{law}_{speed:.1f}"
        ridden = folder / name
        import_track([LOGS / f"{name}.parquet"], LOGS / "map.yaml", ridden)
        run = read_run(ridden)
        assert set(np.diff(run.tick)) == {10}
        columns = run.signals
        torque = -columns["actuator.steering_torque_Nm"]
        there = np.flatnonzero(~np.isnan(torque))
        pieces = np.split(there, np.flatnonzero(np.diff(there) > 1) + 1)
        knocks = [
            (columns["truth.roll_rate_rad_s"][p], -columns["truth.steer_rad"][p], torque[p]) for p in pieces
        ]
        wheel = columns["output.wheel_rear_m_s"]
        found[law, speed] = Ride(float(np.nanmedian(wheel)), knocks)
    return found


def law_of(law: str, speed: float) -> Array:
    """(4,) torque [N m] by roll, steer and their rates, as the source's program has it for each speed."""
    by_lean_rate = 2.0 * (6.5 - speed)
    if law == LEAN_RATE:
        return np.array([0.0, 0.0, by_lean_rate, 0.0])
    by_steer = 0.11782139859 * speed**2 - 0.0267476413381
    by_roll_rate = -0.278924665158 * speed + 1.03764578291 * by_lean_rate
    return np.array([-0.348543214119, by_steer, by_roll_rate, 0.016087729532 * speed])


def measured(damping: float = 0.0) -> Whipple:
    """The bicycle as its makers measured it (published as data, no uncertainties); inertias of rear frame and
    fork they took from other bicycles."""
    radius = 0.3498
    rear = joined(
        (20.9, 0.462, -0.698, 1.64, 0.654, 1.94), (10.12, 0.0, -radius, 0.1040, 0.0, 0.1040), radius, 0.1641
    )
    front = joined(
        (0.6, 0.944, -0.595, 0.0098, -0.00044, 0.00396),
        (1.78, 1.036, -radius, 0.0644, 0.0, 0.0644),
        radius,
        0.1289,
    )
    return Whipple(1.036, 0.0803, math.radians(18.2), rear, front, damping)


class Rows:
    """Free parameters: roll and steer acceleration by roll, steer, their rates and torque, ten numbers; and
    how late the sensor shows the roll rate, of the first order, by its logarithm.

    Beforehand those of the measured bicycle with 0.2 N m s/rad in the steering, as the source's model with
    friction has it, each give or take half of it: no source. How late is AT_ONCE, unless it is asked for.
    """

    names = (
        *(
            f"{of}_by_{by}"
            for of in ("roll", "steer")
            for by in ("roll", "steer", "roll_rate", "steer_rate", "torque")
        ),
        "log_late",
    )
    free = tuple(SimpleNamespace(name=name) for name in names)
    units = ("1/s2", "1/s2", "1/s", "1/s", "1/(kg m2)") * 2 + ("",)
    least, most = np.append(np.full(10, -1e4), math.log(1e-4)), np.append(np.full(10, 1e4), math.log(0.1))
    held = ()

    def __init__(self, speed: float, late: tuple[float, float] = AT_ONCE) -> None:
        A, B = measured(0.2).linear(speed, GRAVITY)
        rows = np.column_stack([A[2:], B[2:, 1]]).ravel()
        usual = [1.0, 1.0, 0.3, 0.3, 0.1, 10.0, 10.0, 3.0, 3.0, 1.0]
        self.start = np.append(rows, math.log(late[0]))
        self.standard = np.append(0.5 * np.maximum(np.abs(rows), usual), late[1])

    def __len__(self) -> int:
        return len(self.names)

    def beforehand(self, at: Array) -> Array:
        return np.asarray((at - self.start) / self.standard)

    @staticmethod
    def matrices(at: Array) -> tuple[Array, Array]:
        """A (5, 5), B (5,) of x = (roll, steer, their rates, the roll rate that is shown)."""
        A, B = np.zeros((5, 5)), np.zeros(5)
        A[:2, 2:4] = np.eye(2)
        A[2:4, :4], B[2:4] = at[:10].reshape(2, 5)[:, :4], at[:10].reshape(2, 5)[:, 4]
        A[4, 2], A[4, 4] = np.array([1.0, -1.0]) / math.exp(at[10])
        return A, B


class Predictors:
    """What Calibration asks for its models.

    Noise within the windows: what makes those at 4 m/s most likely, found beforehand; 0.36 N m of roll moment
    and 0.104 N m per sqrt(Hz), 0.018 rad/s, and the encoder's step. The hand knocks ahead of them (rides are
    to begin where it has let go: HAND), where it is noise that nobody measured: so large that the window
    begins with what its own samples tell. Thrice as much gives as many within the source's spread.
    """

    density = (0.36, 0.104)
    hand = (3.0, 0.3)
    sensors = (0.018, 2.4e-4)
    beginning = np.diag([0.05, 0.05, 0.3, 0.5, 0.3]) ** 2
    """What is known ahead of the first sample; a second later nothing is left of it."""
    settling = 100
    """Rows of the window after which the gain is steady."""
    C = np.zeros((5, 5))
    C[0, 4] = C[2, 1] = 1.0

    def __init__(self) -> None:
        self._made: dict[bytes, SteadyModel | None] = {}

    def at(self, values: Array, stretch: Stretch) -> SteadyModel | None:
        """All stretches of an estimate have one speed."""
        key = values.tobytes()
        if key not in self._made:
            self._made[key] = self._make(values, stretch)
        return self._made[key]

    def _make(self, values: Array, stretch: Stretch) -> SteadyModel | None:
        A, B = Rows.matrices(values)
        noise = spread(stretch.speed, self.density)
        try:
            model = predictor(A, B, self.C, noise, self.sensors, stretch.step_s)
        except (ValueError, np.linalg.LinAlgError):
            return None
        Q = sampled(A, B, spread(stretch.speed, self.hand), stretch.step_s)[2]
        gains = first_gains(model, self.beginning, self.sensors, [Q] * BEFORE + [model.Q] * self.settling)
        return model._replace(beginning=gains)


def spread(speed: float, density: tuple[float, float]) -> Array:
    """(5, 5) density of the process noise by that of roll moment and steering torque [N m/sqrt(Hz)]."""
    noise = np.zeros((5, 2))
    noise[:4] = measured().linear(speed, GRAVITY)[1] * density
    return np.asarray(noise @ noise.T)


def eigenvalues(values: Array, gains: Array) -> NDArray[np.complex128]:
    """(5,) of a bicycle of these Rows [1/s] whose torque a law sets once a step, by what was just seen."""
    return _closed(*Rows.matrices(values), gains)


def weave(A: Array, B: Array, gains: Array) -> complex:
    """Fastest oscillation [1/s] of a bicycle whose torque a law sets once a step, by what was just seen."""
    found = _closed(A, B, gains)
    swings = found[found.imag < 0.99 * math.pi / STEP_s]  # what is not late at all turns over at each sample
    return complex(swings[np.argmax(swings.imag)])


def _closed(A: Array, B: Array, gains: Array) -> NDArray[np.complex128]:
    A, B, _ = sampled(A, B, np.zeros(A.shape), STEP_s)
    return np.asarray(np.log(np.linalg.eigvals(A + np.outer(B, gains)).astype(complex)) / STEP_s)


def by_shown(gains: Array) -> Array:
    """(5,) a law's gains where it goes by the roll rate that is shown."""
    return gains[[0, 1, 2, 3, 2]] * [1.0, 1.0, 0.0, 1.0, 1.0]


def stretch_of(speed: float, knock: Knock) -> Stretch:
    roll_rate, steer, torque = knock
    outputs = np.full((len(steer), 5), np.nan)
    outputs[:, 0], outputs[:, 2] = roll_rate, steer
    return Stretch(0, speed, 0.0, STEP_s, torque, outputs)


def estimate(ride: Ride, late: tuple[float, float] = AT_ONCE) -> Estimate:
    stretches = [stretch_of(ride.speed, knock) for knock in ride.knocks]
    # what was asked for is what acts, but for a constant
    own = np.array([0.01, 0.5, 1e-3, 0.02, 0.02, 0.02, 1e-6, 1e-6])
    assert len(own) == len(NUISANCES)
    return Calibration(
        Rows(ride.speed, late),  # type: ignore[arg-type]
        stretches,
        None,  # type: ignore[arg-type]
        nuisance_standard=own,
        models=Predictors(),  # type: ignore[arg-type]
    ).estimate()


def offsets_of(found: Estimate) -> Array:
    """(3,) of OFFSETS."""
    return np.asarray(found.nuisance[0, [NUISANCES.index(n) for n in OFFSETS]])


class Value(NamedTuple):
    """(2,) real and imaginary part of an eigenvalue [1/s], and their standard deviations."""

    at: Array
    standard: Array


def ours(found: Estimate, law: str, speed: float) -> Value:
    """By the estimator; deviations from its covariance by differences."""

    def parts(values: Array) -> Array:
        value = weave(*Rows.matrices(values), by_shown(law_of(law, speed)))
        return np.array([value.real, value.imag])

    steps = 0.01 * found.standard
    slopes = np.column_stack(
        [
            (parts(found.values + step * e) - parts(found.values - step * e)) / (2.0 * step)
            for step, e in zip(steps, np.eye(len(steps)), strict=True)
        ]
    )
    covariance = slopes @ found.covariance @ slopes.T
    return Value(parts(found.values), np.sqrt(np.diag(covariance)))


def by_one_oscillation(seen: Array, speed: float, left: float = 0.05) -> Array:
    """(2,) real and imaginary part by the source's fit to lean rate (n,) of a window.

    At 1.5 m/s it takes the real part from the first sample and the farthest to the other side instead.
    left: share of the variance that it leaves at most.
    """

    def swing(t: Array, real: float, imaginary: float, level: float, cosine: float, sine: float) -> Array:
        wave = cosine * np.cos(imaginary * t) + sine * np.sin(imaginary * t)
        return np.asarray(level + np.exp(real * t) * wave)

    t = np.arange(len(seen)) * STEP_s
    fitted = optimize.curve_fit(swing, t, seen, p0=(-2.5, 8.0, 0.0, 1.0, 1.0), maxfev=50_000)[0]
    assert np.var(seen - swing(t, *fitted)) < left * np.var(seen)
    real = fitted[0]
    if speed == 1.5:
        back = int(np.argmin(seen * np.sign(seen[0])))
        real = math.log(-seen[back] / seen[0]) / t[back]
    return np.array([real, abs(fitted[1])])


def theirs(ride: Ride, speed: float, left: float = 0.05) -> Value:
    """By the source's fit to each knock: mean and spread."""
    found = [by_one_oscillation(roll_rate[BEFORE:], speed, left) for roll_rate, _, _ in ride.knocks]
    return Value(np.mean(found, axis=0), np.std(found, axis=0, ddof=1))


class Known(NamedTuple):
    """A bicycle of these Rows, sampled: A (5, 5), B (5,), and noise (5, 5), the window's and the hand's."""

    A: Array
    B: Array
    Q: Array
    hand: Array

    @classmethod
    def of(cls, values: Array, speed: float) -> Known:
        A, B = Rows.matrices(values)
        by_hand = sampled(A, B, spread(speed, Predictors.hand), STEP_s)[2]
        return cls(*sampled(A, B, spread(speed, Predictors.density), STEP_s), by_hand)

    def path(self, knock: Knock, offsets: Array) -> Array:
        """(n, 5) where it was by what a knock's samples tell."""
        roll_rate, steer, torque = knock
        seen = np.column_stack([roll_rate, steer]) - offsets[:2]
        noise = [self.hand] * BEFORE + [self.Q] * (len(seen) - BEFORE)
        C, beginning = Predictors.C[list(SEEN)], Predictors.beginning
        return path(self.A, self.B, C, beginning, Predictors.sensors, seen, torque + offsets[2], noise)


def pushing(known: Known, offsets: Array, knock: Knock, rows: int) -> Array:
    """(n,) roll moment [N m] that the law and the bicycle do not explain, as a knock's samples tell of it.

    A hand may have pushed until so many rows behind the window's begin; what a smoother says of its noise.
    """
    roll_rate, steer, torque = knock
    seen, acting = np.column_stack([roll_rate, steer]) - offsets[:2], torque + offsets[2]
    noise = [known.hand] * (BEFORE + rows) + [known.Q] * (len(seen) - BEFORE - rows)
    C, beginning = Predictors.C[list(SEEN)], Predictors.beginning
    x = path(known.A, known.B, C, beginning, Predictors.sensors, seen, acting, noise)
    more = x[1:] - x[:-1] @ known.A.T - np.outer(acting[:-1], known.B)
    return np.asarray((more[:, 2:4] / STEP_s @ measured().matrices()[0].T)[:, 0])


def beside(knock: Knock, gains: Array) -> Array:
    """(n,) torque [N m] that a log shows beside the law, of the handlebar's sensor; 0 where it rounds."""
    roll_rate, steer, torque = knock
    steer_rate = np.diff(steer, prepend=steer[0]) / STEP_s
    more = torque - np.column_stack([steer, roll_rate, steer_rate]) @ gains[1:]
    return np.asarray(more * (np.abs(more) > ADDED_Nm))


def told_anew(values: Array, offsets: Array, ride: Ride, law: str, ahead: int = 0) -> list[Array]:
    """Lean rate of each window as a bicycle of these Rows has it, from what the samples tell of where it was.

    offsets (3,) of lean rate, steer and torque;  ahead  rows more, ahead of the window, as the samples tell
    Without noise. The law acts on what is told; what the log shows beside the law is added as it was.
    """
    known, gains = Known.of(values, ride.speed), law_of(law, ride.speed)
    told = []
    for knock in ride.knocks:
        there = known.path(knock, offsets)
        x, line = there[BEFORE], list(there[BEFORE - ahead : BEFORE, 4])
        for more in beside(knock, gains)[BEFORE:]:
            line.append(x[4])
            by_law = by_shown(gains) @ x + gains[1:3] @ [offsets[1], offsets[0]]
            x = known.A @ x + known.B * (by_law + more + offsets[2])
        told.append(np.array(line))
    return told


def knocked_anew(values: Array, offsets: Array, ride: Ride, law: str, rng: np.random.Generator) -> Ride:
    """The ride as a bicycle of these Rows would have it: ahead of each window as the samples tell, from there
    on by the law and the noise as Predictors states it."""
    known, gains = Known.of(values, ride.speed), law_of(law, ride.speed)
    sizes, directions = np.linalg.eigh(known.Q)
    shaken = directions * np.sqrt(np.maximum(sizes, 0.0))
    knocks = []
    for knock in ride.knocks:
        there, more = known.path(knock, offsets), beside(knock, gains)
        shown, torque = np.empty((len(more), 2)), knock[2].copy()
        x = there[0]
        for k in range(len(more)):
            x = there[k] if k <= BEFORE else x
            shown[k] = x[[4, 1]] + offsets[:2] + Predictors.sensors * rng.standard_normal(2)
            if k >= BEFORE:
                torque[k] = gains @ [x[0], shown[k, 1], shown[k, 0], x[3]] + more[k]
            x = known.A @ x + known.B * (torque[k] + offsets[2]) + shaken @ rng.standard_normal(5)
        knocks.append((shown[:, 0], shown[:, 1], torque))
    return Ride(ride.speed, knocks)


class Told(NamedTuple):
    """What an estimate says of a ride: its values and offsets (3,)."""

    values: Array
    offsets: Array

    @property
    def late_s(self) -> float:
        """How late the sensor shows the roll rate."""
        return math.exp(self.values[10])

    @property
    def by_torque(self) -> float:
        """Roll acceleration by steering torque [1/(kg m^2)]."""
        return float(self.values[4])


def told_of(ride: Ride, late: tuple[float, float]) -> Told:
    found = estimate(ride, late)
    return Told(found.values, offsets_of(found))


class Compared(NamedTuple):
    """An eigenvalue of ours and of the source's fit, the latter's of what ours tells anew (2,), and what our
    estimator says of its model."""

    ours: Value
    theirs: Value
    anew: Array
    cannot: str

    @property
    def lacks(self) -> float:
        """Damping [1/s] that is missing in what is told anew, by the source's fit."""
        return float(self.anew[0] - self.theirs.at[0])

    @property
    def of_spread(self) -> Array:
        """(2,) how far both are apart, in their spread."""
        return np.asarray(np.abs(self.ours.at - self.theirs.at) / self.theirs.standard)

    @property
    def alike(self) -> Array:
        """(2,) how far the source's fit of what is told anew is from that of the logs, in their spread."""
        return np.asarray(np.abs(self.anew - self.theirs.at) / self.theirs.standard)


def both_ways(rides: Rides, later: int = 0, hand: int = HAND) -> dict[tuple[str, float], Compared]:
    """Windows so many rows later than the source's, in which the hand still pushes for so many."""
    found = {}
    for law, speed in ALL:
        ride = rides[law, speed].later(later)
        free = ride.later(hand)
        estimated = estimate(free)
        value = ours(estimated, law, ride.speed)
        told = told_anew(estimated.values, offsets_of(estimated), free, law, hand)
        anew = np.mean([by_one_oscillation(one, speed) for one in told], axis=0)
        found[law, speed] = Compared(value, theirs(ride, speed), anew, estimated.error.cannot)
    return found
