"""The estimate on synthetic signals: it finds its way on a straight and in a turn, and meets late epochs."""

import math

import numpy as np
import pytest

from emulator.core.axes import quaternion_of, roll_pitch_yaw, rotation_of
from emulator.core.compiled import bound, jit
from emulator.robot.design import drift_of, lateral_of
from emulator.robot.estimator import (
    BELIEVED,
    DOUBTED,
    STEP,
    align,
    begin_unsure,
    doubted_too_long,
    position_sigma,
    predict,
    rolling_speed,
    see_gnss,
    see_lean,
    see_wheels,
    show,
)
from emulator.robot.records import (
    HISTORY,
    N_ERROR,
    PAST_EVERY,
    SEEN,
    Z_FX,
    Z_P,
    Z_WHEEL_FRONT,
    Z_WHEEL_REAR,
)

GNSS_AGE = 0.06


def attitude(roll, pitch, heading):
    """R_WB."""
    q = np.zeros(4)
    quaternion_of(roll, pitch, heading, q)
    return np.array(rotation_of(*q)).reshape(3, 3)


def cross(a, b):
    """a x b; numpy's own takes fourteen times as long for one pair, and this is asked a million times."""
    return np.array([a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]])


@jit
def predicted(design, known, mind, seen):
    predict(design, known[0], mind[0], seen)


@jit
def leaned(known, mind, roll):
    see_lean(known[0], mind[0], roll)


