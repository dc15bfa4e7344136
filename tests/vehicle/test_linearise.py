"""State matrices against the published bicycle and against the very simulation they stand for."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.linalg import expm

from emulator.core.axes import quaternion_of, roll_pitch_yaw, rotation_of
from emulator.vehicle.equilibrium import steady_motion
from emulator.vehicle.linearise import (
    D_OMEGA,
    LATERAL,
    lateral,
    linear_reading,
    linearise,
    linearise_with,
    steer_torque_of_roll_rate,
)
from emulator.vehicle.params import Vehicle
from emulator.vehicle.state import (
    DEFLECTION,
    JOINT,
    JOINT_RATE,
    OMEGA,
    QUATERNION,
    STEER,
    TORSION,
    U_STEER_TORQUE,
    VELOCITY,
)
from tests.support.machines import benchmark_bicycle, demo, ride

# J. P. Meijaard et al., Proc. R. Soc. A 463 (2007) 1955-1982, table 2: eigenvalues of the benchmark bicycle.
# speed [m/s]: weave real, imaginary, capsize, castering [1/s]
TABLE_2 = {
    1.0: (3.52696170990070, 0.80774027519930, -3.13423125066578, -7.11008014637442),
    2.0: (2.68234517512745, 1.68066296590675, -3.07158645641514, -8.67387984831735),
    3.0: (1.70675605663975, 2.31582447384325, -2.63366137253667, -10.35101467245920),
    4.0: (0.41325331521125, 3.07910818603206, -1.42944427361326, -12.15861426576447),
    5.0: (-0.77534188219585, 4.46486771378823, -0.32286642900409, -14.07838969279822),
    6.0: (-1.52644486584142, 5.87673060598709, -0.00406690076970, -16.08537123098026),
    7.0: (-2.13875644258362, 7.19525913329805, 0.10268170574766, -18.15788466125262),
    8.0: (-2.69348683581097, 8.46037971396931, 0.14327879765713, -20.27940894394569),
    9.0: (-3.21675402252485, 9.69377351531791, 0.15790184030917, -22.43788559040858),
    10.0: (-3.72016840437287, 10.90681139476287, 0.16105338653172, -24.62459635017404),
}


def lateral_matrix(vehicle: Vehicle, speed: float, roll: float = 0.0) -> NDArray[np.float64]:
    return lateral(linearise(vehicle, steady_motion(vehicle, speed, roll))).A


def distance(vehicle: Vehicle, speed: float) -> float:
    """Largest distance of a published eigenvalue from the nearest computed one [1/s]."""
    weave, imaginary, capsize, castering = TABLE_2[speed]
    found = np.linalg.eigvals(lateral_matrix(vehicle, speed))
    published = (complex(weave, imaginary), complex(weave, -imaginary), capsize, castering)
    return max(float(np.min(np.abs(found - value))) for value in published)


@pytest.mark.parametrize("speed", sorted(TABLE_2))
def test_benchmark_bicycle_has_its_published_eigenvalues(speed: float) -> None:
    assert distance(benchmark_bicycle(1e9), speed) < 1e-4


def test_benchmark_bicycle_is_approached_as_one_over_the_cornering_stiffness() -> None:
    stiffness = (1e5, 1e6, 1e7, 1e8)
    errors = [max(distance(benchmark_bicycle(C), v) for v in TABLE_2) for C in stiffness]
    slope = np.polyfit(np.log10(stiffness), np.log10(errors), 1)[0]
    assert slope == pytest.approx(-1.0, abs=0.03)


def test_benchmark_bicycle_is_self_stable_between_its_published_speeds() -> None:
    # Meijaard et al. (2007), section 5: weave speed 4.29238253634111, capsize speed 6.02426201538837 m/s.
    vehicle = benchmark_bicycle(1e9)
    for critical, sign in ((4.29238253634111, -1.0), (6.02426201538837, 1.0)):
        growth = []
        for speed in (critical - 0.01, critical + 0.01):
            values = np.linalg.eigvals(lateral_matrix(vehicle, speed))
            # the two locked joints leave zeros, which are nobody's mode
            growth.append(max(v.real for v in values if abs(v) > 1e-9))
        assert growth[0] * growth[1] < 0.0
        assert sign * growth[1] > 0.0
        zero = critical - 0.01 + 0.02 * growth[0] / (growth[0] - growth[1])
        assert zero == pytest.approx(critical, abs=1e-3)


def test_locked_joints_leave_empty_rows_and_columns() -> None:
    A = lateral_matrix(benchmark_bicycle(1e6), 5.0)
    for k in (LATERAL.index(4), LATERAL.index(15)):
        assert not A[k].any()
        assert not A[:, k].any()


def test_lateral_motion_decouples_from_the_rest_when_upright() -> None:
    vehicle = demo()
    A = linearise(vehicle, steady_motion(vehicle, 25.0)).A
    inside = np.array(LATERAL)
    outside = np.setdiff1d(np.arange(23), inside)
    assert np.max(np.abs(A[np.ix_(inside, outside)])) < 1e-4
    assert np.max(np.abs(A[np.ix_(outside, inside)])) < 1e-4
    assert np.max(np.abs(A)) > 1.0


def _disturbed(x0: NDArray[np.float64], shift: NDArray[np.float64]) -> NDArray[np.float64]:
    """The state a small lateral deviation (10,) away: roll, torsion, steer, p, r, vy, rates, deflections."""
    x = x0.copy()
    # A rotation by `roll` about the body's x axis; to first order that is the deviation in roll.
    w, i, j, k = x[QUATERNION : QUATERNION + 4]
    half = 0.5 * shift[0]
    x[QUATERNION : QUATERNION + 4] = w - i * half, i + w * half, j + k * half, k - j * half
    x[JOINT + TORSION] += shift[1]
    x[JOINT + STEER] += shift[2]
    x[OMEGA] += shift[3]
    x[OMEGA + 2] += shift[4]
    x[VELOCITY + 1] += shift[5]
    x[JOINT_RATE + TORSION] += shift[6]
    x[JOINT_RATE + STEER] += shift[7]
    x[DEFLECTION + 1] += shift[8]
    x[DEFLECTION + 3] += shift[9]
    return x


@pytest.mark.parametrize(("speed", "which"), [(5.0, "fastest growing"), (25.0, "slowest oscillation")])
def test_a_small_disturbance_grows_or_decays_as_its_eigenvalue_says(speed: float, which: str) -> None:
    vehicle = demo()
    steady = steady_motion(vehicle, speed)
    values, vectors = np.linalg.eig(lateral(linearise(vehicle, steady)).A)
    oscillating = [k for k in range(10) if values[k].imag > 1e-6]
    k = (
        int(np.argmax(values.real))
        if which == "fastest growing"
        else min(oscillating, key=lambda k: abs(values[k].real))
    )
    value, mode = values[k], vectors[:, k]
    left = np.linalg.inv(vectors)[k]
    x = _disturbed(steady.x, 1e-5 * mode.real)
    start = complex(left @ _read(x, steady.x))
    seconds = 0.4
    ride(vehicle, x, steady.u, 1e-3, round(1000 * seconds))
    end = complex(left @ _read(x, steady.x))
    ratio = abs(end) / abs(start)
    assert math.log(ratio) == pytest.approx(value.real * seconds, rel=0.05)
    if value.imag:
        turned = np.angle(end / start * np.exp(-1j * value.imag * seconds))
        assert abs(turned) < 0.05 * value.imag * seconds


def _read(x: NDArray[np.float64], x0: NDArray[np.float64]) -> NDArray[np.float64]:
    """The lateral deviation (10,) of x from x0."""

    def roll(q: NDArray[np.float64]) -> float:
        w, i, j, k = q
        return math.atan2(2.0 * (j * k + w * i), 1.0 - 2.0 * (i * i + j * j))

    take = [
        JOINT + TORSION,
        JOINT + STEER,
        OMEGA,
        OMEGA + 2,
        VELOCITY + 1,
        JOINT_RATE + TORSION,
        JOINT_RATE + STEER,
        DEFLECTION + 1,
        DEFLECTION + 3,
    ]
    lean = roll(x[QUATERNION : QUATERNION + 4]) - roll(x0[QUATERNION : QUATERNION + 4])
    return np.array([lean, *(x[take] - x0[take])])


def test_steering_torque_enters_as_the_simulation_has_it() -> None:
    vehicle = demo()
    steady = steady_motion(vehicle, 15.0)
    linear = lateral(linearise(vehicle, steady))
    x, u = steady.x.copy(), steady.u.copy()
    u[U_STEER_TORQUE] += 1e-3
    ride(vehicle, x, u, 1e-4, 500)
    # x(t) = integral of exp(A s) B du ds, by the augmented matrix exponential
    augmented = np.zeros((11, 11))
    augmented[:10, :10], augmented[:10, 10:] = linear.A, linear.B * 1e-3
    expected = expm(augmented * 0.05)[:10, 10]
    assert np.allclose(_read(x, steady.x), expected, rtol=0.0, atol=1e-3 * np.max(np.abs(expected)))


@pytest.mark.parametrize("roll", [0.0, 0.5])
def test_a_reading_may_hold_accelerations_and_what_the_inputs_make_of_them_at_once(roll: float) -> None:
    bike = demo()
    steady = steady_motion(bike, 25.0, roll)
    linear = linearise(bike, steady)
    rates = slice(OMEGA, OMEGA + 3)

    def read(x: np.ndarray, xdot: np.ndarray) -> np.ndarray:
        return np.hstack([xdot[:, rates], 2.0 * x[:, rates]])

    rows, at_once = linear_reading(bike, steady, read)
    np.testing.assert_array_equal(rows[:3], linear.A[D_OMEGA : D_OMEGA + 3])
    np.testing.assert_array_equal(at_once[:3], linear.B[D_OMEGA : D_OMEGA + 3])
    np.testing.assert_allclose(rows[3:, D_OMEGA : D_OMEGA + 3], 2.0 * np.eye(3), atol=1e-9)
    assert not at_once[3:].any()
    together, same = linearise_with(bike, steady, read)
    for one, other in ((together.A, linear.A), (together.B, linear.B), (same, rows)):
        np.testing.assert_array_equal(one, other)


@pytest.mark.parametrize("speed", [15.0, 30.0])
def test_a_bike_rolls_through_upright_at_the_rate_its_steering_torque_is_worked_out_for(speed: float) -> None:
    """Ridden by the plant from a lean on the one side to the other, with the torque of the ramp alone."""
    vehicle, rate, half = demo(), 0.2, 0.15  # [rad/s], [s]
    linear = linearise(vehicle, steady_motion(vehicle, speed))
    torque = steer_torque_of_roll_rate(linear)
    A, B = lateral(linear)
    matrix = np.hstack([A[:, 1:], B])
    turn = np.linalg.lstsq(matrix, -A[:, 0], rcond=None)[0]
    rolling = np.linalg.lstsq(matrix, np.concatenate([[1.0], turn[:-1]]), rcond=None)[0]
    assert rolling[-1] == torque
    z = rate * (np.concatenate([[0.0], rolling[:-1]]) - half * np.concatenate([[1.0], turn[:-1]]))
    steady = steady_motion(vehicle, speed)
    x, u = steady.x.copy(), steady.u.copy()
    pitch = 2.0 * math.asin(x[QUATERNION + 2])
    quaternion_of(z[0], pitch, 0.0, x[QUATERNION : QUATERNION + 4])
    rows = (JOINT + TORSION, JOINT + STEER, OMEGA, OMEGA + 2, VELOCITY + 1)
    rows += (JOINT_RATE + TORSION, JOINT_RATE + STEER, DEFLECTION + 1, DEFLECTION + 3)
    x[list(rows)] = z[1:]
    for k in range(round(2.0 * half / 1e-3)):
        u[U_STEER_TORQUE] = rate * (torque + (-half + (k + 0.5) * 1e-3) * turn[-1])
        ride(vehicle, x, u, 1e-3, 1)
    roll, _, _ = roll_pitch_yaw(rotation_of(*x[QUATERNION : QUATERNION + 4]))
    assert roll == pytest.approx(rate * half, rel=0.05)
    assert x[OMEGA] == pytest.approx(rate, rel=0.05)