class Synthetic:
    """A ride along a line or a circle in closed form, and the estimator beside it.

    The main frame's origin goes with the drift of its steady turn; signals are what perfect sensors would
    give there, as old as the rider is told they are.
    """

    def __init__(self, rider, speed, roll=0.0, pitch=0.0, acceleration=0.0):
        self.d, self.k, self.e = rider.rider.design, rider.rider.known[0], rider.rider.mind[0]
        self.speed_0, self.acceleration, self.roll, self.pitch = speed, acceleration, roll, pitch
        self.turn = lateral_of(self.d, speed, roll) / speed
        self.drift = drift_of(self.d, speed, roll)
        self.n = 0
        self.rates = np.zeros(3)
        self.forces = np.zeros(3)
        self.seen = np.zeros(len(SEEN))
        e = self.e
        known, mind = rider.rider.known, rider.rider.mind
        self.predict = bound(predicted, (self.d, known, mind, self.seen))
        self.see_lean = bound(leaned, (known, mind), 0.0)
        self.felt = self.feels()
        R, place, velocity = self.truth(0.0)
        e["attitude"] = R.ravel()
        e["position"], e["velocity"] = place, velocity
        for back in range(HISTORY):
            R, place, velocity = self.truth(-back * PAST_EVERY * STEP)
            e["past"][:, -back % HISTORY] = np.concatenate([place, velocity, R.ravel()])
        e["started"] = 1
        begin_unsure(e)
        show(self.k, e)

    def origin(self, t):
        """(x, y, heading, speed) of the main frame's origin."""
        v, a, w = self.speed_0, self.acceleration, self.turn
        heading = 0.4 + w * t
        course = heading + self.drift
        if w == 0.0:
            way = v * t + 0.5 * a * t * t
            return 100.0 + way * math.cos(course), -50.0 + way * math.sin(course), heading, v + a * t
        assert a == 0.0
        c0 = 0.4 + self.drift
        return (
            100.0 + v / w * (math.sin(course) - math.sin(c0)),
            -50.0 - v / w * (math.cos(course) - math.cos(c0)),
            heading,
            v,
        )

    def truth(self, t):
        """Attitude, the unit's place and velocity at time t."""
        x, y, heading, v = self.origin(t)
        R = attitude(self.roll, self.pitch, heading)
        lever = R @ np.array(self.k["imu"])
        course = heading + self.drift
        velocity = v * np.array([math.cos(course), math.sin(course), 0.0])
        return R, np.array([x, y, 0.0]) + lever, velocity + cross([0.0, 0.0, self.turn], lever)

    def feels(self):
        """Body rates and specific force: the same all along, as all of them turn with the bike."""
        _, _, heading, v = self.origin(0.0)
        R, w = attitude(self.roll, self.pitch, heading), np.array([0.0, 0.0, self.turn])
        course = heading + self.drift
        along = np.array([math.cos(course), math.sin(course), 0.0])
        a = self.acceleration * along + cross(w, v * along)
        a = a + cross(w, cross(w, R @ np.array(self.k["imu"]))) + np.array([0.0, 0.0, self.k["gravity"]])
        return R.T @ w, R.T @ a

    @property
    def t(self):
        """Validity of the newest inertial sample."""
        return self.n * STEP

    def step(self, wheels=True, lean=True):
        self.n += 1
        rates, force = self.felt
        self.seen[Z_P : Z_P + 3] = rates + self.rates
        self.seen[Z_FX : Z_FX + 3] = force + self.forces
        self.predict()
        if self.n % 5 == 0:
            if lean:
                self.see_lean(self.roll)
            if wheels:
                self.see_wheels()

    def see_wheels(self):
        _, _, _, speed = self.origin(self.t - float(self.k["wheel_age"] - self.k["imu_age"]))
        ahead = speed * math.cos(self.drift)
        for z, tyre, c in ((Z_WHEEL_FRONT, "front", 0), (Z_WHEEL_REAR, "rear", 1)):
            radius, crown = float(self.k[f"{tyre}_radius"]), float(self.k[f"{tyre}_crown"])
            self.seen[z] = ahead / self.d.rolling[c] * radius / (radius - crown * (1 - math.cos(self.roll)))
        return see_wheels(self.d, self.k, self.e, self.seen, True, True)

    def epoch(self, age=GNSS_AGE, told_age=None, shift=(0.0, 0.0, 0.0), quality=4):
        """GNSS: where the antenna was ``age`` before now, said to be ``told_age`` old."""
        imu_age = float(self.k["imu_age"])
        R, place, velocity = self.truth(self.t + imu_age - age)
        lever = R @ (np.array(self.k["antenna"]) - np.array(self.k["imu"]))
        antenna = place + lever + shift
        v = velocity + cross([0.0, 0.0, self.turn], lever)
        course = math.atan2(v[0], v[1])
        speed = math.hypot(v[0], v[1])
        see_gnss(self.k, self.e, *antenna, speed, course, quality, age if told_age is None else told_age)

    def ride(self, seconds, gnss=True):
        for _ in range(round(seconds / STEP)):
            self.step()
            if gnss and self.n % 50 == 0:
                self.epoch()

    def errors(self):
        """Place [m], heading [rad], speed [m/s], roll [rad], pitch [rad] against the truth of now."""
        e = self.e
        x, y, heading, v = self.origin(self.t + float(self.k["imu_age"]))
        heading -= self.turn * float(self.k["imu_age"])  # shown as of the newest sample
        return (
            math.hypot(e["x"] - x, e["y"] - y),
            abs(math.remainder(e["heading"] - heading, 2 * math.pi)),
            abs(e["speed"] - v * math.cos(self.drift)),
            abs(e["roll"] - self.roll),
            abs(e["pitch"] - self.pitch),
        )


def spoil(ride, turn=(0.05, 0.03, 0.08)):
    """A start that is wrong in everything."""
    e = ride.e
    e["position"] += (3.0, -2.0, 0.5)
    e["velocity"] += (1.0, 0.5, 0.0)
    wrong = attitude(*turn)
    e["attitude"] = (wrong @ np.array(e["attitude"]).reshape(3, 3)).ravel()
    for row in e["past"].T:
        row[:3] += (3.0, -2.0, 0.5)
        row[3:6] += (1.0, 0.5, 0.0)
        row[6:] = (wrong @ row[6:].reshape(3, 3)).ravel()


@pytest.mark.parametrize("roll_deg", [0.0, 30.0, -40.0], ids=["straight", "right turn", "left turn"])
@pytest.mark.parametrize("speed", [8.0, 30.0])
def test_a_right_start_stays_right(rider, speed, roll_deg):
    ride = Synthetic(rider, speed, math.radians(roll_deg), pitch=0.03)
    ride.ride(6.0)
    place, heading, speed_error, roll, pitch = ride.errors()
    # the rectangle rule over 2 ms, and a lean sensor and a wheel that say the same as the truth
    assert place < 2e-3
    assert heading < 2e-4
    assert speed_error < 2e-3
    assert roll < 2e-4
    assert pitch < 2e-4


@pytest.mark.parametrize("roll_deg", [0.0, 35.0])
def test_a_wrong_start_is_found_out(rider, roll_deg):
    ride = Synthetic(rider, 25.0, math.radians(roll_deg))
    spoil(ride)
    ride.ride(25.0)
    place, heading, speed_error, roll, pitch = ride.errors()
    assert place < 0.02
    assert heading < 3e-3
    assert speed_error < 0.03
    assert roll < 4e-3
    # on a straight at constant speed pitch and an accelerometer's bias are one: it believes in 0.08 m/s^2
    assert pitch < 8e-3


def test_biases_are_found(rider):
    ride = Synthetic(rider, 25.0, math.radians(25.0))
    ride.rates[:] = (0.003, -0.002, 0.002)
    ride.forces[:] = (0.05, -0.05, 0.08)
    ride.ride(40.0)
    place, _, _, roll, pitch = ride.errors()
    assert place < 0.01
    assert roll < 4e-3  # what of it is accelerometer bias can't be told apart in one steady turn
    assert pitch < 4e-3
    assert np.array(ride.e["bias_rate"]) == pytest.approx(ride.rates, abs=5e-4)


def test_pitch_shows_in_where_the_antenna_is(rider):
    """Nose down by 5 degrees an antenna a metre up lies 9 cm further ahead; that is not the bike's place."""
    ride = Synthetic(rider, 20.0, pitch=math.radians(5.0))
    ride.ride(5.0)
    assert ride.errors()[0] < 2e-3


def test_seconds_without_gnss_cost_little(rider):
    ride = Synthetic(rider, 20.0, math.radians(20.0))
    ride.rates[:] = (0.002, 0.002, -0.001)
    ride.forces[:] = (0.03, -0.03, 0.03)
    ride.ride(15.0)
    sure = position_sigma(ride.e)
    ride.ride(5.0, gnss=False)
    assert ride.errors()[0] < 0.25
    assert sure < position_sigma(ride.e) < 1.0
    assert ride.errors()[0] < 3.0 * position_sigma(ride.e)


def test_what_it_says_of_itself_is_what_it_is(rider):
    """Over many starts drawn from its own belief, errors are as large as it says (chi-square, 2 numbers)."""
    rng = np.random.default_rng(4)
    squares = []
    for _ in range(40):
        ride = Synthetic(rider, 20.0)
        ride.e["position"] += (*(0.1 * rng.standard_normal(2)), 0.0)
        for n in range(10):
            for _ in range(50):
                ride.step(wheels=False, lean=False)
            if n >= 5:
                ride.epoch(shift=(*(0.015 * rng.standard_normal(2)), 0.0))
        x, y, _, _ = ride.origin(ride.t + float(ride.k["imu_age"]))
        off = np.array([ride.e["x"] - x, ride.e["y"] - y])
        squares.append(off @ np.linalg.inv(np.array(ride.e["covariance"])[:2, :2]) @ off)
    # It allows for noise this ride has not, so it may be surer than it says, never much less sure: the mean
    # of 40 chi-square numbers of 2 degrees of freedom lies below 2.8 with 99 %.
    assert 0.3 < float(np.mean(squares)) < 2.8


def test_a_late_epoch_is_met_where_it_belongs(rider):
    ride = Synthetic(rider, 40.0)
    ride.ride(2.0)
    before = float(ride.e["x"]), float(ride.e["y"])
    ride.epoch(0.2)
    assert math.hypot(ride.e["x"] - before[0], ride.e["y"] - before[1]) < 2e-3
    ride.epoch(0.2, told_age=0.196)  # the same place, thought to be fresher: 16 cm behind
    assert math.hypot(ride.e["x"] - before[0], ride.e["y"] - before[1]) > 0.01


@pytest.mark.parametrize("age", [0.0, 0.0031, 0.0577, 0.2, 0.298])
def test_any_age_within_memory_is_met(rider, age):
    ride = Synthetic(rider, 40.0, math.radians(-30.0))
    for extra in range(7):
        ride.ride(0.1 + extra * STEP)
        imu_age = float(ride.k["imu_age"])
        before = np.array(ride.e["position"])
        ride.epoch(age + imu_age)
        assert np.linalg.norm(np.array(ride.e["position"]) - before) < 5e-4


def test_an_error_is_not_counted_twice_before_it_shows_in_later_epochs(rider):
    ride = Synthetic(rider, 20.0)
    ride.ride(1.0)
    ride.e["position"][0] += 0.1
    ride.e["past"][0] += 0.1
    left = []
    for _ in range(40):
        for _ in range(50):
            ride.step()
        ride.epoch(0.2)
        left.append(float(ride.e["x"]) - ride.origin(ride.t + float(ride.k["imu_age"]))[0])
    assert min(left) > -0.02  # no swing to the other side
    assert abs(left[-1]) < 0.01


def epochs(ride, seconds, shift, quality=4):
    """Ride on with GNSS epochs that are ``shift`` [m] off, fixed or by time; the worst place error."""
    worst = 0.0
    for n in range(round(10 * seconds)):
        for _ in range(50):
            ride.step()
        ride.epoch(shift=shift(0.1 * (n + 1)) if callable(shift) else shift, quality=quality)
        worst = max(worst, ride.errors()[0])
    return worst


@pytest.mark.parametrize("speed", [4.0, 48.0])
@pytest.mark.parametrize("roll_deg", [0.0, 35.0])
@pytest.mark.parametrize("towards", [0.4, 2.0])  # along the way at first, and across
@pytest.mark.parametrize("jump", [0.5, 20.0])
def test_a_jump_under_the_same_fix_moves_it_nowhere(rider, speed, roll_deg, towards, jump):
    """For seconds, in any direction, on a straight and in a turn; and it ends as if it had not been."""
    ride = Synthetic(rider, speed, math.radians(roll_deg))
    ride.ride(3.0)
    shift = (jump * math.cos(towards), jump * math.sin(towards), 0.0)
    assert epochs(ride, 5.0, shift) < 0.05
    assert ride.e["gnss_faith"] == DOUBTED
    ride.ride(1.0)
    assert ride.e["gnss_faith"] == BELIEVED
    assert ride.errors()[0] < 0.05


@pytest.mark.parametrize("over_s", [0.3, 1.0])
def test_one_that_grows_fast_is_a_jump_too(rider, over_s):
    ride = Synthetic(rider, 20.0)
    ride.ride(5.0)
    worst = epochs(ride, 4.0, lambda t: (0.0, 1.5 * min(1.0, t / over_s), 0.0))
    assert worst < 0.25
    assert ride.e["gnss_faith"] == DOUBTED


def test_noise_of_the_receiver_is_never_doubted(rider):
    """A minute of white noise as large as it is believed to be, and a quarter more, in a turn."""
    rng = np.random.default_rng(6)
    ride = Synthetic(rider, 25.0, math.radians(20.0))
    squares = []
    for n in range(600):
        for _ in range(50):
            ride.step()
        ride.epoch(shift=(*(1.25 * 0.015 * rng.standard_normal(2)), 0.0))
        squares.append(float(ride.e["gnss_square"]))
        assert ride.e["gnss_faith"] == BELIEVED, n
    assert max(squares) < 20.0


def test_the_square_it_judges_by_is_that_of_two_numbers(rider):
    """Noise drawn from its own beliefs: the mean square is at most 2, that of chi-square of two numbers."""
    rng = np.random.default_rng(9)
    ride = Synthetic(rider, 15.0)
    ride.ride(2.0)
    squares = []
    for _ in range(400):
        for _ in range(50):
            ride.step()
        ride.epoch(shift=(*(0.015 * rng.standard_normal(2)), 0.0))
        squares.append(float(ride.e["gnss_square"]))
    # It allows for more than this ride has (its prediction is exact, its epochs' ages are).
    assert 0.5 < np.mean(squares) < 2.0


@pytest.mark.parametrize("gap_s", [1.5, 4.0])
def test_after_a_gap_a_receiver_elsewhere_is_believed_in_the_end(rider, gap_s):
    ride = Synthetic(rider, 20.0)
    ride.ride(5.0)
    ride.ride(gap_s, gnss=False)
    ride.epoch(shift=(1.5, 0.0, 0.0))
    assert 0.0 < ride.errors()[0] < 0.75  # weighed down: it is sure of its own place to a few centimetres
    epochs(ride, 12.0, (1.5, 0.0, 0.0))
    assert ride.e["gnss_faith"] == BELIEVED
    assert ride.errors()[0] == pytest.approx(1.5, abs=0.05)


def test_a_better_fix_may_be_elsewhere(rider):
    ride = Synthetic(rider, 20.0)
    ride.ride(5.0, gnss=False)
    epochs(ride, 5.0, (0.5, 0.0, 0.0), quality=5)
    assert epochs(ride, 1.0, (0.0, 0.0, 0.0)) < 0.6
    epochs(ride, 8.0, (0.0, 0.0, 0.0))
    assert ride.errors()[0] < 0.03


def test_a_worse_fix_is_no_reason_to_be_elsewhere(rider):
    ride = Synthetic(rider, 20.0)
    ride.ride(5.0)
    assert epochs(ride, 4.0, (2.5, 0.0, 0.0), quality=5) < 0.05
    assert ride.e["gnss_faith"] == DOUBTED


def test_near_enough_it_is_followed_in_the_end_and_further_off_it_says_so(rider):
    ride = Synthetic(rider, 20.0)
    ride.ride(5.0)
    epochs(ride, 9.8, (0.0, 0.4, 0.0))
    assert ride.errors()[0] < 0.05
    assert not doubted_too_long(ride.e)
    epochs(ride, 10.0, (0.0, 0.4, 0.0))
    assert ride.errors()[0] == pytest.approx(0.4, abs=0.05)
    assert not doubted_too_long(ride.e)
    ride.ride(12.0)
    epochs(ride, 10.3, (0.0, 1.4, 0.0))
    assert doubted_too_long(ride.e)


def test_with_the_inertial_unit_silent_a_position_is_not_doubted(rider):
    ride = Synthetic(rider, 20.0)
    ride.ride(5.0)
    ride.e["emergency"] = 1
    ride.epoch(shift=(1.0, 0.0, 0.0))
    assert ride.e["gnss_faith"] != DOUBTED
    assert ride.errors()[0] > 0.0


def test_a_poor_fix_weighs_little(rider):
    ride = Synthetic(rider, 20.0)
    ride.ride(8.0)
    ride.epoch(shift=(1.0, 0.0, 0.0), quality=1)
    assert ride.errors()[0] < 0.01


def test_a_wheel_that_can_not_be_is_not_believed(rider):
    ride = Synthetic(rider, 20.0)
    ride.ride(1.0)
    d, k, e, seen = ride.d, ride.k, ride.e, ride.seen
    good = seen.copy()
    seen[Z_WHEEL_FRONT] = 0.0  # locked
    assert see_wheels(d, k, e, seen, True, True)  # the rear one stands in
    assert e["speed"] == pytest.approx(20.0, abs=1e-3)
    seen[Z_WHEEL_REAR] = 40.0  # spinning
    assert not see_wheels(d, k, e, seen, True, True)
    assert e["speed"] == pytest.approx(20.0, abs=1e-3)
    assert not see_wheels(d, k, e, good, False, False)  # nothing fresh


def test_a_wheel_of_another_size_is_learnt(rider):
    ride = Synthetic(rider, 25.0)
    radius = ride.k["front_radius"]
    ride.k["front_radius"] = 1e9  # no crown: the reading is the ground speed
    for _ in range(20):
        for n in range(500):
            ride.step(wheels=False)
            if n % 5 == 0:
                ride.seen[Z_WHEEL_FRONT] = 25.25 / ride.d.rolling[0]
                see_wheels(ride.d, ride.k, ride.e, ride.seen, True, False)
            if n % 50 == 0:
                ride.epoch()
    ride.k["front_radius"] = radius
    assert ride.e["scale"][0] == pytest.approx(0.01, abs=2e-3)
    assert ride.errors()[2] < 0.02


def test_it_levels_itself_while_it_stands(rider):
    k, e = rider.rider.known[0], rider.rider.mind[0]
    seen = np.zeros(len(SEEN))
    roll, pitch, g = 0.02, -0.04, float(k["gravity"])
    seen[Z_FX : Z_FX + 3] = attitude(roll, pitch, 0.0).T @ (0.0, 0.0, g)
    seen[Z_P : Z_P + 3] = (0.004, -0.003, 0.002)
    heading, x, y = float(e["heading"]), float(e["x"]), float(e["y"])
    noise = np.random.default_rng(1)
    for _ in range(1000):
        noisy = seen.copy()
        noisy[Z_P : Z_P + 3] += 0.003 * noise.standard_normal(3)
        noisy[Z_FX : Z_FX + 3] += 0.05 * noise.standard_normal(3)
        align(k, e, noisy)
    assert e["roll"] == pytest.approx(roll, abs=1e-3)
    assert e["pitch"] == pytest.approx(pitch, abs=1e-3)
    assert np.array(e["bias_rate"]) == pytest.approx(seen[Z_P : Z_P + 3], abs=4e-4)
    assert roll_pitch_yaw(tuple(e["attitude"]))[2] == pytest.approx(heading)
    show(k, e)
    assert (e["x"], e["y"]) == (pytest.approx(x), pytest.approx(y))


def test_the_covariance_stays_one(rider):
    ride = Synthetic(rider, 30.0, math.radians(30.0))
    ride.ride(10.0)
    P = np.array(ride.e["covariance"])
    assert np.array_equal(P, P.T)
    assert np.linalg.eigvalsh(P).min() > 0.0
    assert P.shape == (N_ERROR, N_ERROR)
    R = np.array(ride.e["attitude"]).reshape(3, 3)
    assert np.abs(R @ R.T - np.eye(3)).max() < 1e-12


def test_a_leaning_tyre_rolls_on_a_smaller_radius():
    # R = 0.3, crown radius 0.06: at 60 degrees the rolling radius is 0.3 - 0.06 / 2
    assert rolling_speed(30.0, 0.3, 0.06, math.radians(60.0)) == pytest.approx(27.0)
    assert rolling_speed(30.0, 0.3, 0.06, 0.0) == 30.0


def test_speed_never_turns_backwards(rider):
    ride = Synthetic(rider, 0.01)
    ride.seen[Z_FX] = -5.0  # braking to a stand
    for _ in range(50):
        predict(ride.d, ride.k, ride.e, ride.seen)
    assert ride.e["speed"] == 0.0
